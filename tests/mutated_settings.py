"""Settings that are wrong in one or more places: by the models' own fields, and in their text."""

from __future__ import annotations

import json
import random
import types
import typing
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from pydantic import BaseModel

from reconcile.base.settings.elements import DecisionLevel, ElementSettings, MatrixSettings
from reconcile.base.settings.pairs import EvidenceEvent, EvidenceSettings, LabSettings
from reconcile.base.settings.papers import ConformitySettings, LabelSettings
from reconcile.base.settings.tables import CellRules, ColumnRule, IdRule, KindRule, TableSettings
from reconcile.base.settings.thresholds import ErrorSettings, Thresholds
from reconcile.base.settings.whole import Settings
from reconcile.base.settings.workspace import (
    EngineSettings,
    PeopleSettings,
    ReportSettings,
    ScheduleSettings,
    WorkspaceSettings,
)

#: Settings that use every part, for the site of ``tests.small``.
BASE: dict[str, Any] = {
    "workspace": {
        "site": "north-pit",
        "title": "Site",
        "time_zone": "UTC",
        "assign_rows_by": "field time",
        "elements": ["Cu"],
    },
    "report": {"prepared_for": "reader", "prepared_by": "writer", "purpose": "screening"},
    "thresholds": {"minimum_pairs": 5, "pairs_per_third": 1},
    "errors": {"lab_rsd": 0.03},
    "lab": {"best_value": ["M1"], "over_range_methods": ["M2"]},
    "evidence": {
        "months_back": 6,
        "not_before": "2026-01-01",
        "begins": [{"on": "2026-05-04", "what": "tube replaced", "instrument": "X1"}],
    },
    "pool": ["instrument"],
    "leave_out": {"S002": "spilt", "S003/Cu": "smeared"},
    "element": {
        "Cu": {
            "unit": "mg/kg",
            "levels": [{"name": "cut-off", "value": 300}, {"name": "limit", "value": 900}],
            "matrix": {"soil": {"margin": 0.2, "levels": [{"name": "cut-off", "value": 250}]}},
        },
        "Fe": {"unit": "%"},
    },
    "schedule": {"retries": 1},
    "people": {"file": "people.csv"},
    "labels": {"columns": 3},
    "engine": {"threads": 1},
    "conformity": {"guard_factor": 1.0},
    "table": [
        {
            "kind": "field",
            "files": ["field.csv"],
            "name": "field",
            "unit": "mg/kg",
            "fixed": {"technique": "XRF", "instrument": "X1", "calibration": "soil 1"},
            "columns": {"reading_no": {"means": "reading_no"}},
            "cells": {"decimal_mark": ".", "lower_limits": {"Cu": 5.0}},
            "sample_id_rules": [{"find": "^X", "replace": "S"}],
            "kind_rules": [{"column": "sample_id", "pattern": "BLK.*", "kind": "blank"}],
        },
        {
            "kind": "lab",
            "files": ["lab.csv"],
            "name": "lab",
            "unit": "mg/kg",
            "fixed": {
                "technique": "ICP-OES",
                "lab_method": "M1",
                "digestion_class": "near-total",
                "moisture_basis": "dry",
                "certificate": "C1",
            },
        },
        {"kind": "sample register", "files": ["register.csv"], "required": False},
    ],
}
#: Where each model stands in BASE.
MODELS: tuple[tuple[type[BaseModel], tuple[str | int, ...]], ...] = (
    (Settings, ()),
    (WorkspaceSettings, ("workspace",)),
    (ReportSettings, ("report",)),
    (Thresholds, ("thresholds",)),
    (ErrorSettings, ("errors",)),
    (LabSettings, ("lab",)),
    (EvidenceSettings, ("evidence",)),
    (EvidenceEvent, ("evidence", "begins", 0)),
    (ElementSettings, ("element", "Cu")),
    (MatrixSettings, ("element", "Cu", "matrix", "soil")),
    (DecisionLevel, ("element", "Cu", "levels", 0)),
    (TableSettings, ("table", 0)),
    (TableSettings, ("table", 1)),
    (CellRules, ("table", 0, "cells")),
    (ColumnRule, ("table", 0, "columns", "reading_no")),
    (IdRule, ("table", 0, "sample_id_rules", 0)),
    (KindRule, ("table", 0, "kind_rules", 0)),
    (ConformitySettings, ("conformity",)),
    (LabelSettings, ("labels",)),
    (ScheduleSettings, ("schedule",)),
    (PeopleSettings, ("people",)),
    (EngineSettings, ("engine",)),
)
NUMBERS: tuple[Any, ...] = (
    0, -1, 1, 2, 3, 5, 120_000, 2**63, -(2**63), 10**300, 1e-300, 5e-324, 1e300, -1e300, 0.0, -0.0,
    0.5, 0.9999999999999999, 1.0000000000000002, 1e-9, 1e9, 99.0, 1440.0,
    float("inf"), float("-inf"), float("nan"),
)  # fmt: skip
STRINGS: tuple[str, ...] = (
    "", " ", "x", "X" * 90, "y" * 200_000, "\x00", "a\nb", "\x1b[31m", "\u202e", "\ufffe", "é漢🙂",
    "..", "../..", "../../x", "*_**.csv", "**", "*", "/", "/dev/zero", "C:\\x.csv", "[", "]", "[a-",
    "(", "(?P<a", "a{99999999999}", "(" * 2000, "\\", "\\9", "\\g<x>", "{period}", "{", "{}",
    "{{x}}", "{sample_id}", "=1+1", "<b>&amp;", "'; DROP TABLE x; --", "%", "mg/kg", "ppm",
    "percent", "Cu", "CU", "Fe2O3", "S001", "UTC", "localtime", "Mars/Nowhere", "0 6 3 * *",
    "* * * * *", "0 0 31 2 *", "99 99 * * *", "@yearly", "1e5", "NaN", "true", "out", "field.csv",
    "reconcile.toml", "lab.csv", "field*.csv", "./field.csv", ".", "./.", "CON", "a" * 300 + ".csv",
    "wet", "XRF", "ignore", "value", "sample_id", "measured_at", "-5",
)  # fmt: skip
_WRONG: tuple[Any, ...] = (
    True,
    False,
    [],
    [[]],
    {},
    {"": ""},
    [0],
    ["", ""],
    ["x", "x"],
    {"x": {}},
)


