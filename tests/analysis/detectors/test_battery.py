"""What every detector keeps: it changes nothing that it is given, survives a restart, and forgets what is spoiled."""

from __future__ import annotations

import json
from copy import deepcopy

import pytest

from analysis.detectors import build_detectors, build_recognisers
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.limits import Limits
from analysis.findings import Claim
from tests.analysis.detectors.streams import FITTED, Script, barn, blocks


def fresh() -> tuple[list[Detector], list[Recogniser]]:
    detectors = build_detectors(barn(), FITTED, Limits())
    return detectors, build_recognisers(detectors)


def follow(parts: tuple[list[Detector], list[Recogniser]], stream: list) -> list[tuple[float, str, str]]:
    """Raised claims in order."""
    detectors, recognisers = parts
    said, present = [], standing(detectors)
    for block in stream:
        for recogniser in recognisers:
            for event in recogniser.update(block):
                for part in (*detectors, *recognisers):
                    part.event(event)
        for detector in detectors:
            detector.update(block)
        now = standing(detectors)
        said += [(block.t, *key) for key in sorted(now - present)]
        present = now
    return said


def standing(detectors: list[Detector]) -> set[tuple[str, str]]:
    """The claims of the moment."""
    return {(f.condition.value, f.where) for d in detectors for f in d.findings() if f.claim is Claim.PRESENT}


@pytest.fixture(scope="module")
def stream() -> list:
    """Six hours; in the fourth chips are carried over."""
    carried = Script(drag=lambda s: 1e-6 * s + max(0.0, s - 4.0 * 3600.0) * 0.012 / 60.0)
    return list(blocks(carried, 4.4))


def test_nothing_that_is_given_is_changed(stream: list) -> None:
    before = deepcopy(stream[:200])
    follow(fresh(), stream[:200])
    assert stream[:200] == before


def test_a_restart_in_the_middle_changes_nothing(stream: list) -> None:
    whole = follow(fresh(), stream)
    assert [key for _, *key in whole] == [["bag_full", ""]]
    for cut in (len(stream) // 3, len(stream) - 60):
        first, second = fresh(), fresh()
        said = follow(first, stream[:cut])
        for old, new in zip((*first[0], *first[1]), (*second[0], *second[1]), strict=True):
            new.restore(json.loads(json.dumps(old.snapshot())))
        assert said + follow(second, stream[cut:]) == whole


def test_a_spoiled_snapshot_is_left_aside(stream: list) -> None:
    detectors, recognisers = fresh()
    follow((detectors, recognisers), stream[:400])
    for part in (*detectors, *recognisers):
        spoiled = dict.fromkeys(part.snapshot(), "spoiled")
        part.restore(spoiled)
        part.restore({})
    follow((detectors, recognisers), stream[400:420])


def test_memory_is_bounded(stream: list) -> None:
    parts = fresh()
    follow(parts, stream[:600])
    half = len(json.dumps([one.snapshot() for one in parts[0]]))
    follow(parts, stream[600:])
    assert len(json.dumps([one.snapshot() for one in parts[0]])) < 1.5 * half


def test_a_healthy_shop_raises_nothing_however_rough_its_air() -> None:
    for noise in (0.003, 0.03):
        assert follow(fresh(), list(blocks(Script(noise=noise), 4.0, seed=5))) == []


def test_every_condition_says_why_it_cannot_judge_yet() -> None:
    detectors, _ = fresh()
    for detector in detectors:
        for finding in detector.findings():
            assert finding.claim is not Claim.NOT_YET_KNOWN or finding.reason
