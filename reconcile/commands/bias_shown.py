"""The bias of a stratum on the terminal: as a ratio, else as a difference, else why not."""

from __future__ import annotations

import csv
import math
from pathlib import Path

from reconcile.base.model.release import StratumResult
from reconcile.reporting import numbers, words
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key

_RATIO, _WITH_LIMITS, _DIFFERENCE = "geometric_mean_ratio", "censored_ratio", "mean_difference"


def bias_cells(result: StratumResult) -> tuple[str, str]:
    """What says the bias, with its unit, and its interval; in words where there is none."""
    figures = by_key(result.statistics)
    ratio = figures[_RATIO]
    if math.isfinite(ratio.value):
        return ratio.texts(1)[0], _interval(ratio, 1.0, "")
    limited = figures.get(_WITH_LIMITS)
    if limited is not None and math.isfinite(limited.value):
        text = words.BIAS_MOVED_PAIRS_KNOWN_BY.format(texts=limited.texts(1)[0])
        return text, _interval(limited, 1.0, "")
    difference = figures[_DIFFERENCE]
    if math.isfinite(difference.value):
        unit = difference.unit(result.unit)
        text = words.BIAS_MOVED_FIELD_LAB.format(
            texts=difference.texts(result.per_mg_kg)[0], unit=unit
        )
        return text, _interval(difference, result.per_mg_kg, unit)
    return why_not(ratio.reason or difference.reason, ratio.n or 0), "none"


def _interval(figure: Figure, per_mg_kg: float, unit: str) -> str:
    text = figure.texts(per_mg_kg)[1]
    if text == numbers.NONE:
        return words.BIAS_MOVED_NONE_TOO_FEW if (figure.n or 0) < 3 else "none"
    return f"{text} {unit}".strip()


def why_not(reason: str, pairs: int) -> str:
    """Why neither a ratio nor a difference can be given."""
    if not pairs:
        return words.BIAS_MOVED_NO_PAIR_WITH
    return reason.rstrip(". ") or words.TOO_FEW


def released_bias(folder: Path) -> dict[str, str]:
    """The same for every stratum of a release, from its own files."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    with (folder / "statistics.csv").open(encoding="utf-8", newline="") as stream:
        for line in csv.DictReader(stream):
            if line["figure"] in (_RATIO, _DIFFERENCE):
                found.setdefault(line["stratum"], {})[line["figure"]] = line
    shown = {}
    for stratum, lines in found.items():
        ratio, difference = lines.get(_RATIO, {}), lines.get(_DIFFERENCE, {})
        if ratio.get("value"):
            shown[stratum] = numbers.plain_sig(float(ratio["value"]))
        elif difference.get("value"):
            value = numbers.plain_sig(float(difference["value"]))
            shown[stratum] = words.BIAS_MOVED_DIFFERENCE.format(
                value=value, unit=difference["unit"]
            )
        else:
            reason = ratio.get("reason") or difference.get("reason") or ""
            shown[stratum] = why_not(reason, int(ratio.get("n") or 0))
    return shown