def settings_texts(count: int, seed: int = 1) -> Iterator[tuple[str, bytes]]:
    """``count`` mutated settings: what was done, and the file's bytes; the same for one seed."""
    chance = random.Random(seed)
    places = list(_places())
    for number in range(count):
        if number % 10 == 9:
            yield _injured_text(chance)
            continue
        settings = deepcopy(BASE)
        done = [_mutate(settings, *chance.choice(places), chance) for _ in range(_times(chance))]
        yield "; ".join(done), to_toml(settings).encode("utf-8", "surrogatepass")


def _times(chance: random.Random) -> int:
    return chance.choice((1, 1, 1, 1, 2, 3))


def _places() -> Iterator[tuple[tuple[str | int, ...], str, Any]]:
    for model, at in MODELS:
        for name, info in model.model_fields.items():
            yield at, name, info.annotation


def _mutate(
    settings: Any, at: tuple[str | int, ...], name: str, kind: Any, chance: random.Random
) -> str:
    part = settings
    for step in at:
        try:
            part = part[step]
        except (KeyError, IndexError, TypeError):
            return ""  # an earlier mutation took it away
    if not isinstance(part, dict):
        return ""
    what = chance.random()
    if what < 0.05:
        part.pop(name, None)
        return f"{at} without {name}"
    if what < 0.08:
        part[chance.choice((f"{name}x", "", "\x00", name.upper()))] = 1
        return f"{at} with a name like {name}"
    old = part.get(name)
    if what < 0.15 and isinstance(old, list):
        part[name] = old * 2
    elif what < 0.15 and isinstance(old, dict):
        part[name] = {**old, chance.choice(STRINGS): next(iter(old.values()), 1)}
    elif what < 0.30:
        part[name] = deepcopy(
            chance.choice((*_WRONG, chance.choice(STRINGS), chance.choice(NUMBERS)))
        )
    else:
        part[name] = _fitting(kind, chance)
    return f"{at} {name} = {str(part[name])[:60]!r}"


