"""The sheet that recomputes every headline figure in cells, by formulas over the used pairs.

Only functions that spreadsheet programs have had for long: no dynamic arrays, no macros.
Each stratum is a block of named ranges (``lab_001``, ``field_001`` …) over its used pairs on the
sheet of the calculation; each figure stands beside the program's value with their difference.
Every formula has its result, so that whatever does not compute shows it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from openpyxl.utils import get_column_letter

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.release import StratumResult
from reconcile.reporting import words
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key
from reconcile.reporting.pair_lists import lists_of
from reconcile.reporting.render import sheets
from reconcile.reporting.render.calculation import HELPERS, MOST_RANKED, WHOLE, Block
from reconcile.reporting.render.grid import Look, Sheet
from reconcile.reporting.render.sheets import Column
from reconcile.statistics import distributions as stats

#: Relative difference up to which a cell and the program agree.
TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class Cell:
    """One number to be recomputed: formula with {names} of ranges and of earlier cells."""

    name: str
    label: str
    formula: str
    engine: float = math.nan
    unit: str = ""
    result: float = math.nan  # what the formula comes to where the program has no such figure

    @property
    def shown(self) -> float:
        """What the formula comes to."""
        return self.engine if math.isfinite(self.engine) else self.result


Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Used:
    """The used pairs of a stratum, mg/kg."""

    lab: Array
    field: Array

    def of(self, name: str) -> Array:
        """One of the ranges that lines are fitted to."""
        values = self.lab if name in ("lab", "log_lab") else self.field
        return np.log10(values) if name in ("log_lab", "log_field") else values


def used_of(pairs: pd.DataFrame) -> _Used:
    """Laboratory and field means of the used pairs, (n,) each."""
    lists = lists_of(pairs)
    return _Used(*(lists.numbers(name)[lists.used()] for name in ("lab_mean", "field_mean")))


def _interval(f: Figure, centre: str, se: str, df: str, wrap: str = "{}") -> Iterator[Cell]:
    """Both ends of a t interval about ``centre``."""
    if not (math.isfinite(f.low) and math.isfinite(f.high)):
        return
    t = f"_xlfn.T.INV.2T(1-{f.level!r},{df})"
    for end, value, sign in (("low", f.low, "-"), ("high", f.high, "+")):
        label = f"{f.label}, {words.INTERVAL_END[end]}"
        formula = wrap.format(f"{centre}{sign}{t}*{se}")
        yield Cell(f"{f.key}_{end}", label, formula, value, f.base_unit)


def _one(f: Figure, formula: str) -> Iterator[Cell]:
    if math.isfinite(f.value):
        yield Cell(f.key, f.label, formula, f.value, f.base_unit)


def _bias(figures: Mapping[str, Figure], used: _Used) -> Iterator[Cell]:
    for key, name in (("mean_difference", "difference"), ("mean_relative_difference", "relative")):
        f = figures[key]
        yield from _one(f, f"AVERAGE({{{name}}})")
        yield from _interval(f, f"{{{key}}}", f"_xlfn.STDEV.S({{{name}}})/SQRT({{n}})", "{n}-1")
    ratio = figures["geometric_mean_ratio"]
    if not math.isfinite(ratio.value):
        return
    both = (used.lab > 0) & (used.field > 0)
    mean_ln = float(np.mean(np.log(used.field[both]) - np.log(used.lab[both])))
    yield Cell("mean_ln", words.BLOCKS["mean_ln"], "AVERAGE({ln_ratio})", result=mean_ln)
    yield from _one(ratio, "EXP({mean_ln})")
    se = "_xlfn.STDEV.S({ln_ratio})/SQRT({n})"
    yield from _interval(ratio, "{mean_ln}", se, "{n}-1", "EXP({})")
    test = figures["equivalence_bias"]
    if test.kind == "ratio":
        yield from _interval(test, "{mean_ln}", se, "{n}-1", "EXP({})")


def _limits(figures: Mapping[str, Figure], s: StratumStatistics) -> Iterator[Cell]:
    scales = (
        ("limits_absolute", "difference", "{}", s.agreement.limits_absolute),
        ("limits_relative", "to_mean", "{}", s.agreement.limits_relative),
        ("limits_log_ratio", "ln_ratio", "EXP({})", s.agreement.limits_log_ratio),
    )
    for key, name, wrap, limits in scales:
        if not math.isfinite(figures[f"{key}_sd"].value):
            continue
        yield from _one(figures[f"{key}_sd"], f"_xlfn.STDEV.S({{{name}}})")
        z = f"_xlfn.NORM.S.INV((1+{limits.coverage!r})/2)"
        centre, sd = f"AVERAGE({{{name}}})", f"{{{key}_sd}}"
        k = f"SQRT(({{n}}-1)*(1+1/{{n}})*{z}^2/_xlfn.CHISQ.INV(1-{limits.lower.level!r},{{n}}-1))"
        for end, sign in (("lower", "-"), ("upper", "+")):
            yield from _one(figures[f"{key}_{end}"], wrap.format(f"{centre}{sign}{z}*{sd}"))
        for end, sign in (("low", "-"), ("high", "+")):
            yield from _one(
                figures[f"{key}_tolerance_{end}"], wrap.format(f"{centre}{sign}{k}*{sd}")
            )


def _robust(figures: Mapping[str, Figure], key: str, x: str, y: str, used: _Used) -> Iterator[Cell]:
    """Intervals that allow any scatter (HC3), t with degrees of freedom of their own.

    The quantile of t comes from the beta distribution: that of t takes whole degrees only.
    """
    xs, ys = f"{{{x}}}", f"{{{y}}}"
    off = f"({xs}-AVERAGE({xs}))"
    left = f"(1-1/{{n}}-{off}^2/DEVSQ({xs}))"
    bounded = f"({left}*({left}>=1E-12)+1E-12*({left}<1E-12))"
    pull = f"({ys}-{{{key}_intercept}}-{{{key}_slope}}*{xs})/{bounded}"
    for what, weight in (
        ("slope", f"{off}/DEVSQ({xs})"),
        ("intercept", f"(1/{{n}}-AVERAGE({xs})*{off}/DEVSQ({xs}))"),
    ):
        f = figures[f"{key}_{what}"]
        if not (math.isfinite(f.low) and math.isfinite(f.high)):
            continue
        name = f"{key}_{what}"
        part = f"({weight}*{pull})"
        line = (figures[f"{key}_intercept"].value, figures[f"{key}_slope"].value)
        v, k, df, t = _robust_results(used.of(x), used.of(y), line, what, f.level)
        yield Cell(f"{name}_v", words.BLOCKS["robust_v"].format(of=f.label),
                   f"SUMPRODUCT({part}^2)", result=v)  # fmt: skip
        yield Cell(f"{name}_k", words.BLOCKS["robust_k"].format(of=f.label),
                   f"{{n}}*SUMPRODUCT({part}^4)/{{{name}_v}}^2-1", result=k)  # fmt: skip
        yield Cell(
            f"{name}_df", words.BLOCKS["robust_df"].format(of=f.label),
            f"IF({{{name}_k}}>0,MIN({{n}}-2,2*{{n}}/MAX({{{name}_k}},1E-300)),{{n}}-2)",
            result=df,
        )  # fmt: skip
        beta = f"_xlfn.BETA.INV(1-{f.level!r},{{{name}_df}}/2,0.5)"
        yield Cell(f"{name}_t", words.BLOCKS["robust_t"].format(of=f.label),
                   f"SQRT({{{name}_df}}*(1/{beta}-1))", result=t)  # fmt: skip
        for end, value, sign in (("low", f.low, "-"), ("high", f.high, "+")):
            label = f"{f.label}, {words.INTERVAL_END[end]}"
            formula = f"{{{name}}}{sign}{{{name}_t}}*SQRT({{{name}_v}})"
            yield Cell(f"{name}_{end}", label, formula, value, f.base_unit)


def _robust_results(
    x: Array, y: Array, line: tuple[float, float], what: str, level: float
) -> tuple[float, float, float, float]:
    """Variance, kurtosis less 1, degrees of freedom and quantile of t of one end of a line."""
    n, off = len(x), x - x.mean()
    squares = float(off @ off)
    left = np.maximum(1 - 1 / n - off**2 / squares, 1e-12)
    weight = off / squares if what == "slope" else 1 / n - x.mean() * off / squares
    part = weight * (y - line[0] - line[1] * x) / left
    v = float(np.sum(part**2))
    k = n * float(np.sum(part**4)) / v**2 - 1
    df = min(n - 2, 2 * n / max(k, 1e-300)) if k > 0 else n - 2
    return v, k, float(df), float(stats.t.isf((1 - level) / 2, df))


def _least_squares(figures: Mapping[str, Figure], any_scatter: bool, used: _Used) -> Iterator[Cell]:
    for key, x, y in (
        ("ols", "lab", "field"),
        ("ols_lab_on_field", "field", "lab"),
        ("log_line", "log_lab", "log_field"),
    ):
        slope, intercept = figures[f"{key}_slope"], figures[f"{key}_intercept"]
        if not math.isfinite(slope.value):
            continue
        xs, ys = f"{{{x}}}", f"{{{y}}}"
        yield from _one(slope, f"SLOPE({ys},{xs})")
        yield from _one(intercept, f"INTERCEPT({ys},{xs})")
        yield from _one(figures[f"{key}_residual_sd"], f"STEYX({ys},{xs})")
        if any_scatter and key != "log_line":
            yield from _robust(figures, key, x, y, used)
            continue
        sd = f"{{{key}_residual_sd}}"
        yield from _interval(slope, f"{{{key}_slope}}", f"{sd}/SQRT(DEVSQ({xs}))", "({n}-2)")
        yield from _interval(
            intercept,
            f"{{{key}_intercept}}",
            f"{sd}*SQRT(1/{{n}}+AVERAGE({xs})^2/DEVSQ({xs}))",
            "({n}-2)",
        )
    yield from _one(figures["log_r_squared"], "CORREL({log_lab},{log_field})^2")


def _scatter(figures: Mapping[str, Figure], s: StratumStatistics) -> Iterator[Cell]:
    yield from _one(figures["correlation"], "CORREL({lab},{field})")
    yield from _one(figures["r_squared"], "{correlation}^2")
    if s.n_used <= MOST_RANKED:
        yield from _one(figures["spearman"], "CORREL({rank_lab},{rank_field})")
    yield from _log_concordance(figures)
    yield from _one(
        figures["concordance"],
        "2*{sxy}/({sxx}+{syy}+{n}*({mean_field}-{mean_lab})^2)",
    )
    yield from _one(figures["concordance_precision"], "{sxy}/SQRT({sxx})/SQRT({syy})")
    yield from _one(
        figures["concordance_accuracy"],
        "2*SQRT({sxx})*SQRT({syy})/({sxx}+{syy}+{n}*({mean_field}-{mean_lab})^2)",
    )
    yield from _one(
        figures["concordance_location_shift"],
        "({mean_field}-{mean_lab})/SQRT(SQRT({sxx}/{n})*SQRT({syy}/{n}))",
    )
    yield from _one(figures["concordance_scale_shift"], "SQRT({syy}/{sxx})")
    share = figures["share_within"]
    if not math.isfinite(share.value):
        return
    # The slack lets a pair exactly on the margin count as within.
    near = (
        f"SUMPRODUCT(--(ABS({{difference}})<={s.agreement.share_margin!r}*ABS({{lab}})"
        "+4E-16*(ABS({lab})+ABS({field}))))"
    )
    count = round(share.value * (share.n or 0))
    yield Cell("near", words.BLOCKS["near"], near, result=float(count))
    yield from _one(share, "{near}/{n}")
    yield from _proportion(share, "{near}", "{n}")


def _log_concordance(figures: Mapping[str, Figure]) -> Iterator[Cell]:
    found = figures.get("concordance_log")
    if found is None or not math.isfinite(found.value):
        return
    x, y = "{log_lab}", "{log_field}"
    product = f"SUMPRODUCT({x}-AVERAGE({x}),{y}-AVERAGE({y}))"
    whole = f"(DEVSQ({x})+DEVSQ({y})+{{n}}*(AVERAGE({y})-AVERAGE({x}))^2)"
    root = f"SQRT(DEVSQ({x}))*SQRT(DEVSQ({y}))"
    yield from _one(found, f"2*{product}/{whole}")
    yield from _one(figures["concordance_log_precision"], f"{product}/({root})")
    yield from _one(figures["concordance_log_accuracy"], f"2*{root}/{whole}")


def _proportion(f: Figure, count: str, n: str) -> Iterator[Cell]:
    """Clopper and Pearson's interval of ``count`` of ``n``."""
    if not (math.isfinite(f.low) and math.isfinite(f.high)):
        return
    alpha = f"(1-{f.level!r})/2"
    low = f"IF({count}=0,0,_xlfn.BETA.INV({alpha},{count},{n}-{count}+1))"
    high = f"IF({count}={n},1,_xlfn.BETA.INV(1-{alpha},{count}+1,{n}-{count}))"
    for end, value, formula in (("low", f.low, low), ("high", f.high, high)):
        label = f"{f.label}, {words.INTERVAL_END[end]}"
        yield Cell(f"{f.key}_{end}", label, formula, value, f.base_unit)


