"""The webhook against a real HTTP server."""

from __future__ import annotations

import hashlib
import hmac
import json

import pytest

from daemon.errors import OutletError
from daemon.outlets.contract import NoticeRefused
from daemon.outlets.settings import Secret, WebhookOutletSettings
from daemon.outlets.webhook import WebhookSender, signature
from tests.daemon.outlets.servers import closed_port, notice, silent_server, web_server


def sender(port: int, path: str = "/hook", secret: Secret | None = None, timeout_s: float = 2.0) -> WebhookSender:
    return WebhookSender(WebhookOutletSettings(f"http://127.0.0.1:{port}{path}", secret=secret, timeout_s=timeout_s))


def test_a_notice_arrives_whole() -> None:
    with web_server() as server:
        sender(server.port, "/hook?room=barn").deliver(notice(1))
        ((path, headers, body),) = server.got
    assert path == "/hook?room=barn"
    assert headers["content-type"] == "application/json; charset=utf-8"
    assert headers["idempotency-key"] == "1-raised-1"
    assert "x-signature-sha256" not in headers
    assert json.loads(body) == {
        "id": "1-raised-1", "t": "2026-03-01T09:00:01.000Z", "alarm_id": 1, "condition": "bag_full", "where": "",
        "event": "raised", "urgency": "stop", "title": "Stop the fan: The chip bag is full (1)",
        "body": "The bag – 4.00 in. w.g.\nWhat to do: empty it.",
    }


def test_the_signature_is_that_of_the_body_as_sent() -> None:
    with web_server() as server:
        sender(server.port, secret=Secret(text="sawdust")).deliver(notice(1))
        ((_, headers, body),) = server.got
    assert headers["x-signature-sha256"] == hmac.new(b"sawdust", body, hashlib.sha256).hexdigest()


def test_the_signature_is_hmac_sha256() -> None:
    # RFC 4231, test case 2 (from memory; the digest is the one widely printed)
    assert signature("Jefe", b"what do ya want for nothing?") == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843")


@pytest.mark.parametrize("code", [200, 201, 202, 204])
def test_any_answer_of_200_and_more_is_a_delivery(code: int) -> None:
    with web_server(answers=[code]) as server:
        sender(server.port).deliver(notice(1))
        assert len(server.got) == 1


@pytest.mark.parametrize("code", [408, 425, 429, 500, 502, 503, 504])
def test_answers_that_are_worth_another_try(code: int) -> None:
    with web_server(answers=[code]) as server, pytest.raises(OutletError, match=str(code)) as error:
        sender(server.port).deliver(notice(1))
    assert not isinstance(error.value, NoticeRefused)


@pytest.mark.parametrize("code", [400, 401, 403, 404, 410])
def test_answers_that_are_not(code: int) -> None:
    with web_server(answers=[code]) as server, pytest.raises(NoticeRefused, match=f"answered {code}"):
        sender(server.port).deliver(notice(1))


@pytest.mark.parametrize("code", [301, 302, 303, 307, 308])
def test_a_redirection_is_not_followed(code: int) -> None:
    with web_server() as other, web_server(
            answers=[code], headers={"Location": f"http://127.0.0.1:{other.port}/elsewhere"}) as server:
        with pytest.raises(NoticeRefused, match=str(code)):
            sender(server.port).deliver(notice(1))
        assert other.got == []


def test_nobody_there() -> None:
    with pytest.raises(OutletError, match="not reachable: Connection refused"):
        sender(closed_port()).deliver(notice(1))


def test_a_server_that_says_nothing() -> None:
    with silent_server() as port, pytest.raises(OutletError, match="not reachable: no answer in time"):
        sender(port, timeout_s=0.3).deliver(notice(1))


def test_no_proxy_of_the_environment_sees_the_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("http_proxy", f"http://127.0.0.1:{closed_port()}")
    monkeypatch.delenv("no_proxy", raising=False)
    with web_server() as server:
        sender(server.port).deliver(notice(1))
        assert len(server.got) == 1


def test_errors_do_not_show_the_address() -> None:
    with pytest.raises(OutletError) as error:
        sender(closed_port(), "/token-9f8e7d").deliver(notice(1))
    assert "token-9f8e7d" not in str(error.value)
