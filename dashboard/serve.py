"""Serving: the dashboard in a thread of the daemon, or alone."""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import threading
import time

import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

from daemon.errors import ConfigError
from dashboard.access import network_of
from dashboard.app import create_app
from dashboard.settings import DashboardSettings

_LOG = logging.getLogger(__name__)

ADDRESS_AGAIN_S = 5.0
REQUEST_WITHIN_S = 10.0
"""A connection that has not sent the whole head of a request for so long is closed."""
MOST_OF_ONE = 40
"""Connections of one address: all its live pages, and what a browser opens besides."""
MOST_CONNECTIONS = 160
"""Of all together; a process may usually open 1,024 files."""


class Guarded(H11Protocol):
    """A connection that takes no place from anybody else.

    One that has not sent a whole request in time is closed. Where an address has too many connections, or all together are
    too many, the oldest idle one of the address that has most goes for the new one: whoever comes last is served, so idle
    connections keep neither the owner nor a supervisor out, and never use up the process's file descriptors.
    """

    began = 0.0
    network = ""
    _hurry: asyncio.TimerHandle | None = None

    @property
    def busy(self) -> bool:
        """Whether a request is being answered."""
        return self.cycle is not None and not self.cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody has come."""
        super().connection_made(transport)
        self.began = self.loop.time()
        self.network = network_of(self.client[0] if self.client else "")
        self._expect_request()
        self._make_room()

    def data_received(self, data: bytes) -> None:
        """A part of a request, or several."""
        super().data_received(data)
        self._expect_request()

    def on_response_complete(self) -> None:
        """The next request may follow."""
        super().on_response_complete()
        self._expect_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        if self._hurry is not None:
            self._hurry.cancel()
        super().connection_lost(exc)

    def _expect_request(self) -> None:
        if self.busy and self._hurry is not None:
            self._hurry.cancel()
            self._hurry = None
        elif not self.busy and self._hurry is None:
            self._hurry = self.loop.call_later(REQUEST_WITHIN_S, self._too_slow)

    def _too_slow(self) -> None:
        self._hurry = None
        if not self.busy:
            self.transport.abort()

    def _make_room(self) -> None:
        held: dict[str, list[Guarded]] = {}
        for each in self.connections:
            if isinstance(each, Guarded):
                held.setdefault(each.network, []).append(each)
        crowd = held[self.network]
        if len(crowd) <= MOST_OF_ONE:
            if len(self.connections) <= MOST_CONNECTIONS:
                return
            crowd = max(held.values(), key=len)
        # An idle one first, and of those the one that came first; never the newcomer.
        gone = min(crowd, key=lambda each: (each is self, each.busy, each.began))
        self.connections.discard(gone)
        gone.transport.abort()


class _Server(uvicorn.Server):
    """A server that ends the live feeds first when it stops, so that open pages do not hold it up."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        live = getattr(self.config.app.state.box, "live", None)  # type: ignore[union-attr]
        if live is not None:
            live.close()
        await super().shutdown(sockets)


def make_server(settings: DashboardSettings, app: FastAPI | None = None) -> uvicorn.Server:
    """A small server of the dashboard, or of another ``app``: no access log, no WebSocket, a short wait for open pages when it
    stops."""
    config = uvicorn.Config(
        app or create_app(settings),
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,
        ws="none",
        http=Guarded,
        loop="asyncio",
        lifespan="on",
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=2,
        backlog=64,
        h11_max_incomplete_event_size=16_384,
    )
    return _Server(config)


class AddressMissing(ConfigError):
    """The address to listen on is not this computer's. After a power cut the network may give it a little later."""


def listening_socket(settings: DashboardSettings) -> socket.socket:
    """The socket to listen on. Raises :class:`ConfigError` where it is taken, :class:`AddressMissing` where it is not (or not
    yet) this computer's."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((settings.host, settings.port))
    except OSError as error:
        sock.close()
        if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
            raise AddressMissing([f"dashboard: {settings.host} is not an address of this computer"]) from error
        raise ConfigError(
            [
                f"dashboard: cannot listen on {settings.host} port {settings.port}: {error.strerror or error}; "
                "choose another dashboard.port"
            ]
        ) from error
    return sock


class DashboardThread:
    """The dashboard beside the daemon, in a thread of its own.

    ``start`` returns once it listens (``port`` then tells where, also for port 0), or at once where its address is not there
    yet: that is waited for, and the daemon watches meanwhile. ``stop`` ends every open page's feed and waits for the thread.
    A failure inside the dashboard never reaches the daemon's other threads.
    """

    def __init__(self, settings: DashboardSettings, app: FastAPI | None = None) -> None:
        self._settings = settings
        self._app = app
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self._socket: socket.socket | None = None
        self._ending = threading.Event()

    @property
    def port(self) -> int:
        """The port that it listens on."""
        return self._settings.port if self._socket is None else int(self._socket.getsockname()[1])

    @property
    def url(self) -> str:
        """Where a browser on this computer finds it."""
        host = self._settings.host
        host = "127.0.0.1" if host in ("0.0.0.0", "::") else f"[{host}]" if ":" in host else host
        return f"http://{host}:{self.port}/"

    def start(self, timeout_s: float = 120.0) -> None:
        """Begin to serve. Raises :class:`ConfigError` where it cannot listen, RuntimeError where it does not come up."""
        try:
            self._socket = self._socket or listening_socket(self._settings)
        except AddressMissing as error:
            _LOG.warning("%s; there are no pages until it is. It is waited for", error)
            self._thread = threading.Thread(target=self._run_later, name="dashboard", daemon=True)
            self._thread.start()
            return
        self._server = make_server(self._settings, self._app)
        self._thread = threading.Thread(target=self._run, name="dashboard", daemon=True)
        self._thread.start()
        deadline = time.monotonic() + timeout_s
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > deadline:
                self.stop()
                raise RuntimeError("the dashboard did not come up; the log says why")
            time.sleep(0.02)

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop serving; returns after at most ``timeout_s``."""
        self._ending.set()
        if self._server is not None:
            self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(timeout_s)
        if self._socket is not None:
            self._socket.close()
        self._server = self._thread = self._socket = None

    def _run_later(self) -> None:
        while not self._ending.wait(ADDRESS_AGAIN_S):
            try:
                self._socket = listening_socket(self._settings)
            except AddressMissing:
                continue
            except ConfigError as error:
                _LOG.error("%s; there are no pages", error)
                return
            _LOG.info("the address is there: the dashboard is served at %s", self.url)
            self._server = make_server(self._settings, self._app)
            self._run()
            return

    def _run(self) -> None:
        assert self._server is not None
        assert self._socket is not None
        try:
            self._server.run(sockets=[self._socket])
        except Exception:
            _LOG.exception("the dashboard ended by an error; the daemon goes on without it")
