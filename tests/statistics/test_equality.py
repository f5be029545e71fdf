"""What is not known equals what is not known, in every value and on every Python."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from dataclasses import dataclass, fields, is_dataclass, replace

import numpy as np
import pytest

from reconcile.statistics.equality import equal_with_nan

#: Rooms whose values are handed to others.
ROOMS = ("statistics", "base", "figures", "judgement")


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Shown:
    value: float
    ends: tuple[float, ...] = ()
    name: str = ""


def unknown() -> float:
    """A NaN of its own, as arithmetic makes it."""
    return float(np.float64("nan"))


def test_not_known_equals_not_known_alone_and_in_tuples() -> None:
    one, other = (Shown(unknown(), (1.0, unknown())) for _ in range(2))
    assert one == other
    assert hash(one) == hash(other)
    assert len({one, other}) == 1


@pytest.mark.parametrize(
    "other",
    [Shown(1.0), Shown(unknown(), (1.0,)), Shown(unknown(), (), "a"), (unknown(), (), "")],
)
def test_what_differs_in_any_field_differs(other: object) -> None:
    assert Shown(unknown()) != other


def test_a_value_that_is_replaced_by_itself_is_the_same() -> None:
    one = Shown(unknown(), (unknown(),))
    assert replace(one) == one


def test_every_value_with_numbers_that_rooms_hand_on_compares_so() -> None:
    without = []
    for room in ROOMS:
        package = importlib.import_module(f"reconcile.{room}")
        for entry in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            module = importlib.import_module(entry.name)
            for cls in vars(module).values():
                if (
                    inspect.isclass(cls)
                    and cls.__module__ == entry.name
                    and is_dataclass(cls)
                    and any("float" in str(field.type) for field in fields(cls))
                    and cls.__eq__.__module__ != equal_with_nan.__module__
                ):
                    without.append(f"{entry.name}.{cls.__name__}")
    assert without == []
