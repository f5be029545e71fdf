"""Further result objects of a stratum: in words for the report, as plain values for JSON."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from typing import Any

import numpy as np

from reconcile.base import strata
from reconcile.base.model.release import StratumResult
from reconcile.base.model.stratum import Stratum
from reconcile.reporting import further, numbers, words
from reconcile.statistics.result import Estimate


def sentences_of(result: StratumResult) -> list[str]:
    """What the further results say: the further figures, then others under their names."""
    out = further.sentences(result)
    for key, value in result.statistics.further:
        text = "" if key in further.SPOKEN_FOR else _sentence(value)
        if text:
            out.append(f"{key.name[:1].upper()}{key.name[1:]}: {text}")
    return out


def _sentence(value: Any) -> str:
    if isinstance(value, Estimate):
        if not value.estimable:
            return value.reason or words.NOT_ESTIMABLE
        shown, interval = numbers.of_estimate(value)
        level = numbers.percent(value.level)
        return words.DETAIL.format(value=shown, level=level, interval=interval, n=value.n)
    for name in ("sentence", "sentences"):
        method = getattr(value, name, None)
        if callable(method):
            text = method()
            return text if isinstance(text, str) else " ".join(text)
    return value if isinstance(value, str) else ""


_AS_THEY_ARE = frozenset({str, bool, int, type(None)})


@cache
def _fields_of(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in dataclasses.fields(kind))


def plain(value: Any) -> Any:
    """Any result as JSON values: NaN and infinity become None, arrays lists."""
    kind = type(value)
    if kind in _AS_THEY_ARE:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if kind is dict:
        return {str(k): plain(v) for k, v in value.items()}
    if kind in (list, tuple):
        return [plain(v) for v in value]
    if isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Stratum):
        return strata.as_plain(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: plain(getattr(value, name)) for name in _fields_of(type(value))}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, (set, frozenset)):
        return sorted((plain(v) for v in value), key=repr)
    return str(value)
