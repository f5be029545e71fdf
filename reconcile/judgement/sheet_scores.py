"""Sheets held against the laboratory: how many calls were right, against the rates promised.

Only samples that were called count. Those chosen at random stand for all that were called;
others, chosen for any reason, are counted apart: their share says nothing of the rest.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reconcile.base import strata
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.spreadsheet import csv_text
from reconcile.judgement.results import AtLevel, Result
from reconcile.judgement.sheet_content import ResultSheet
from reconcile.judgement.sheet_life import SheetLife
from reconcile.releases import kept_rows, release
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.level_calls import ABOVE, BELOW
from reconcile.statistics.proportions import clopper_pearson
from reconcile.statistics.result import Estimate

#: Sample, element and the laboratory's method -> bounds of the laboratory's result, mg/kg.
Answers = Mapping[tuple[str, str, str], tuple[float, float]]
RANDOM = "random"  # kind of a sample of a dispatch that stands for all that were called


@equal_with_nan
@dataclass(frozen=True, slots=True)
class SideScore:
    """Calls of one side of a level, against the laboratory's results."""

    call: str
    n: int  # called so, with a laboratory result that tells the side
    wrong: int
    share: Estimate  # wrong of n
    rate: float  # chance of this wrong call that was promised for each sample

    @property
    def beyond(self) -> bool:
        """True where more were wrong than the rate allows, also for samples at the level."""
        return self.share.estimable and self.share.low > self.rate


@dataclass(frozen=True, slots=True)
class LevelScore:
    """One element at one level of one sheet."""

    sheet: str
    element: str
    level: str
    at_random: bool  # the samples stand for all that were called
    right: Estimate  # share of called samples that the laboratory puts on the same side
    sides: tuple[SideScore, ...]

    @property
    def beyond(self) -> bool:
        """True where a side has more wrong calls than was promised."""
        return any(side.beyond for side in self.sides)


def answers_of_pairs(pairs: pd.DataFrame, of: Iterable[Stratum]) -> Answers:
    """The laboratory's bounds in a table of pairs."""
    by_key = {s.key: s for s in of}
    rows: list[Any] = list(pairs.itertuples(index=False))
    return {
        (str(row.sample_id), by_key[row.stratum].element, by_key[row.stratum].lab_method): (
            float(row.lab_low), float(row.lab_high),
        )
        for row in rows
        if row.stratum in by_key and not math.isnan(float(row.lab_low))
    }  # fmt: skip


def answers_of_release(found: release.Earlier) -> Answers:
    """The laboratory's bounds in the pairs of a release."""
    content = json.loads((found.folder / "statistics.json").read_text(encoding="utf-8"))
    known = [strata.from_plain(entry["stratum"]) for entry in content["strata"]]
    by_text = {csv_text(entry["key"]): s for entry, s in zip(content["strata"], known, strict=True)}
    pairs = pd.read_csv(
        io.BytesIO(kept_rows.pairs_csv(found.folder, found.manifest)), dtype={"stratum": str},
        converters={"sample_id": str}, keep_default_na=False,
        na_values={"lab_low_mg_kg": [""], "lab_high_mg_kg": [""]},
        usecols=["stratum", "sample_id", "lab_low_mg_kg", "lab_high_mg_kg"],
    )  # fmt: skip
    rows: list[Any] = list(pairs.itertuples(index=False))
    return {
        (str(row.sample_id), by_text[row.stratum].element, by_text[row.stratum].lab_method): (
            float(row.lab_low_mg_kg),
            math.inf if math.isnan(row.lab_high_mg_kg) else float(row.lab_high_mg_kg),
        )
        for row in rows
        if row.stratum in by_text and not math.isnan(float(row.lab_low_mg_kg))
    }


def answers_of_months(
    sheet: ResultSheet, newest: Mapping[str, release.Earlier], known: dict[str, Answers]
) -> Answers:
    """What releases of the months of a sheet's readings hold; ``known`` keeps those read."""
    found: dict[tuple[str, str, str], tuple[float, float]] = {}
    for period in sorted({r.mean.last_day[:7] for r in sheet.results}):
        if period in newest:
            if period not in known:
                known[period] = answers_of_release(newest[period])
            found |= known[period]
    return found


