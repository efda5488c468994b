"""The courier: a queue that never holds anybody up, and deliveries that are tried until they succeed or are stale."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from analysis.conditions import Urgency
from daemon.errors import OutletError
from daemon.notices import Notice
from daemon.outlets.contract import MemoryLedger, NoticeRefused
from daemon.outlets.courier import Courier
from daemon.outlets.settings import QueueSettings, Wants
from tests.daemon.outlets.servers import notice
from tests.support.waiting import eventually

QUICK = QueueSettings(first_s=0.02, cap_s=0.05)


class Scripted:
    """A sender that does as told: each entry of ``script`` is an error to raise; then everything succeeds."""

    def __init__(self, *script: Exception, hold: threading.Event | None = None) -> None:
        self.script = list(script)
        self.hold = hold
        self.sent: list[str] = []
        self.tries = 0
        self.closed = False

    def deliver(self, notice: Notice) -> None:
        self.tries += 1
        if self.hold is not None:
            self.hold.wait(90.0)
        if self.script:
            raise self.script.pop(0)
        self.sent.append(notice.id)

    def tend(self) -> None:
        """Nothing."""

    def close(self) -> None:
        self.closed = True


class Down(Scripted):
    """A sender whose other side is never there."""

    def deliver(self, notice: Notice) -> None:
        self.tries += 1
        raise OutletError("nothing listens there")


@contextmanager
def at_work(sender: Scripted, ledger: MemoryLedger | None = None, queue: QueueSettings = QUICK,
            wants: Wants | None = None) -> Iterator[Courier]:
    courier = Courier("test", "scripted", sender, ledger or MemoryLedger(), queue, wants)
    courier.start()
    try:
        yield courier
    finally:
        if sender.hold is not None:
            sender.hold.set()
        courier.stop(0.5)
        assert sender.closed


def test_delivered_and_counted_and_marked() -> None:
    marked: list[tuple[str, str]] = []
    sender = Scripted()
    with at_work(sender, MemoryLedger(on_sent=lambda outlet, name: marked.append((outlet, name)))) as courier:
        assert courier.offer(notice(1))
        eventually(lambda: courier.health.delivered == 1)
        eventually(lambda: courier.health.queued == 0)
    assert sender.sent == ["1-raised-1"]
    assert marked == [("test", "1-raised-1")]
    assert courier.health.last_delivered_t == notice(1).t
    assert courier.health.state == "stopped"


def test_a_thousand_notices_to_a_dead_side_take_no_time() -> None:
    sender = Down()
    with at_work(sender, queue=QueueSettings(room=50, first_s=0.02, cap_s=0.05)) as courier:
        for number in range(1000):
            courier.offer(notice(number))
        assert courier.health.queued == 50
        assert courier.health.dropped == 950
        eventually(lambda: courier.health.failed >= 3)
        assert "nothing listens there" in courier.health.state
    assert sender.sent == []


def test_a_side_that_hangs_holds_nobody_up() -> None:
    hold = threading.Event()
    with at_work(Scripted(hold=hold)) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier._sender.tries == 1)  # type: ignore[attr-defined]
        for number in range(2, 1002):
            courier.offer(notice(number))  # comes back although the first is still held
        assert courier.health.delivered == 0
        hold.set()


def test_tried_again_until_it_succeeds_and_sent_once() -> None:
    sender = Scripted(*(OutletError(f"try {i}") for i in range(4)))
    with at_work(sender) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.delivered == 1)
        assert (courier.health.failed, sender.tries, courier.health.last_error) == (4, 5, "")
        courier.offer(notice(2))
        eventually(lambda: courier.health.delivered == 2)
    assert sender.sent == ["1-raised-1", "2-raised-1"]


def test_pauses_double_up_to_the_cap() -> None:
    with at_work(Down(), queue=QueueSettings(first_s=0.05, cap_s=0.2)) as courier:
        began = time.monotonic()
        courier.offer(notice(1))
        eventually(lambda: courier.health.failed >= 4)
        # never sooner than the pauses; how much later is the machine's affair
        assert time.monotonic() - began > 0.05 + 0.1 + 0.2 - 0.02


def test_waking_ends_a_pause() -> None:
    sender = Scripted(OutletError("not yet"))
    with at_work(sender, queue=QueueSettings(first_s=600.0, cap_s=600.0)) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.failed == 1)
        courier.wake()
        eventually(lambda: courier.health.delivered == 1)


def test_nothing_is_sent_twice_after_a_restart() -> None:
    stored: list[tuple[str, str]] = []
    first = Scripted()
    with at_work(first, MemoryLedger(on_sent=lambda *mark: stored.append(mark))) as courier:  # type: ignore[arg-type]
        for number in range(5):
            courier.offer(notice(number))
        eventually(lambda: courier.health.delivered == 5)
    second = Scripted()
    with at_work(second, MemoryLedger(stored)) as courier:
        for number in range(7):
            courier.offer(notice(number))
        eventually(lambda: courier.health.queued == 0)
        assert courier.health.repeated == 5
    assert second.sent == ["5-raised-1", "6-raised-1"]


def test_another_outlet_is_not_kept_from_sending() -> None:
    sender = Scripted()
    with at_work(sender, MemoryLedger([("other", "1-raised-1")])) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.delivered == 1)


def test_a_notice_that_waits_already_is_not_taken_again() -> None:
    with at_work(Down()) as courier:
        assert courier.offer(notice(1))
        assert not courier.offer(notice(1))
        assert (courier.health.queued, courier.health.repeated) == (1, 1)


def test_the_most_urgent_goes_first_and_is_crowded_out_last() -> None:
    hold = threading.Event()
    sender = Scripted(hold=hold)
    with at_work(sender, queue=QueueSettings(room=3)) as courier:
        courier.offer(notice(0, Urgency.PLAN))
        eventually(lambda: sender.tries == 1)  # the sender is busy with it
        courier.offer(notice(1, Urgency.PLAN))
        courier.offer(notice(2, Urgency.STOP))
        courier.offer(notice(3, Urgency.SOON))
        courier.offer(notice(4, Urgency.STOP))
        assert not courier.offer(notice(5, Urgency.PLAN))
        hold.set()
        eventually(lambda: courier.health.queued == 0)
    assert sender.sent == ["0-raised-1", "2-raised-1", "4-raised-1", "3-raised-1"]
    assert courier.health.dropped == 3


def test_stale_notices_are_given_up_and_told_to_the_ledger() -> None:
    lost: list[tuple[str, str, str]] = []
    ledger = MemoryLedger(on_lost=lambda outlet, name, why: lost.append((outlet, name, why)))
    with at_work(Down(), ledger, QueueSettings(stale_s=0.1, first_s=0.02, cap_s=0.02)) as courier:
        courier.offer(notice(1))
        courier.offer(notice(2), age_s=5.0)
        eventually(lambda: courier.health.stale == 2)
        assert courier.health.queued == 0
    assert sorted(lost) == [("test", "1-raised-1", "stale"), ("test", "2-raised-1", "stale")]


def test_a_notice_that_is_refused_is_given_up_and_the_others_go_on() -> None:
    lost: list[tuple[str, str, str]] = []
    sender = Scripted(*(NoticeRefused("the other side answered 400") for _ in range(3)))
    ledger = MemoryLedger(on_lost=lambda outlet, name, why: lost.append((outlet, name, why)))
    with at_work(sender, ledger) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.refused == 1)
        courier.offer(notice(2))
        eventually(lambda: courier.health.delivered == 1)
    assert lost == [("test", "1-raised-1", "refused")]
    assert sender.sent == ["2-raised-1"]


def test_a_defect_of_a_sender_is_logged_and_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    sender = Scripted(ZeroDivisionError("oops"))
    with at_work(sender) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.delivered == 1)
    assert "failed in a way it should not" in caplog.text


class BrokenLedger(MemoryLedger):
    def already_sent(self, outlet: str, notice_id: str) -> bool:
        raise OSError("the disk is full")

    def mark_sent(self, outlet: str, notice_id: str) -> None:
        raise OSError("the disk is full")

    def mark_lost(self, outlet: str, notice_id: str, why: str) -> None:
        raise OSError("the disk is full")


def test_a_ledger_that_fails_stops_no_notice_and_repeats_none(caplog: pytest.LogCaptureFixture) -> None:
    sender = Scripted()
    with at_work(sender, BrokenLedger(), QueueSettings(stale_s=5.0, first_s=0.02)) as courier:
        courier.offer(notice(1))
        courier.offer(notice(2), age_s=9.0)
        eventually(lambda: courier.health.delivered == 1)
        eventually(lambda: courier.health.stale == 1)
        courier.offer(notice(3))
        eventually(lambda: courier.health.delivered == 2)
    assert sender.sent == ["1-raised-1", "3-raised-1"]


@pytest.mark.parametrize(
    ("wants", "wanted"),
    [
        (Wants(), ["stop", "soon", "plan", "escalated", "digest"]),
        (Wants(at_least=Urgency.SOON, digest=False), ["stop", "soon", "escalated"]),
        (Wants(at_least=Urgency.STOP), ["stop", "escalated", "digest"]),
        (Wants(escalated_only=True, digest=False), ["escalated"]),
    ],
)
def test_an_outlet_takes_what_it_is_for(wants: Wants, wanted: list[str]) -> None:
    sender = Scripted()
    names = {
        "stop": notice(1, Urgency.STOP), "soon": notice(2, Urgency.SOON), "plan": notice(3, Urgency.PLAN),
        "escalated": notice(4, Urgency.STOP, "escalated"), "digest": notice(5, Urgency.PLAN, "digest"),
    }
    with at_work(sender, wants=wants) as courier:
        taken = [name for name, one in names.items() if courier.offer(one)]
        eventually(lambda: courier.health.delivered == len(wanted))
    assert taken == wanted


def test_what_waits_is_delivered_before_the_end() -> None:
    sender = Scripted()
    courier = Courier("test", "scripted", sender, MemoryLedger(), QUICK)
    for number in range(20):
        courier.offer(notice(number))
    courier.start()
    courier.stop()
    assert len(sender.sent) == 20


@pytest.mark.parametrize("make", [Down, lambda: Scripted(hold=threading.Event())])
def test_the_end_comes_promptly_whatever_the_other_side_does(make: Callable[[], Scripted]) -> None:
    sender = make()
    courier = Courier("test", "scripted", sender, MemoryLedger(), QueueSettings(first_s=600.0, cap_s=600.0))
    courier.start()
    courier.offer(notice(1))
    eventually(lambda: sender.tries == 1)
    courier.stop(0.3)  # comes back although the pause is a minute, or the other side never answers
    assert sender.sent == []
    if sender.hold is not None:
        sender.hold.set()


def test_trouble_is_logged_once_and_not_at_every_try(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    with at_work(Down()) as courier:
        courier.offer(notice(1))
        eventually(lambda: courier.health.failed >= 5)
    assert caplog.text.count("nothing listens there") == 1