def _deming(figures: Mapping[str, Figure], sums: tuple[float, float, float]) -> Iterator[Cell]:
    slope = figures["deming_slope"]
    lam = figures["error_ratio"].value
    if not (math.isfinite(slope.value) and math.isfinite(lam)):
        return
    sxx, syy, sxy = sums
    off = syy - lam * sxx
    yield Cell("lambda", words.BLOCKS["lambda"], f"{lam!r}", result=lam)
    yield Cell("deming_d", words.BLOCKS["deming_d"], "{syy}-{lambda}*{sxx}", result=off)
    yield Cell("deming_root", words.BLOCKS["deming_root"],
               "SQRT({deming_d}^2+4*{lambda}*{sxy}^2)",
               result=math.sqrt(off**2 + 4 * lam * sxy**2))  # fmt: skip
    yield from _one(
        slope,
        "IF({deming_d}>=0,({deming_d}+{deming_root})/(2*{sxy}),"
        "2*{lambda}*{sxy}/({deming_root}-{deming_d}))",
    )
    yield from _one(figures["deming_intercept"], "{mean_field}-{deming_slope}*{mean_lab}")


def _sides(low: str, high: str, at: str) -> tuple[str, str]:
    """Above and below a level for values that may only be bounded: 1 or 0 each."""
    above = f"({{{low}}}>={at})"
    below = f"((({{{high}}}<{at})+(({{{low}}}<{{{high}}})*({{{high}}}<={at})))>0)"
    return above, below


