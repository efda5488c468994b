"""Serial lines over real pseudo-terminals: reading, losing, finding again, floods, silence."""

from __future__ import annotations

import math
import os
import threading
from pathlib import Path

import pytest

from daemon.backoff import Backoff, RetrySettings
from daemon.clock import FakeClock, WallClock
from daemon.config.sources import SerialTable
from daemon.sources.lines import with_checksum
from daemon.sources.serial_port import SerialSource
from daemon.sources.wire import WireSettings
from tests.support.fake_device import FakeDevice
from tests.support.waiting import RunningSource, eventually, running

QUICK = RetrySettings(0.05, 0.4)


def source(path: Path, silent_s: float = 10.0, retry: RetrySettings = QUICK, **wire: object) -> SerialSource:
    table = SerialTable.model_validate({"kind": "serial", "name": "bench", "device": str(path), "silent_after": f"{silent_s} s"})
    return SerialSource(table, WireSettings(**wire), FakeClock(1000.0), retry)  # type: ignore[arg-type]


def opened(at_work: RunningSource, device: FakeDevice) -> None:
    """Wait for the port to be open, and use up the first line, which nobody may trust."""
    at_work.until("open, waiting")
    device.line("half a line")


def test_reads_lines_of_every_form_as_they_come(device: FakeDevice) -> None:
    with running(source(device.path)) as at_work:
        opened(at_work, device)
        device.line('{"inlet_pa":-2100.5,"filter_pa":310.2}')
        device.line(with_checksum("motor_a=19.4 gate:planer=open"))
        first, second = at_work.take(2)
        assert first.source == "bench"
        assert first.t == 1000.0
        assert first.values == {"inlet_pa": -2100.5, "filter_pa": 310.2}
        assert second.values == {"motor_a": 19.4}
        assert second.gates == {"planer": True}
        assert at_work.health.state == "receiving"
        assert at_work.health.samples == 2
        assert at_work.health.refused == {}


def test_a_line_that_arrives_in_pieces_is_one_line(device: FakeDevice) -> None:
    with running(source(device.path)) as at_work:
        opened(at_work, device)
        for piece in (b"inlet_pa=-21", b"00.5 filter", b"_pa=310.2\r", b"\n"):
            device.send(piece)
            eventually(device.read_up, what="the piece is read")
        assert at_work.take(1)[0].values == {"inlet_pa": -2100.5, "filter_pa": 310.2}


def test_the_half_line_after_opening_is_neither_believed_nor_counted(device: FakeDevice) -> None:
    # the second half of "-2100.5,310.2": as columns it would read as an inlet pressure of +100.5 Pa
    with running(source(device.path, format="columns", columns=("inlet_pa", "filter_pa"))) as at_work:
        at_work.until("open, waiting")
        device.line("100.5,310.2")
        device.line("-2100.5,310.2")
        assert at_work.take(1)[0].values == {"inlet_pa": -2100.5, "filter_pa": 310.2}
        assert at_work.health.refused == {}


def test_a_first_line_that_is_surely_whole_is_taken(device: FakeDevice) -> None:
    with running(source(device.path)) as at_work:
        at_work.until("open, waiting")
        device.line("$" + with_checksum("inlet_pa=-2100.5"))
        assert at_work.take(1)[0].values == {"inlet_pa": -2100.5}


def test_unplugged_and_plugged_in_again(device: FakeDevice) -> None:
    with running(source(device.path)) as at_work:
        opened(at_work, device)
        device.line("inlet_pa=-1")
        at_work.take(1)
        device.unplug()
        eventually(lambda: not at_work.health.connected)
        at_work.until("not connected")
        assert "there is no device" in at_work.health.last_error
        device.plug_in()
        at_work.until("open, waiting")
        device.line("half a line")
        device.line("inlet_pa=-2")
        assert at_work.take(1)[0].values == {"inlet_pa": -2.0}
        assert at_work.health.opened == 2


def test_the_loss_is_said_in_words(device: FakeDevice) -> None:
    with running(source(device.path, retry=RetrySettings(300.0, 600.0))) as at_work:
        opened(at_work, device)
        device.unplug(link_stays=True)
        at_work.until("lost: the device at")
        assert "unplugged?" in at_work.health.state
        assert "next try in 300.0 s" in at_work.health.state
        at_work.end()  # although it waits for minutes


def test_the_path_is_looked_up_anew_when_it_leads_elsewhere(device: FakeDevice, tmp_path: Path) -> None:
    """The system numbered the device anew while the old node still hangs about, silent."""
    with running(source(device.path)) as at_work:
        at_work.until("open, waiting")
        other = FakeDevice(tmp_path / "other")
        try:
            device.path.unlink()
            device.path.symlink_to(os.readlink(other.path))
            eventually(lambda: at_work.health.opened == 2)
            at_work.until("open, waiting")
            other.line("half a line")
            other.line("inlet_pa=-3")
            assert at_work.take(1)[0].values == {"inlet_pa": -3.0}
        finally:
            other.close()


