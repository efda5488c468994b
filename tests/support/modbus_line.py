"""A Modbus RTU line: two pseudo-terminals wired together, and pymodbus's own server as the transmitters at its end."""

from __future__ import annotations

import asyncio
import os
import select
import threading
import tty
from pathlib import Path

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import SimDevice


class Cable:
    """Carries bytes between ``near`` (for the source) and ``far`` (for the transmitters)."""

    def __init__(self, folder: Path) -> None:
        self.near, self.far = folder / "near", folder / "far"
        self.garble = False
        """Flip a bit in each byte that comes back."""
        self.deaf: set[int] = set()
        """Units that no question reaches."""
        self._masters: list[int] = []
        self._slaves: list[int] = []
        for path in (self.near, self.far):
            master, slave = os.openpty()
            tty.setraw(slave)
            path.unlink(missing_ok=True)
            path.symlink_to(os.ttyname(slave))
            self._masters.append(master)
            self._slaves.append(slave)
        self._wake_r, self._wake_w = os.pipe()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        near, far = self._masters
        while True:
            ready, _, _ = select.select([near, far, self._wake_r], [], [], 10.0)
            if self._wake_r in ready or not ready:
                return
            for end, other in ((near, far), (far, near)):
                if end in ready:
                    data = os.read(end, 4096)
                    if end == far and self.garble:
                        data = bytes(byte ^ 0x04 for byte in data)
                    if end == near and data[0] in self.deaf:
                        continue
                    os.write(other, data)

    def unplug_near(self) -> None:
        """Pull the source's end out."""
        self._stop_carrying()
        self.near.unlink()
        os.close(self._slaves[0])
        os.close(self._masters[0])
        self._masters[0] = self._slaves[0] = -1

    def _stop_carrying(self) -> None:
        os.write(self._wake_w, b"x")
        self._thread.join(90.0)

    def close(self) -> None:
        """Put it away."""
        self._stop_carrying()
        for end in [*self._masters, *self._slaves, self._wake_r, self._wake_w]:
            if end >= 0:
                os.close(end)


class Transmitters:
    """pymodbus's server with these devices, in a thread with an event loop of its own."""

    def __init__(self, port: Path, devices: list[SimDevice]) -> None:
        self._port = str(port)
        self._devices = devices
        self._loop = asyncio.new_event_loop()
        self._server: ModbusSerialServer | None = None
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._up.wait(60.0), "the transmitters did not start"

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._server = ModbusSerialServer(self._devices, port=self._port, baudrate=9600, ignore_missing_devices=True)
        await self._server.serve_forever(background=True)
        self._up.set()
        await self._server.serving
        await asyncio.sleep(0.05)  # let the transport close

    def close(self) -> None:
        """Switch them off."""
        assert self._server is not None
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(5.0)
        self._thread.join(90.0)
        assert not self._thread.is_alive()
