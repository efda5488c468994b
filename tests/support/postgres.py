"""A real PostgreSQL server on a free loopback port, where its programs are installed."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.support.broker import free_port


def programs() -> Path | None:
    """The folder that holds ``initdb`` and ``pg_ctl``; Debian puts them where no PATH looks."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    if found:
        return found[0].parent
    name = shutil.which("initdb")
    return None if name is None else Path(name).parent


class PostgresServer:
    """Made once, started and stopped at will; keeps its port and its data. A superuser may not run it, so where we are one
    it runs as ``nobody``."""

    def __init__(self) -> None:
        folder = programs()
        assert folder is not None
        self._programs = folder
        self._user = pwd.getpwnam("nobody") if os.geteuid() == 0 else None
        self.folder = Path(tempfile.mkdtemp(prefix="ductwarden-postgres-"))
        self.port = free_port()
        if self._user is not None:
            os.chown(self.folder, self._user.pw_uid, self._user.pw_gid)
        self._do("initdb", "-D", str(self.folder / "data"), "-U", "shop", "-A", "trust", "--no-sync", "-E", "UTF8")

    @property
    def where(self) -> str:
        """The connection string."""
        return f"host=127.0.0.1 port={self.port} user=shop dbname=postgres"

    def start(self) -> None:
        """Start it and wait until it listens."""
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"
        log = str(self.folder / "log")
        self._do("pg_ctl", "-D", str(self.folder / "data"), "-w", "-t", "30", "-l", log, "-o", options, "start")

    def stop(self) -> None:
        """Stop it at once; harmless where it does not run."""
        self._do("pg_ctl", "-D", str(self.folder / "data"), "-m", "immediate", "-w", "stop", check=False)

    def remove(self) -> None:
        """Stop it and remove its data."""
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _do(self, program: str, *arguments: str, check: bool = True) -> None:
        user = {} if self._user is None else {"user": self._user.pw_uid, "group": self._user.pw_gid, "extra_groups": []}
        # Not to a pipe: the server inherits it from pg_ctl and would hold it open.
        done = subprocess.run(
            [str(self._programs / program), *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, timeout=90, check=False, cwd=self.folder,
            env={**os.environ, "LC_ALL": "C", "HOME": str(self.folder)}, **user,
        )
        if check and done.returncode != 0:
            log = self.folder / "log"
            raise AssertionError(f"{program} failed: {log.read_text() if log.exists() else ''}")
