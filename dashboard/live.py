"""Live pages by server-sent events: one reading of the store a second, however many pages are open.

While nobody watches, nothing is read. Each open page holds one :class:`Listener` with room for one message: a page that
cannot keep up gets the newest state, never a backlog.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from anyio import to_thread

from analysis.units import System
from dashboard.snapshot import Snapshot

KEEP_ALIVE_S = 10.0
"""A comment is sent when nothing else was for this long, so that a dead connection shows."""


class Listener:
    """One open page."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.latest: str | None = None
        self.arrived = asyncio.Event()

    def put(self, message: str) -> None:
        """Replace what was not fetched yet."""
        self.latest = message
        self.arrived.set()

    async def take(self, wait_s: float) -> str | None:
        """The newest message, or None when there was none for ``wait_s``."""
        try:
            async with asyncio.timeout(wait_s):
                await self.arrived.wait()
        except TimeoutError:
            return None
        self.arrived.clear()
        message, self.latest = self.latest, None
        return message


class Live:
    """The one poller behind all open pages.

    ``read`` gets a snapshot (it may block: it runs in a worker thread); ``render`` turns it into the JSON of a page for
    one system of units.
    """

    def __init__(
        self, read: Callable[[], Snapshot], render: Callable[[Snapshot, System], str], poll_s: float, limit: int
    ) -> None:
        self._read = read
        self._render = render
        self._poll_s = poll_s
        self._limit = limit
        self._listeners: set[Listener] = set()
        self._task: asyncio.Task[None] | None = None
        self._closing = asyncio.Event()

    @property
    def open_pages(self) -> int:
        """How many pages are fed now."""
        return len(self._listeners)

    @property
    def full(self) -> bool:
        """Whether no further page can be fed."""
        return len(self._listeners) >= self._limit

    def close(self) -> None:
        """End every page's feed. To be called from the event loop."""
        self._closing.set()
        for listener in self._listeners:
            listener.arrived.set()

    async def events(self, system: System) -> AsyncIterator[str]:
        """The text of one page's event stream, until the page goes or the server stops."""
        if self.full:  # many may have asked at the same moment
            return
        listener = Listener(system)
        self._listeners.add(listener)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._poll())
        try:
            yield "retry: 2000\n\n"
            while not self._closing.is_set():
                message = await listener.take(KEEP_ALIVE_S)
                if self._closing.is_set():
                    break
                yield ": still here\n\n" if message is None else f"event: now\ndata: {message}\n\n"
        finally:
            self._listeners.discard(listener)

    async def _poll(self) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while self._listeners and not self._closing.is_set():
            systems = {listener.system for listener in self._listeners}
            messages = await to_thread.run_sync(self._messages, systems)
            for listener in list(self._listeners):
                message = messages.get(listener.system)
                if message is not None:
                    listener.put(message)
            due = max(due + self._poll_s, loop.time())
            try:
                async with asyncio.timeout(due - loop.time() if due > loop.time() else 0.01):
                    await self._closing.wait()
            except TimeoutError:
                continue

    def _messages(self, systems: set[System]) -> dict[System, str]:
        snapshot = self._read()
        return {system: self._render(snapshot, system) for system in systems}
