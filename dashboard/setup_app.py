"""The application of a first run: the setup page and nothing else, behind the dashboard's own gate.

On this computer only; where the owner asks for it, on this computer's address in the own network instead, for a phone."""

from __future__ import annotations

import ipaddress
import secrets
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware

from daemon.drafting.desk import SetupDesk
from daemon.errors import ConfigError
from dashboard import problems
from dashboard.access import OneTimeCode, Sessions
from dashboard.assets import Assets
from dashboard.gate import Gate
from dashboard.page import environment
from dashboard.routes import setup
from dashboard.serve import DashboardThread, listening_socket
from dashboard.settings import DashboardSettings

HOST = "127.0.0.1"


def own_network_address() -> str:
    """This computer's address in its own network. Raises :class:`ConfigError` where it has none, or one that the world can
    reach: the page can open ports and write a file, and travels unencrypted."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # an address for documents (RFC 5737); nothing is sent by this
            found = str(sock.getsockname()[0])
        except OSError as error:
            raise ConfigError(["this computer is in no network; without --phone the page is shown on this computer"]) from error
    address = ipaddress.ip_address(found)
    if not address.is_private or address.is_loopback:
        raise ConfigError([f"{found} is not an address of an own network; without --phone the page is shown on this computer"])
    return found


def create_setup_app(
    desk: SetupDesk, port: int, key: str, monotonic: Callable[[], float] = time.monotonic, host: str = HOST,
    code: OneTimeCode | None = None,
) -> FastAPI:
    """The setup page over ``desk``. Whoever has not come by the address with the ``key``, or with the ``code``, sees nothing of
    it: others may use this computer or its network, and the page can open ports and write a file."""
    sessions = Sessions()
    # The gate asks for a session wherever a password is set; here the key stands for one.
    settings = DashboardSettings(store=Path(), host=host, port=port, password_hash="by key")
    assets = Assets()
    app = FastAPI(
        title="ductwarden setup",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        middleware=[
            Middleware(Gate, settings=settings, sessions=sessions, clock=monotonic),
            Middleware(GZipMiddleware, minimum_size=600, compresslevel=6),
        ],
    )
    app.state.box = setup.SetupBox(desk, assets, environment(assets), sessions, key, monotonic, code)
    problems.install(app)
    app.include_router(setup.router)
    return app


class SetupServer(DashboardThread):
    """Serves the setup page in a thread; ``url`` is the address with its key.

    ``phone``: it is served in the own network instead of on this computer, ``url`` has no key, and ``code`` opens it once.
    """

    def __init__(self, desk: SetupDesk, port: int, phone: bool = False) -> None:
        self._key = secrets.token_urlsafe(18)
        self.host = own_network_address() if phone else HOST
        self.code = OneTimeCode(time.monotonic()) if phone else None
        settings = DashboardSettings(store=Path(), host=self.host, port=port, password_hash="by key")
        super().__init__(settings)
        self._socket = listening_socket(settings)
        self._settings = replace(settings, port=self.port)
        self._app = create_setup_app(desk, self.port, self._key, host=self.host, code=self.code)

    @property
    def url(self) -> str:
        """What the owner opens."""
        return super().url + ("" if self.code else f"login?key={self._key}")