def _fitting(kind: Any, chance: random.Random) -> Any:
    """A value of the field's own type, ordinary or hostile."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        return _fitting(arguments[0], chance)
    if origin is typing.Literal:
        return chance.choice((*arguments, "x"))
    if origin in (typing.Union, types.UnionType):
        return _fitting(chance.choice([a for a in arguments if a is not type(None)]), chance)
    if origin is tuple:
        return [_fitting(arguments[0], chance) for _ in range(chance.choice((0, 1, 2, 2)))]
    if origin is dict:
        return {chance.choice(STRINGS): _fitting(arguments[1], chance) for _ in range(2)}
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {
            name: _fitting(info.annotation, chance)
            for name, info in kind.model_fields.items()
            if info.is_required() or chance.random() < 0.2
        }
    if kind is bool:
        return chance.choice((True, False, 1, "yes"))
    if kind in (int, float):
        return chance.choice((*NUMBERS, chance.uniform(0, 1), chance.randint(0, 50)))
    return chance.choice(STRINGS)


def _injured_text(chance: random.Random) -> tuple[str, bytes]:
    """The text itself injured: cut, doubled, nested, other bytes."""
    text = to_toml(BASE)
    at = chance.randrange(len(text))
    deep = chance.choice((100, 2_000, 5_000))
    ways: dict[str, str | bytes] = {
        "cut": text[:at],
        "twice": text + text,
        "deep array": f"x = {'[' * deep}{']' * deep}\n{text}",
        "deep open array": f"x = {'[' * deep}\n{text}",
        "deep table": f"x = {'{a=' * deep}1{'}' * deep}\n{text}",
        "deep key": f"{'a.' * deep}a = 1\n{text}",
        "deep header": f"{text}\n[{'a.' * deep}a]\n",
        "deep fact": text + f"\n[report.{'a.' * min(deep, 400)}a]\n",
        "long number": text + f"\n[errors]\nlab_rsd = 0.{'0' * deep}1\n",
        "long integer": f"x = {'9' * deep}\n{text}",
        "long integer in place": text.replace("= 300", f"= {'9' * deep}"),
        "date": text.replace('"Site"', "1979-05-27T07:32:00Z").replace("300", "07:32:00"),
        "bad date": text.replace('"Site"', "1979-99-27"),
        "byte": text[:at].encode() + bytes([chance.randrange(256)]) + text[at + 1 :].encode(),
        "gap": text[:at] + text[at + chance.randrange(1, 20) :],
        "swapped": text[:at][::-1] + text[at:],
        "mark": b"\xef\xbb\xbf" + text.encode(),
        "wide": text.encode("utf-16"),
        "returns": text.replace("\n", "\r\n"),
        "old returns": text.replace("\n", "\r"),
        "empty": "",
        "comment": "#" * 100_000,
        "huge": text + "#" * (5 << 20),
    }
    name = chance.choice(sorted(ways))
    made = ways[name]
    return f"text: {name}", made if isinstance(made, bytes) else made.encode()


def to_toml(settings: dict[str, Any]) -> str:
    """TOML of one line per part, with inline tables."""
    return "".join(f"{_key(name)} = {_value(value)}\n" for name, value in settings.items())


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(name)} = {_value(part)}" for name, part in value.items())
        return "{" + inner + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, float):
        return repr(value)
    return str(value) if isinstance(value, int) else _key(str(value))


def _key(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