def test_a_silent_port_is_noticed_and_its_return_too(device: FakeDevice) -> None:
    with running(source(device.path, silent_s=0.4)) as at_work:
        at_work.until("silent for")
        assert at_work.health.connected
        device.line("half a line")
        device.line("inlet_pa=-1")
        at_work.take(1)
        assert at_work.health.state == "receiving"


def test_bytes_without_sense_are_noticed(device: FakeDevice) -> None:
    with running(source(device.path, silent_s=0.3)) as at_work:
        at_work.until("open, waiting")

        def noticed() -> bool:
            device.send(b"\xff\xfe\x80\x00\x13garbage\n")
            return "check baud (115200)" in at_work.health.state

        eventually(noticed)
        assert at_work.health.refused["not text"] >= 2
        assert at_work.out.empty()


def test_a_flood_fills_no_memory_and_stalls_nobody(device: FakeDevice) -> None:
    """Lines as fast as they go, and nobody takes the samples away: the oldest go, the newest stay."""
    lines = 40_000
    with running(source(device.path), room=4) as at_work:
        opened(at_work, device)
        for at in range(0, lines, 1000):
            device.send("".join(f"inlet_pa={-n}\n" for n in range(at, at + 1000)).encode())
        eventually(lambda: at_work.health.samples == lines, 20.0, "all lines were read")
        left = [sample for _ in range(at_work.out.qsize()) for sample in at_work.out.get_nowait()]
        assert left[-1].values == {"inlet_pa": -(lines - 1.0)}
        assert at_work.health.dropped + len(left) == lines
        assert at_work.health.dropped > 0
        at_work.end()


def test_an_endless_line_is_thrown_away(device: FakeDevice) -> None:
    with running(source(device.path)) as at_work:
        opened(at_work, device)
        for _ in range(40):
            device.send(b"x" * 5000)
        device.line("")
        device.line("inlet_pa=-1")
        assert at_work.take(1)[0].values == {"inlet_pa": -1.0}
        assert at_work.health.refused == {"too long": 1}


def test_hostile_lines_are_counted_and_the_next_good_one_is_read(device: FakeDevice) -> None:
    with running(source(device.path, checksum="required")) as at_work:
        opened(at_work, device)
        device.line("inlet_pa=-1")
        device.line("inlet_pa=-1*00")
        device.line(with_checksum('{"inlet_pa":' + "[" * 3000))
        device.line(with_checksum('{"inlet_pa":true}'))
        device.line(with_checksum("inlet_pa=-2"))
        odd, good = at_work.take(2)
        assert math.isnan(odd.values["inlet_pa"])
        assert good.values == {"inlet_pa": -2.0}
        assert at_work.health.refused == {"checksum missing": 1, "checksum": 1, "not json": 1, "not a number": 1}


def test_a_port_that_is_taken_is_said_to_be(device: FakeDevice) -> None:
    with running(source(device.path)) as first:
        first.until("open, waiting")
        with running(source(device.path)) as second:
            second.until("another program holds")


def test_a_path_that_is_no_terminal_is_survived(tmp_path: Path) -> None:
    path = tmp_path / "plain-file"
    path.write_text("inlet_pa=-1\n")
    with running(source(path)) as at_work:
        at_work.until("not connected")
        assert at_work.out.empty()


@pytest.mark.parametrize("plugged", [True, False])
def test_stops_promptly(device: FakeDevice, plugged: bool) -> None:
    if not plugged:
        device.unplug()
    with running(SerialSource(SerialTable(kind="serial", device=str(device.path)), WireSettings(), WallClock())) as at_work:
        at_work.until("open, waiting" if plugged else "not connected")
        at_work.end()
        assert at_work.health.state == "stopped"
        assert not at_work.health.connected


def test_pauses_double_up_to_the_cap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []
    wait = Backoff.wait
    monkeypatch.setattr(Backoff, "wait", lambda self: (seen.append(self.next_s()), wait(self))[1])
    with running(source(tmp_path / "absent", retry=RetrySettings(0.01, 0.08))):
        eventually(lambda: len(seen) >= 6)
    assert seen[:6] == [0.01, 0.02, 0.04, 0.08, 0.08, 0.08]


def test_a_loss_is_logged_once_not_at_each_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    tries = []
    wait = Backoff.wait
    monkeypatch.setattr(Backoff, "wait", lambda self: (tries.append(1), wait(self))[1])
    with running(source(tmp_path / "absent", retry=RetrySettings(0.01, 0.01))):
        eventually(lambda: len(tries) >= 10)
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "there is no device" in caplog.text


def test_no_thread_is_left_behind(device: FakeDevice) -> None:
    before = threading.active_count()
    with running(source(device.path)) as at_work:
        at_work.until("open, waiting")
    assert threading.active_count() == before
