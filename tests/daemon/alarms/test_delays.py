"""On-delay, off-delay and the two levels of confidence."""

from __future__ import annotations

import pytest

from analysis.conditions import Condition
from analysis.findings import Claim, Finding
from daemon.alarms.delays import Delay, Signal, read_signal
from daemon.alarms.settings import DEFAULT_RULES, AlarmRule, AlarmSettings, QuietHours

RULE = AlarmRule(10.0, 5.0, raise_at=0.7, keep_at=0.4)


def claim(what: Claim, confidence: float = 0.0) -> Finding:
    return Finding(0.0, Condition.WEAK_FAN, what, confidence=confidence)


@pytest.mark.parametrize(
    ("finding", "active", "signal"),
    [
        (None, False, Signal.HOLD),
        (claim(Claim.NOT_YET_KNOWN), True, Signal.HOLD),
        (claim(Claim.ABSENT), False, Signal.ABSENT),
        (claim(Claim.ABSENT, 0.99), True, Signal.ABSENT),
        (claim(Claim.PRESENT, 0.7), False, Signal.PRESENT),
        (claim(Claim.PRESENT, 0.69), False, Signal.HOLD),
        (claim(Claim.PRESENT, 0.4), True, Signal.PRESENT),
        (claim(Claim.PRESENT, 0.39), True, Signal.ABSENT),
        (claim(Claim.PRESENT, 0.39), False, Signal.ABSENT),
    ],
)
def test_claims_as_signals(finding: Finding | None, active: bool, signal: Signal) -> None:
    assert read_signal(finding, RULE, active) is signal


def run(signals: str, dt: float = 1.0) -> list[int]:
    """Feed P, A and H; the indices at which the condition came and went."""
    letters = {"P": Signal.PRESENT, "A": Signal.ABSENT, "H": Signal.HOLD}
    delay = Delay()
    return [i for i, letter in enumerate(signals) if delay.feed(letters[letter], dt, float(i), None, RULE)]


@pytest.mark.parametrize(
    ("signals", "changes"),
    [
        ("P" * 10, []),
        ("P" * 11, [10]),  # eleven samples span ten seconds
        ("P" * 9 + "A" + "P" * 10, []),  # one break starts the count anew
        ("P" * 6 + "H" * 50 + "P" * 6, [61]),  # a hold stops it: 5 s before, 5 s after
        ("P" * 11 + "A" * 6, [10, 16]),
        ("P" * 11 + "A" * 5 + "P" + "A" * 5, [10]),
        ("P" * 11 + "A" * 3 + "H" * 50 + "A" * 4, [10, 67]),
        ("H" * 100, []),
        ("A" * 100, []),
    ],
)
def test_delays_count_seconds_that_agree_at_both_ends(signals: str, changes: list[int]) -> None:
    assert run(signals) == changes


def test_tenths_of_a_second_add_up() -> None:
    assert run("P" * 102, dt=0.1) == [100]


def test_no_delay_means_at_once() -> None:
    delay = Delay()
    assert delay.feed(Signal.PRESENT, 0.0, 5.0, 3.0, AlarmRule(0.0, 0.0))
    assert delay.since == 3.0
    assert delay.feed(Signal.ABSENT, 0.0, 6.0, None, AlarmRule(0.0, 0.0))


def test_a_claim_from_the_future_begins_now() -> None:
    delay = Delay()
    delay.feed(Signal.PRESENT, 0.0, 5.0, 99.0, RULE)
    assert delay.since == 5.0


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ({"on_s": -1.0, "off_s": 0.0}, "on_s is -1.0"),
        ({"on_s": 0.0, "off_s": float("nan")}, "off_s is nan"),
        ({"on_s": 0.0, "off_s": 0.0, "raise_at": 0.3, "keep_at": 0.4}, "keep_at is 0.4"),
        ({"on_s": 0.0, "off_s": 0.0, "raise_at": 1.3}, "raise_at 1.3"),
    ],
)
def test_impossible_rules_are_refused(rule: dict[str, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        AlarmRule(**rule)  # type: ignore[arg-type]


def test_impossible_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="gap_cap_s is 0"):
        AlarmSettings(gap_cap_s=0.0)
    with pytest.raises(ValueError, match="max_shelve_s"):
        AlarmSettings(max_shelve_s=-1.0)
    with pytest.raises(ValueError, match="minute 1500"):
        QuietHours(1500, 0)


def test_every_condition_has_a_rule_with_a_reason() -> None:
    assert set(DEFAULT_RULES) == set(Condition)
    assert all(len(rule.reason) > 30 for rule in DEFAULT_RULES.values())


def test_what_harms_by_the_minute_is_quicker_than_what_grows_over_weeks() -> None:
    quick = (Condition.BAG_FULL, Condition.MOTOR_OVERLOAD, Condition.FILTER_BREACH)
    slow = (Condition.FILTER_LOADING, Condition.FILTER_BLINDED, Condition.SUCTION_LOST)
    assert max(DEFAULT_RULES[c].on_s for c in quick) <= 120.0
    assert min(DEFAULT_RULES[c].on_s for c in slow) >= 1800.0


def test_a_part_of_the_rules_may_be_given() -> None:
    settings = AlarmSettings(rules={Condition.BAG_FULL: RULE})
    assert settings.rule(Condition.BAG_FULL) is RULE
    assert settings.rule(Condition.WEAK_FAN) is DEFAULT_RULES[Condition.WEAK_FAN]
