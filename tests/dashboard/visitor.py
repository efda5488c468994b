"""A visitor of the dashboard in this process: httpx over ASGI, with the application's start and stop around it."""

from __future__ import annotations

from contextlib import AsyncExitStack
from types import TracebackType
from typing import Any, cast

import httpx
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI

from dashboard.box import Box

HERE = "http://127.0.0.1:8765"


class Visitor:
    """Asks the application for pages. Keeps cookies, follows no redirects."""

    def __init__(self, app: FastAPI, base_url: str = HERE) -> None:
        self.app = app
        self._base_url = base_url
        self._stack = AsyncExitStack()

    def __enter__(self) -> Visitor:
        self._portal_context = start_blocking_portal()
        self._portal: BlockingPortal = self._portal_context.__enter__()
        self._portal.call(self._open)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        try:
            self._portal.call(self._stack.aclose)
        finally:
            self._portal_context.__exit__(None, None, None)

    async def _open(self) -> None:
        await self._stack.enter_async_context(self.app.router.lifespan_context(self.app))
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        self._client = await self._stack.enter_async_context(httpx.AsyncClient(transport=transport, base_url=self._base_url))

    @property
    def box(self) -> Box:
        """What the routes share."""
        return cast(Box, self.app.state.box)

    @property
    def cookies(self) -> httpx.Cookies:
        """The visitor's cookies."""
        return self._client.cookies

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Any request."""

        async def run() -> httpx.Response:
            return await self._client.request(method, path, **more)

        return self._portal.call(run)

    def get(self, path: str, **more: Any) -> httpx.Response:
        """GET."""
        return self.ask("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        """POST."""
        return self.ask("POST", path, **more)

    def fresh(self, path: str = "/api/v1/now") -> Any:
        """The JSON of ``path``, with everything read from the store anew."""
        self.box.store.forget()
        return self.get(path).json()