def _levels(figures: Mapping[str, Figure], s: StratumStatistics) -> Iterator[Cell]:
    for i, level in enumerate(s.levels if s.n_pairs else (), start=1):
        key = f"level_{i}"
        name = level.name or words.UNNAMED_LEVEL.format(n=i)
        at = f"{{{key}_at}}"
        yield Cell(f"{key}_at", figures[f"{key}_value"].label, f"{level.level!r}", unit="mg/kg",
                   result=level.level)  # fmt: skip
        lab_above, lab_below = _sides("lab_low", "lab_high", at)
        field_above, field_below = _sides("field_low", "field_high", at)
        placed_lab, placed_field = f"({lab_above}+{lab_below})", f"({field_above}+{field_below})"
        yield from _one(
            figures[f"{key}_lab_above"], f"SUMPRODUCT({{counts}}*{lab_above}*{placed_field})"
        )
        yield from _one(
            figures[f"{key}_field_above"], f"SUMPRODUCT({{counts}}*{field_above}*{placed_lab})"
        )
        for what, of, wrong in (
            ("false_negative", lab_above, field_below),
            ("false_positive", lab_below, field_above),
        ):
            f = figures[f"{key}_{what}"]
            if not math.isfinite(f.value):
                continue
            opposite = placed_field
            label = words.BLOCKS[what].format(level=name)
            formula = f"SUMPRODUCT({{counts}}*{of}*{wrong})"
            yield Cell(f"{key}_{what}_count", label, formula, round(f.value * (f.n or 0)))
            judged = words.BLOCKS[f"{what}_of"].format(level=name)
            total = f"SUMPRODUCT({{counts}}*{of}*{opposite})"
            yield Cell(f"{key}_{what}_of", judged, total, float(f.n or 0))
            count, n = f"{{{key}_{what}_count}}", f"{{{key}_{what}_of}}"
            yield from _one(f, f"{count}/{n}")
            yield from _proportion(f, count, n)


