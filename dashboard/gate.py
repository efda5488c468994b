"""What every request must pass before it reaches a page: host name, size, session, same origin. And what every answer carries.

One plain ASGI layer, so that nothing can be served past it.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.access import Sessions
from dashboard.assets import sheet
from dashboard.problems import Refused, problem
from dashboard.settings import DashboardSettings, is_loopback

_LOG = logging.getLogger(__name__)

COOKIE = "ductwarden_session"
MAX_BODY = 64 * 1024
MAX_QUERY = 4096
BODY_WITHIN_S = 15.0
OPEN_PATHS = ("/healthz", "/login", "/no-contact", "/worker.js")
"""Served without a session: whether it lives, the way in, and what a browser keeps for when nothing answers."""

CONTENT_SECURITY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        f"style-src 'self' '{sheet()[1]}'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)

_HEADERS = {
    "content-security-policy": CONTENT_SECURITY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
_HEADERS_OF_FILES = {name: _HEADERS[name] for name in ("x-content-type-options", "cross-origin-resource-policy")}
"""A style sheet, script or picture is no page that could be framed or could load anything."""
_READING = ("GET", "HEAD", "OPTIONS")


class Gate:
    """The outermost layer of the dashboard."""

    def __init__(
        self, app: ASGIApp, settings: DashboardSettings, sessions: Sessions, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.app = app
        self.settings = settings
        self.sessions = sessions
        self.clock = clock
        self.hosts = {name.lower() for name in settings.allow_hosts}
        if is_loopback(settings.host):
            self.hosts |= {"localhost", "127.0.0.1", "[::1]"}
        elif settings.host not in ("0.0.0.0", "::"):
            self.hosts.add(f"[{settings.host}]" if ":" in settings.host else settings.host.lower())
        self.any_address = settings.host in ("0.0.0.0", "::")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        started, is_file = False, scope["path"].startswith("/static/")

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS_OF_FILES.items() if is_file else _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, send_with_headers)
            return
        try:
            await self.app(scope, _limited(receive), send_with_headers)
        except ClientDisconnect:
            return  # the visitor went in the middle of a request
        except Exception:
            # The traceback goes to the log; the answer tells nothing of the inside.
            _LOG.exception("a request failed by an error of our own")
            if not started:
                failed = problem(500, "Something went wrong inside the dashboard. The daemon's log says more.")
                await failed(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._host_allowed(host):
            return problem(
                421,
                "This name is not one that the dashboard answers to.",
                [f"header: host: {host[:80]!r}; add the name to dashboard.allow_hosts if it is yours"],
            )
        if len(scope.get("query_string", b"")) > MAX_QUERY:
            return problem(414, f"The query is longer than {MAX_QUERY} characters.")
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > MAX_BODY:
            return problem(413, f"The request is larger than {MAX_BODY} bytes.")
        scope.setdefault("state", {})["logged_in"] = logged_in = self._logged_in(headers)
        if scope["method"] not in _READING:
            same = _same_origin(headers, host)
            if same is None:
                return problem(400, "The origin of the request cannot be read.", ["header: origin"])
            if not same:
                return problem(403, "The request comes from another site.", ["header: origin"])
        if scope["path"] in OPEN_PATHS or scope["path"].startswith("/static/"):
            return None
        if logged_in or (scope["method"] in _READING and self.settings.view_without_password):
            return None
        if scope["path"].startswith("/api/") or scope["method"] not in _READING or scope["path"] == "/metrics":
            return problem(401, "Log in first.")
        return RedirectResponse(f"/login?next={quote(scope['path'])}", status_code=303)

    def _host_allowed(self, host: str) -> bool:
        name = _hostname(host)
        if name is None:
            return False
        if name in self.hosts:
            return True
        # Listening on every address: a bare IP address is the machine itself. A name could be a stranger's domain that
        # was pointed here (DNS rebinding), so names must be listed.
        return self.any_address and _is_address(name)

    def _logged_in(self, headers: Headers) -> bool:
        if self.settings.password_hash is None:
            return True
        return self.sessions.valid(session_token(headers), self.clock())


def session_token(headers: Headers) -> str | None:
    """The session token among the cookies, if there is one."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if morsel is None else morsel.value


def _hostname(host: str) -> str | None:
    host = host.strip().lower()
    if host.startswith("["):
        end = host.find("]")
        return host[: end + 1] if end > 0 else None
    name, _, port = host.partition(":")
    return name if name and (port == "" or port.isdigit()) else None


def _is_address(name: str) -> bool:
    import ipaddress

    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _same_origin(headers: Headers, host: str) -> bool | None:
    """Whether a changing request may be ours, None where its origin is no address. Browsers always name the origin of one; a
    program that names none has no cookies of a visitor to abuse."""
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    if origin is None:
        return True
    try:
        return urlsplit(origin).netloc.lower() == host.strip().lower()
    except ValueError:
        return None


def _limited(receive: Receive) -> Receive:
    """``receive`` that refuses a body which grows past the limit (a chunked body has no length to check beforehand) or does not
    arrive in time."""
    seen, whole = 0, False

    async def limited() -> Message:
        nonlocal seen, whole
        if whole:
            return await receive()  # waits until the visitor goes
        try:
            async with asyncio.timeout(BODY_WITHIN_S):
                message = await receive()
        except TimeoutError:
            raise Refused(408, "The body of the request did not arrive in time.") from None
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if seen > MAX_BODY:
                raise Refused(413, f"The request is larger than {MAX_BODY} bytes.")
        return message

    return limited
