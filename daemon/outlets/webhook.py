"""A JSON POST for each notice, over HTTP or HTTPS, by the standard library.

The body is one object: ``id`` (the same notice always has the same), ``t`` (UTC), ``alarm_id``, ``condition``,
``where``, ``event``, ``urgency``, ``title``, ``body``. The id is also in the header ``Idempotency-Key``. With a secret,
``X-Signature-SHA256`` is the HMAC (RFC 2104) of the body's bytes, in lower-case hexadecimal.

Any answer 2xx is a delivery. 408, 425, 429 and 5xx are tried again; every other answer, redirections too, is a refusal:
a notice is not carried to an address that the owner did not give.
"""

from __future__ import annotations

import hashlib
import hmac
import http.client
import json
import ssl
import urllib.error
import urllib.request
from email.message import Message
from typing import IO

from daemon.alarms.picture import stamp
from daemon.errors import OutletError
from daemon.notices import Notice
from daemon.outlets.contract import NoticeRefused
from daemon.outlets.settings import WebhookOutletSettings

_TRY_AGAIN = frozenset({408, 425, 429})
_READ_BYTES = 1024


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str,
                         headers: Message, newurl: str) -> None:
        """Follow nothing."""
        return


def signature(secret: str, body: bytes) -> str:
    """HMAC-SHA256 of ``body``, in lower-case hexadecimal."""
    return hmac.new(secret.encode(), body, hashlib.sha256).hexdigest()


def document(notice: Notice) -> bytes:
    """The body of the POST."""
    return json.dumps({
        "id": notice.id, "t": stamp(notice.t), "alarm_id": notice.alarm_id, "condition": notice.condition,
        "where": notice.where, "event": notice.event, "urgency": notice.urgency.value, "title": notice.title,
        "body": notice.body,
    }, ensure_ascii=False, allow_nan=False).encode()


class WebhookSender:
    """Posts notices. No proxy of the environment is used: the address that the owner gave is called directly."""

    def __init__(self, settings: WebhookOutletSettings) -> None:
        self._settings = settings
        self._opener: urllib.request.OpenerDirector | None = None

    def deliver(self, notice: Notice) -> None:
        """Post it. Errors name what went wrong but never the address, which may hold a token."""
        body = document(notice)
        headers = {"Content-Type": "application/json; charset=utf-8", "User-Agent": "ductwarden",
                   "Idempotency-Key": notice.id}
        if self._settings.secret is not None:
            headers["X-Signature-SHA256"] = signature(self._settings.secret.read(), body)
        request = urllib.request.Request(self._settings.url, data=body, headers=headers, method="POST")
        try:
            with self._open(request) as answer:
                answer.read(_READ_BYTES)
        except urllib.error.HTTPError as error:
            error.close()
            if error.code in _TRY_AGAIN or error.code >= 500:
                raise OutletError(f"the other side answered {error.code}; trying again later") from None
            raise NoticeRefused(f"the other side answered {error.code}") from None
        except urllib.error.URLError as error:
            raise OutletError(f"not reachable: {_plain(error.reason)}") from None
        except (OSError, http.client.HTTPException) as error:
            raise OutletError(f"not reachable: {_plain(error)}") from None

    def _open(self, request: urllib.request.Request) -> http.client.HTTPResponse:
        if self._opener is None:
            handlers: list[urllib.request.BaseHandler] = [urllib.request.ProxyHandler({}), _NoRedirect()]
            if self._settings.url.lower().startswith("https:"):
                context = ssl.create_default_context(cafile=self._settings.tls_ca_file)
                handlers.append(urllib.request.HTTPSHandler(context=context))
            self._opener = urllib.request.build_opener(*handlers)
        answer: http.client.HTTPResponse = self._opener.open(request, timeout=self._settings.timeout_s)
        return answer

    def tend(self) -> None:
        """Nothing to tend."""

    def close(self) -> None:
        """Nothing stays open between notices."""


def _plain(reason: object) -> str:
    if isinstance(reason, TimeoutError):
        return "no answer in time"
    if isinstance(reason, OSError) and reason.strerror:
        return reason.strerror
    return type(reason).__name__ if isinstance(reason, BaseException) else str(reason)