def cells_of(x: StratumResult) -> list[Cell]:
    """Every number of one stratum that cells can recompute, in the order of the sheet."""
    s = x.statistics
    figures = by_key(s)
    count = 'COUNTIF({used},"yes")' if s.n_pairs else "0"
    out = [Cell("n", words.BLOCKS["n"], count, float(s.n_used))]
    if s.n_used:
        used = used_of(x.pairs)
        means = float(used.lab.mean()), float(used.field.mean())
        off = used.lab - means[0], used.field - means[1]
        sums = float(off[0] @ off[0]), float(off[1] @ off[1]), float(off[0] @ off[1])
        out += [
            Cell("mean_lab", words.BLOCKS["mean_lab"], "AVERAGE({lab})", unit="mg/kg",
                 result=means[0]),
            Cell("mean_field", words.BLOCKS["mean_field"], "AVERAGE({field})", unit="mg/kg",
                 result=means[1]),
            Cell("sxx", words.BLOCKS["sxx"], "DEVSQ({lab})", result=sums[0]),
            Cell("syy", words.BLOCKS["syy"], "DEVSQ({field})", result=sums[1]),
            Cell("sxy", words.BLOCKS["sxy"],
                 "SUMPRODUCT({lab}-{mean_lab},{field}-{mean_field})", result=sums[2]),
            *_bias(figures, used),
            *_limits(figures, s),
            *_least_squares(figures, s.difference_scale == "log ratio", used),
            *_scatter(figures, s),
            *_deming(figures, sums),
        ]  # fmt: skip
    out += _levels(figures, s)
    return out


