"""The serial ports of this computer."""

from __future__ import annotations

from pathlib import Path

BY_ID = Path("/dev/serial/by-id")
MOST_PORTS = 16


def serial_ports(by_id: Path = BY_ID) -> list[str]:
    """Their paths: the lasting names where the system gives any (they stay with the device), else the plain ones."""
    if by_id.is_dir():
        lasting = sorted(str(path) for path in by_id.iterdir())
        if lasting:
            return lasting[:MOST_PORTS]
    from serial.tools import list_ports

    # Ports of the main board that nothing is known about are there on every computer and lead nowhere.
    return sorted(port.device for port in list_ports.comports() if port.hwid != "n/a")[:MOST_PORTS]