def score(
    life: SheetLife, sheet: ResultSheet, answers: Answers, confidence: float = 0.95
) -> tuple[LevelScore, ...]:
    """Each level at which called samples have a laboratory result; random ones apart."""
    drawn = {
        str(sample)
        for dispatch in life.dispatches
        for sample, kind, _ in dispatch["samples"]
        if kind == RANDOM
    }
    groups: dict[tuple[str, str, bool], list[tuple[AtLevel, bool]]] = {}
    for r in sheet.results:
        bounds = answers.get((csv_text(r.mean.sample_id), r.mean.element, r.lab_method))
        bounds = bounds or answers.get((r.mean.sample_id, r.mean.element, r.lab_method))
        if bounds is None:
            continue
        for at in r.levels:
            above = _side(bounds, at.level)
            if at.call in (ABOVE, BELOW) and above is not None:
                key = (r.mean.element, at.name, r.mean.sample_id in drawn)
                groups.setdefault(key, []).append((at, above))
    return tuple(_scored(life.name, *key, many, confidence) for key, many in sorted(groups.items()))


def _side(bounds: tuple[float, float], level: float) -> bool | None:
    """Whether the laboratory's result is at or above the level; None where it can't tell."""
    low, high = bounds
    return True if low >= level else False if high < level else None


def _scored(
    sheet: str, element: str, level: str, at_random: bool, many: list[tuple[AtLevel, bool]],
    confidence: float,
) -> LevelScore:  # fmt: skip
    sides = []
    for call in (BELOW, ABOVE):
        called = [(at, above) for at, above in many if at.call == call]
        wrong = sum(above == (call == BELOW) for _, above in called)
        rate = many[0][0].rate_above if call == ABOVE else many[0][0].rate_below
        share = clopper_pearson(wrong, len(called), confidence)
        sides.append(SideScore(call, len(called), wrong, share, rate))
    right = len(many) - sum(side.wrong for side in sides)
    return LevelScore(
        sheet, element, level, at_random, clopper_pearson(right, len(many), confidence),
        tuple(sides),
    )  # fmt: skip


def in_words(s: LevelScore) -> str:
    """One score for a reader."""
    parts = [
        f"{side.wrong} of {side.n} called {side.call} were wrong (interval {side.share.low:.0%} to "
        f"{side.share.high:.0%}; promised: at most {side.rate:.0%} for each sample)"
        for side in s.sides
        if side.n
    ]
    who = "samples drawn at random" if s.at_random else "samples that were not drawn at random"
    return (
        f"{s.element}, {s.level}: {s.right.value:.0%} of {s.right.n} {who} were called as the "
        f"laboratory has them ({s.right.level:.0%} interval {s.right.low:.0%} to "
        f"{s.right.high:.0%}); {', '.join(parts)}"
    )


def findings(scores: Iterable[LevelScore]) -> tuple[Finding, ...]:
    """One finding per sheet that the laboratory has answered."""
    by_sheet: dict[str, list[LevelScore]] = {}
    for s in scores:
        by_sheet.setdefault(s.sheet, []).append(s)
    return tuple(
        Finding(
            "release", "warning" if any(s.beyond for s in many) else "note",
            f"result sheet {name}", f"{'. '.join(map(in_words, many))}.",
            advice="More calls were wrong than was promised: look at the evidence before the next "
            "sheet."
            if any(s.beyond for s in many)
            else "",
            code=FindingCode.SHEET_SCORED,
        )
        for name, many in sorted(by_sheet.items())
    )  # fmt: skip


def called(results: Iterable[Result]) -> tuple[str, ...]:
    """Samples of which every result with levels was called, in order."""
    open_: set[str] = set()
    every: set[str] = set()
    for r in results:
        if r.levels:
            every.add(r.mean.sample_id)
            if any(at.call not in (ABOVE, BELOW) for at in r.levels):
                open_.add(r.mean.sample_id)
    return tuple(sorted(every - open_))