_HEADINGS = (
    Column(words.COLUMNS["no"], "integer", 6),
    Column(words.COLUMNS["stratum"], width=28),
    Column(words.COLUMNS["figure"], width=58),
    Column(words.COLUMNS["in_cells"], "number", 18),
    Column(words.COLUMNS["program"], "number", 18),
    Column(words.COLUMNS["difference"], "number", 14),
    Column(words.COLUMNS["relative_difference"], "number", 14),
    Column(words.COLUMNS["agrees"], width=9),
    Column(words.COLUMNS["unit"], width=9),
    Column(words.COLUMNS["stratum_whole_key"], width=40),
)
_TOP_ROW = 6


def recomputed(
    sheet: Sheet, results: tuple[StratumResult, ...], blocks: Mapping[str, Block]
) -> None:
    """Write the sheet; strata whose pairs the workbook does not hold are left out."""
    sheets.title(sheet, 1, words.RECOMPUTED_TITLE)
    sheets.line(sheet, 2, words.RECOMPUTED_HOW, words.RECOMPUTED_INTRO, across=8)
    sheet.heights[2] = 56
    sheets.head(sheet, _HEADINGS, _TOP_ROW)
    row, compared = _TOP_ROW, 0
    left_out = []
    for x in results:
        block = blocks.get(x.stratum.key)
        if block is None:
            left_out.append(x.stratum.label)
            continue
        row, more = _block(sheet, x, block, row)
        compared += more
    first, last = _TOP_ROW + 1, max(row, _TOP_ROW + 1)
    for line, label, formula, result, look in (
        (3, words.RECOMPUTED_TOLERANCE, repr(TOLERANCE), TOLERANCE, _SMALL),
        (4, words.RECOMPUTED_CELLS, f"COUNT(E{first}:E{last})", compared, _WHOLE),
        (5, words.RECOMPUTED_AGREE, f'COUNTIF(H{first}:H{last},"yes")', compared, _WHOLE),
    ):
        sheet.text(line, 1, label, sheets.LABEL)
        sheet.formula(line, 4, formula, result, look)
    if left_out:
        text = words.RECOMPUTED_LEFT_OUT.format(strata="; ".join(left_out))
        sheet.text(row + 2, 2, text)
    sheets.freeze(sheet, _TOP_ROW + 1, 4)
    sheet.worksheet.auto_filter.ref = f"A{_TOP_ROW}:{get_column_letter(len(_HEADINGS))}{last}"
    sheet.worksheet.print_title_rows = f"{_TOP_ROW}:{_TOP_ROW}"
    sheets.shade(sheet, f"H{first}:H{last}", f'H{first}="no"', fill="F2B8B5", bold=True)


_RIGHT = Look(across="right")
_SMALL = Look("0.0E+00", across="right")
_WHOLE = Look("0")
_GENERAL = Look("0.000000000E+00")


def _number(value: float) -> Look:
    size = abs(value)
    return Look() if size == 0 or 1e-4 <= size < 1e9 else _GENERAL


def _block(sheet: Sheet, x: StratumResult, block: Block, row: int) -> tuple[int, int]:
    """The rows of one stratum: the last one's number, and how many are compared."""
    known = {name: f"{name}_{block.number:03d}" for name in RANGES}
    compared, label, key = 0, x.stratum.label, x.stratum.key
    for cell in cells_of(x):
        row += 1
        formula = cell.formula.format(**known)
        known[cell.name] = f"$D${row}"
        sheets.put(sheet, row, 1, block.number, "integer")
        for place, text in ((2, label), (3, cell.label), (9, cell.unit)):
            sheets.put(sheet, row, place, text)
        sheets.put(sheet, row, 10, key)
        sheet.formula(row, 4, formula, cell.shown, _number(cell.shown))
        if not math.isfinite(cell.engine):
            continue
        compared += 1
        sheet.number(row, 5, float(cell.engine), _number(cell.engine))
        sheet.formula(row, 6, f"D{row}-E{row}", 0, _SMALL)
        relative = f"IF(D{row}=E{row},0,ABS(D{row}-E{row})/MAX(ABS(D{row}),ABS(E{row})))"
        sheet.formula(row, 7, relative, 0, _SMALL)
        sheet.formula(row, 8, f'IF(G{row}<=$D$3,"yes","no")', "yes", _RIGHT)
    return row, compared


#: Names that formulas may use for ranges.
RANGES = ("lab", "field", *(name for name, _, _ in HELPERS), *WHOLE)
