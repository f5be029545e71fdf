"""Which samples of issued sheets would be decided otherwise now, and what changed since.

A sheet rests on readings, on the releases of its evidence and on approved factors. Where a
factor was withdrawn, a release was issued again, or a reading was corrected, each result that
rests on it is decided again by what stands now; what comes out otherwise is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.verdict import APPROVED, CorrectionFactor
from reconcile.intake.workspace import Workspace
from reconcile.judgement import factor_life, grounds, sheet_life
from reconcile.judgement.decision import LevelTerms
from reconcile.judgement.factor_life import Life
from reconcile.judgement.field_values import FieldMean
from reconcile.judgement.results import NO_VALUE, Ground, Result, Rules, decide
from reconcile.judgement.sheet_content import ResultSheet, from_bytes
from reconcile.judgement.sheet_life import SheetLife
from reconcile.releases import record, release
from reconcile.statistics.equality import equal_with_nan

JSON = "result_sheet.json"
#: What names a field mean of a sheet.
MeanKey = tuple[str, str, str, str]


class Cause(StrEnum):
    """What changed since a sheet was issued."""

    FACTOR_WITHDRAWN = "factor withdrawn"
    RELEASE_REISSUED = "release issued again"
    READING_CORRECTED = "reading corrected"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Touch:
    """One result at one level that comes out otherwise now; mg/kg, NaN where there is no value."""

    sheet: str  # number and revision
    state: str
    sample_id: str
    element: str
    level: str
    causes: tuple[tuple[str, str], ...]  # Cause, and the factor or release that it speaks of
    value_before: float
    value_now: float
    call_before: str
    call_now: str
    unit: str = "mg/kg"
    per_mg_kg: float = 1.0


def key_of(mean: FieldMean) -> MeanKey:
    """Sample, element, method and form."""
    return mean.sample_id, mean.element, mean.field_method, mean.specimen_form


@dataclass(frozen=True, slots=True)
class Present:
    """What stands now."""

    workspace: Workspace
    lives: Mapping[str, Life]
    period_of: Mapping[str, str]  # release id -> its period
    newest: Mapping[str, release.Earlier] = field(default_factory=dict)  # by period
    grounds: dict[str, tuple[Ground, ...]] = field(default_factory=dict)

    def grounds_of(self, period: str) -> tuple[Ground, ...]:
        """What the newest revision of a period says, read once."""
        if period not in self.grounds:
            self.grounds[period] = tuple(grounds.of_release(self.newest[period]))
        return self.grounds[period]


def present(workspace: Workspace, reading: record.Reading) -> Present:
    """What stands now, by the record and the newest releases."""
    period_of = {
        str(e.content["release_id"]): str(e.content["period"])
        for e in reading.entries
        if e.kind == "release"
    }
    newest = {}
    for period in sorted(set(period_of.values())):
        if (found := release.latest(workspace.releases(period))) is not None:
            newest[period] = found
    return Present(workspace, factor_life.lives(reading), period_of, newest)


def standing(
    workspace: Workspace, reading: record.Reading, passing_over: bool = False
) -> tuple[tuple[SheetLife, ResultSheet], ...]:
    """Every sheet on which someone may act, with its facts.

    ``passing_over`` those whose files were altered: 'verify' tells of them. Else raises
    ReconcileError.
    """
    found = []
    for life in sheet_life.lives(reading).values():
        if not life.stands:
            continue
        try:
            content = sheet_life.files_of(workspace, life, [JSON])[JSON]
            found.append((life, from_bytes(content)))
        except ReconcileError:
            if not passing_over:
                raise
    return tuple(found)


def touched(
    life: SheetLife, sheet: ResultSheet, now: Present, means: Mapping[MeanKey, FieldMean]
) -> tuple[Touch, ...]:
    """What comes out otherwise; ``means`` are readings as they are now, where they are known."""
    found: list[Touch] = []
    for r in sheet.results:
        if r.kind == NO_VALUE:
            continue
        causes, lives, mean = _causes(r, now, means.get(key_of(r.mean)))
        period = now.period_of.get(r.release_id, "")
        if not causes or period not in now.newest:
            continue
        again = decide(mean, now.grounds_of(period), lives, _rules(sheet, r), sheet.lab_method)
        found += _compared(life, sheet, r, again, tuple(causes))
    return tuple(found)


def _causes(
    r: Result, now: Present, mean: FieldMean | None
) -> tuple[list[tuple[str, str]], list[Life], FieldMean]:
    """What changed for a result, with the factors and the reading that stand now."""
    causes: list[tuple[str, str]] = []
    period = now.period_of.get(r.release_id, "")
    if period in now.newest and now.newest[period].manifest["release_id"] != r.release_id:
        name = str(now.newest[period].manifest["release_id"])
        causes.append((Cause.RELEASE_REISSUED, name))
    if mean is not None and _reading(mean) != _reading(r.mean):
        causes.append((Cause.READING_CORRECTED, r.mean.sample_id))
    lives: list[Life] = []
    life = now.lives.get(r.factor_id)
    if life is not None:
        if life.state == factor_life.WITHDRAWN:
            causes.append((Cause.FACTOR_WITHDRAWN, r.factor_id))
            lives = [life]
        else:
            other = _proposed_again(life, now)
            if other is not life:
                name = str(now.newest[life.period].manifest["release_id"])
                causes.append((Cause.RELEASE_REISSUED, name))
            lives = [] if other is None else [_as_approved(other)]
    return list(dict.fromkeys(causes)), lives, mean if mean is not None else r.mean


def _reading(mean: FieldMean) -> tuple[object, ...]:
    return mean.low, mean.high, mean.qualifier, mean.spots, mean.last_day


def _as_approved(life: Life) -> Life:
    """A factor as it stood for values of its dates, also where it has ended since."""
    return replace(life, factor=replace(life.factor, status=APPROVED))


def _proposed_again(life: Life, now: Present) -> Life | None:
    """The factor that a newer revision of its month finds; itself where there is none newer."""
    newest = now.newest.get(life.period)
    if newest is None or newest.revision <= life.revision:
        return life
    factors = factor_life.load(newest.folder / "factors.json")
    same: CorrectionFactor | None = next(
        (f for f in factors if f.stratum.key == life.factor.stratum.key), None
    )
    if same is None:
        return None
    return life if same.factor_id == life.factor.factor_id else replace(life, factor=same)


def _rules(sheet: ResultSheet, r: Result) -> Rules:
    """The rules of the sheet: what was agreed then holds."""
    terms = tuple(
        LevelTerms(
            at.name, at.level, at.acts_below,
            missed=at.rate_above if at.acts_below else at.rate_below,
            false_alarms=at.rate_below if at.acts_below else at.rate_above,
        )
        for at in r.levels
    )  # fmt: skip
    share = sheet.spots_share if math.isfinite(sheet.spots_share) else 0.0
    return Rules({(r.mean.element, r.mean.matrix): terms}, share, {}, {})


def _compared(
    life: SheetLife, sheet: ResultSheet, r: Result, again: Result,
    causes: tuple[tuple[str, str], ...],
) -> Iterable[Touch]:  # fmt: skip
    unit, per = sheet.unit_of(r.mean.element, r.mean.matrix)
    other = not math.isclose(r.value, again.value, rel_tol=1e-6)
    levels: Sequence[tuple[str, str, str]] = [
        (at.name, at.call, after.call) for at, after in zip(r.levels, again.levels, strict=True)
    ] or [("", "", "")]
    for name, before, after in levels:
        if other or before != after:
            yield Touch(
                life.name, life.state, r.mean.sample_id, r.mean.element, name, causes, r.value,
                again.value, before, after, unit, per,
            )  # fmt: skip


def of_workspace(
    workspace: Workspace, reading: record.Reading,
    means: Mapping[MeanKey, FieldMean] | None = None, factor_id: str = "",
) -> tuple[Touch, ...]:  # fmt: skip
    """What comes out otherwise on every standing sheet; of one factor's results where named."""
    sheets = standing(workspace, reading)
    if not sheets:
        return ()
    now = present(workspace, reading)
    found = [t for life, sheet in sheets for t in touched(life, sheet, now, means or {})]
    if factor_id:
        found = [t for t in found if any(what == factor_id for _, what in t.causes)]
    return tuple(found)


