"""``ductwarden init --page`` as a process: it shows its key, ends when asked or at Ctrl-C, and keeps what was answered."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
import typer
from typer.testing import CliRunner

from daemon.cli.init import init
from daemon.drafting.draft import draft_path, read_draft
from daemon.errors import ConfigError
from tests.support.waiting import eventually

PROGRAM = "import typer; from daemon.cli.init import init; app = typer.Typer(); app.command()(init); app()"


@contextmanager
def served(shop: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The process and the address that it shows."""
    log = shop.with_name("out.log")
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-u", "-c", PROGRAM, str(shop), "--page", "--port", "0"],
            stdin=subprocess.DEVNULL, stdout=out, stderr=out,
            env={**os.environ, "PYTHONPATH": os.getcwd()}, text=True,
        )
    try:
        address = re.compile(r"http://127\.0\.0\.1:\d+/login\?key=\S+")
        eventually(lambda: process.poll() is not None or address.search(log.read_text()))
        found = address.search(log.read_text())
        assert found, log.read_text()
        yield process, found.group(0)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(90)


@pytest.mark.slow
def test_its_owner_ends_it_from_the_page(tmp_path: Path) -> None:
    with served(tmp_path / "shop.toml") as (process, url), httpx.Client(follow_redirects=True) as browser:
        assert "The shop" in browser.get(url).text
        base = url.partition("/login")[0]
        answer = browser.post(f"{base}/setup/shop", data={"name": "Barn", "units": "si"})
        assert answer.url.path == "/setup/fan"
        assert "This page has ended" in browser.post(f"{base}/setup/end").text
        assert process.wait(90) == 0
    assert "Not written yet" in (tmp_path / "out.log").read_text()
    draft = read_draft(tmp_path / "shop.toml")
    assert draft is not None
    assert draft.of("shop")["name"] == "Barn"


@pytest.mark.slow
def test_control_c_ends_it_and_only_this_computer_reaches_it(tmp_path: Path) -> None:
    with served(tmp_path / "shop.toml") as (process, url):
        port = int(url.split(":")[2].split("/")[0])
        with socket.create_connection(("127.0.0.1", port), 5):
            pass
        listening = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        ours = [row[1] for row in listening if row[3] == "0A" and row[1].endswith(f":{port:04X}")]
        assert ours == [f"0100007F:{port:04X}"], "127.0.0.1 and no other address"
        process.send_signal(signal.SIGINT)
        assert process.wait(90) == 0
    assert not draft_path(tmp_path / "shop.toml").exists()


def test_a_port_that_is_taken_and_a_folder_are_told(tmp_path: Path) -> None:
    app = typer.Typer()
    app.command()(init)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = CliRunner().invoke(app, [str(tmp_path / "shop.toml"), "--page", "--port", str(port)])
    assert isinstance(result.exception, ConfigError)
    assert "give another one with --port" in str(result.exception)
    assert CliRunner().invoke(app, [str(tmp_path), "--page"]).exit_code == 2
    assert CliRunner().invoke(app, [str(tmp_path / "no" / "shop.toml"), "--page"]).exit_code == 2
