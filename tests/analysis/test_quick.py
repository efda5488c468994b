"""What is made quickly is still what dataclasses makes: compared with the same class made its way."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field

import pytest

from analysis.blocks import Block, Shape, Stat
from analysis.estimates import Estimate, Expected
from analysis.findings import Evidence, Finding
from analysis.quick import quick
from analysis.readings import Frame, Quality, Reading


@dataclass(frozen=True, slots=True)
class Plain:
    at: float
    name: str = "unit"
    more: Mapping[str, float] = field(default_factory=dict)


@quick
@dataclass(frozen=True, slots=True)
class Quick:
    at: float
    name: str = "unit"
    more: Mapping[str, float] = field(default_factory=dict)


@pytest.mark.parametrize("given", [(1.0,), (2.0, "x"), (3.0, "y", {"a": 1.0})])
def test_fields_words_and_equality_are_those_of_dataclasses(given: tuple[object, ...]) -> None:
    plain, made = Plain(*given), Quick(*given)  # type: ignore[arg-type]
    assert dataclasses.asdict(made) == dataclasses.asdict(plain)
    assert repr(made) == repr(plain).replace("Plain", "Quick")
    assert made == Quick(*given)  # type: ignore[arg-type]
    assert made != dataclasses.replace(made, at=-1.0)
    assert type(made) is Quick
    assert not hasattr(made, "__dict__")


def test_each_has_a_mapping_of_its_own() -> None:
    assert Quick(1.0).more is not Quick(1.0).more


def test_arguments_by_name_and_missing_ones() -> None:
    assert Quick(name="z", at=4.0) == Quick(4.0, "z")
    for wrong in ((), (1.0, "a", {}, 5)):
        with pytest.raises(TypeError):
            Quick(*wrong)
    with pytest.raises(TypeError):
        Quick(1.0, odd=2.0)  # type: ignore[call-arg]


@pytest.mark.parametrize("made", [
    Reading("inlet_pa", 1.0, -2000.0), Frame(1.0, {"inlet_pa": -2000.0}, {"filter_pa": Quality.SILENT}), Estimate(1.0, 0.3),
    Expected(1.0, 0.1), Evidence(1.0, "ratio", "words"), Stat(3, 1.0, 0.5, 1.5), Shape(1.0, 2.0, 3.0, None, 0.0)])
def test_what_travels_is_frozen_and_can_be_copied(made: object) -> None:
    name = dataclasses.fields(made)[0].name  # type: ignore[arg-type]
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(made, name, 7.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        delattr(made, name)
    for again in (copy.copy(made), copy.deepcopy(made), pickle.loads(pickle.dumps(made))):
        assert again == made
        assert type(again) is type(made)


def test_hash_is_that_of_the_values() -> None:
    assert hash(Reading("a", 1.0, 2.0)) == hash(Reading("a", 1.0, 2.0))
    assert {Expected(1.0, 0.1), Expected(1.0, 0.1)} == {Expected(1.0, 0.1)}


def test_classes_of_another_kind_are_refused() -> None:
    class Nothing:
        pass

    @dataclass(slots=True)
    class Open:
        at: float

    @dataclass(frozen=True)
    class Dictionary:
        at: float

    @dataclass(frozen=True, slots=True)
    class Checked:
        at: float

        def __post_init__(self) -> None:
            raise ValueError

    for kind in (Nothing, Open, Dictionary, Checked):
        with pytest.raises(TypeError):
            quick(kind)


def test_those_that_travel_are_made_so() -> None:
    for kind in (Reading, Frame, Estimate, Expected, Evidence, Finding, Stat, Shape, Block):
        assert "__init__" not in vars(kind), kind