def findings(touches: Iterable[Touch]) -> tuple[Finding, ...]:
    """One finding per sheet, with each sample and what changes."""
    by_sheet: dict[str, list[Touch]] = {}
    for t in touches:
        by_sheet.setdefault(t.sheet, []).append(t)
    return tuple(
        Finding(
            "release", "serious", f"result sheet {name}",
            f"{len({t.sample_id for t in many})} of its samples come out otherwise now: "
            f"{'; '.join(map(in_words, many[:6]))}"
            f"{f'; and {len(many) - 6} more' if many[6:] else ''}.",
            evidence="; ".join(dict.fromkeys(f"{c}: {w}" for t in many for c, w in t.causes)),
            advice="Tell everybody who has the sheet; withdraw it ('reconcile recall') or issue it "
            "again ('reconcile issue --revise').",
            code=FindingCode.SHEET_TOUCHED,
        )
        for name, many in sorted(by_sheet.items())
    )  # fmt: skip


def in_words(t: Touch) -> str:
    """One touch for a reader: value and call before and now."""

    def value(number: float) -> str:
        return f"{number * t.per_mg_kg:.4g} {t.unit}" if math.isfinite(number) else "no value"

    said = f"{t.sample_id} {t.element} {value(t.value_before)}"
    if t.value_now != t.value_before:
        said += f", now {value(t.value_now)}"
    if t.level:
        said += f", {t.level}: {t.call_before or 'no decision'}, now {t.call_now or 'no decision'}"
    return said
