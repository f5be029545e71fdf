"""The sheet that recomputes every headline figure in cells, from the pair sheet by formulas.

Only functions that spreadsheet programs have had for long: no dynamic arrays, no macros.
Each stratum is a block of named ranges (``lab_001``, ``field_001`` …) over its used pairs;
each figure stands beside the program's value with their difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.base.model import StratumResult, StratumStatistics
from reconcile.reporting import words
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key
from reconcile.reporting.render import sheets
from reconcile.reporting.render.sheets import Column

#: Relative difference up to which a cell and the program agree.
TOLERANCE = 1e-9
#: Rank of one used pair's value among all of its stratum, ties averaged.
_RANK = "SUMPRODUCT(--({{{side}_all}}<{{{side}}}))+(SUMPRODUCT(--({{{side}_all}}={{{side}}}))+1)/2"
#: Helper columns of the pair sheet: name, heading, formula over the cells of one used pair.
HELPERS: tuple[tuple[str, str, str], ...] = (
    ("difference", words.HELPERS["difference"], "{field}-{lab}"),
    ("relative", words.HELPERS["relative"], 'IF({lab}>0,({field}-{lab})/{lab},"")'),
    (
        "to_mean",
        words.HELPERS["to_mean"],
        'IF({lab}+{field}>0,({field}-{lab})/(({lab}+{field})/2),"")',
    ),
    (
        "ln_ratio",
        words.HELPERS["ln_ratio"],
        'IF(AND({lab}>0,{field}>0),LN({field})-LN({lab}),"")',
    ),
    ("log_lab", words.HELPERS["log_lab"], 'IF({lab}>0,LOG10({lab}),"")'),
    ("log_field", words.HELPERS["log_field"], 'IF({field}>0,LOG10({field}),"")'),
    ("rank_lab", words.HELPERS["rank_lab"], _RANK.format(side="lab")),
    ("rank_field", words.HELPERS["rank_field"], _RANK.format(side="field")),
)
#: Every pair is ranked against every other; in larger strata ranks take a spreadsheet too long.
MOST_RANKED = 2000
RANKS = ("rank_lab", "rank_field")
#: One pair more: does it count at a decision level? Endings as the reasons have them.
_LIMIT_ONLY = ("outside its limits", "outside their limits")
COUNTS = (
    'IF(AND(OR({used}="yes",'
    + ",".join(f'RIGHT({{reason}},{len(end)})="{end}"' for end in _LIMIT_ONLY)
    + '),ISNUMBER({lab_low}),{lab_high}<>"",ISNUMBER({field_low}),{field_high}<>""),1,0)'
)
#: Named ranges over all pairs of a stratum, not only the used ones.
WHOLE = ("used", "lab_low", "lab_high", "field_low", "field_high", "counts")


@dataclass(frozen=True, slots=True)
class Block:
    """Where a stratum's pairs stand: the used ones first."""

    number: int
    first: int
    used: int  # rows from ``first`` on that hold used pairs
    last: int


@dataclass(frozen=True, slots=True)
class Cell:
    """One number to be recomputed: formula with {names} of ranges and of earlier cells."""

    name: str
    label: str
    formula: str
    engine: float = math.nan
    unit: str = ""


def define_names(
    book: Workbook, pairs: Worksheet, block: Block, columns: Mapping[str, int]
) -> None:
    """Named ranges of one stratum; ``columns`` gives the column number of each name."""
    title = quote_sheetname(pairs.title)
    for name, place in columns.items():
        last = block.last if name in WHOLE else block.first + block.used - 1
        if last < block.first:
            continue
        letter = get_column_letter(place)
        full = f"{name}_{block.number:03d}"
        book.defined_names[full] = DefinedName(
            full, attr_text=f"{title}!${letter}${block.first}:${letter}${last}"
        )


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


def _bias(figures: Mapping[str, Figure]) -> Iterator[Cell]:
    for key, name in (("mean_difference", "difference"), ("mean_relative_difference", "relative")):
        f = figures[key]
        yield from _one(f, f"AVERAGE({{{name}}})")
        yield from _interval(f, f"{{{key}}}", f"_xlfn.STDEV.S({{{name}}})/SQRT({{n}})", "{n}-1")
    ratio = figures["geometric_mean_ratio"]
    if not math.isfinite(ratio.value):
        return
    yield Cell("mean_ln", words.BLOCKS["mean_ln"], "AVERAGE({ln_ratio})")
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


def _robust(figures: Mapping[str, Figure], key: str, xs: str, ys: str) -> Iterator[Cell]:
    """Intervals that allow any scatter (HC3), t with degrees of freedom of their own.

    The quantile of t comes from the beta distribution: that of t takes whole degrees only.
    """
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
        yield Cell(f"{name}_v", words.BLOCKS["robust_v"].format(of=f.label),
                   f"SUMPRODUCT({part}^2)")  # fmt: skip
        yield Cell(f"{name}_k", words.BLOCKS["robust_k"].format(of=f.label),
                   f"{{n}}*SUMPRODUCT({part}^4)/{{{name}_v}}^2-1")  # fmt: skip
        yield Cell(
            f"{name}_df", words.BLOCKS["robust_df"].format(of=f.label),
            f"IF({{{name}_k}}>0,MIN({{n}}-2,2*{{n}}/MAX({{{name}_k}},1E-300)),{{n}}-2)",
        )  # fmt: skip
        beta = f"_xlfn.BETA.INV(1-{f.level!r},{{{name}_df}}/2,0.5)"
        yield Cell(f"{name}_t", words.BLOCKS["robust_t"].format(of=f.label),
                   f"SQRT({{{name}_df}}*(1/{beta}-1))")  # fmt: skip
        for end, value, sign in (("low", f.low, "-"), ("high", f.high, "+")):
            label = f"{f.label}, {words.INTERVAL_END[end]}"
            formula = f"{{{name}}}{sign}{{{name}_t}}*SQRT({{{name}_v}})"
            yield Cell(f"{name}_{end}", label, formula, value, f.base_unit)


def _least_squares(figures: Mapping[str, Figure], any_scatter: bool) -> Iterator[Cell]:
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
            yield from _robust(figures, key, xs, ys)
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
    yield Cell("near", words.BLOCKS["near"], near)
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


def _deming(figures: Mapping[str, Figure]) -> Iterator[Cell]:
    slope = figures["deming_slope"]
    lam = figures["error_ratio"].value
    if not (math.isfinite(slope.value) and math.isfinite(lam)):
        return
    yield Cell("lambda", words.BLOCKS["lambda"], f"{lam!r}")
    yield Cell("deming_d", words.BLOCKS["deming_d"], "{syy}-{lambda}*{sxx}")
    yield Cell("deming_root", words.BLOCKS["deming_root"],
               "SQRT({deming_d}^2+4*{lambda}*{sxy}^2)")  # fmt: skip
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
        yield Cell(f"{key}_at", figures[f"{key}_value"].label, f"{level.level!r}", unit="mg/kg")
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


def cells_of(s: StratumStatistics) -> list[Cell]:
    """Every number of one stratum that cells can recompute, in the order of the sheet."""
    figures = by_key(s)
    count = 'COUNTIF({used},"yes")' if s.n_pairs else "0"
    out = [Cell("n", words.BLOCKS["n"], count, float(s.n_used))]
    if s.n_used:
        out += [
            Cell("mean_lab", words.BLOCKS["mean_lab"], "AVERAGE({lab})", unit="mg/kg"),
            Cell("mean_field", words.BLOCKS["mean_field"], "AVERAGE({field})", unit="mg/kg"),
            Cell("sxx", words.BLOCKS["sxx"], "DEVSQ({lab})"),
            Cell("syy", words.BLOCKS["syy"], "DEVSQ({field})"),
            Cell("sxy", words.BLOCKS["sxy"],
                 "SUMPRODUCT({lab}-{mean_lab},{field}-{mean_field})"),
            *_bias(figures),
            *_limits(figures, s),
            *_least_squares(figures, s.difference_scale == "log ratio"),
            *_scatter(figures, s),
            *_deming(figures),
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
    sheet: Worksheet, results: tuple[StratumResult, ...], blocks: Mapping[str, Block]
) -> None:
    """Write the sheet; strata whose pairs the workbook does not hold are left out."""
    sheets.title(sheet, 1, words.RECOMPUTED_TITLE)
    sheets.line(sheet, 2, words.RECOMPUTED_HOW, words.RECOMPUTED_INTRO, across=8)
    sheet.row_dimensions[2].height = 56
    sheets.head(sheet, _HEADINGS, _TOP_ROW)
    row = _TOP_ROW
    left_out = []
    for x in results:
        block = blocks.get(x.stratum.key)
        if block is None:
            left_out.append(x.stratum.label)
            continue
        row = _block(sheet, x, block, row)
    first = _TOP_ROW + 1
    for line, label, formula in (
        (3, words.RECOMPUTED_TOLERANCE, f"={TOLERANCE!r}"),
        (4, words.RECOMPUTED_CELLS, f"=COUNT(E{first}:E{max(row, first)})"),
        (5, words.RECOMPUTED_AGREE, f'=COUNTIF(H{first}:H{max(row, first)},"yes")'),
    ):
        sheets.put_text(sheets.at(sheet, line, 1), label)
        sheets.at(sheet, line, 1).font = _BOLD
        cell = sheets.at(sheet, line, 4)
        cell.value = formula
        cell.number_format = "0.0E+00" if line == 3 else "0"
    if left_out:
        text = words.RECOMPUTED_LEFT_OUT.format(strata="; ".join(left_out))
        sheets.put_text(sheets.at(sheet, row + 2, 2), text)
    sheets.freeze(sheet, _TOP_ROW + 1, 4)
    sheet.auto_filter.ref = f"A{_TOP_ROW}:{get_column_letter(len(_HEADINGS))}{max(row, first)}"
    sheet.print_title_rows = f"{_TOP_ROW}:{_TOP_ROW}"


_BOLD = Font(name="Calibri", size=10, bold=True)
_RIGHT = Alignment(horizontal="right", vertical="top")
_GENERAL = "0.000000000E+00"


def _number(value: float) -> str:
    size = abs(value)
    return "General" if size == 0 or 1e-4 <= size < 1e9 else _GENERAL


def _block(sheet: Worksheet, x: StratumResult, block: Block, row: int) -> int:
    known = {name: f"{name}_{block.number:03d}" for name in RANGES}
    for cell in cells_of(x.statistics):
        row += 1
        formula = sheets.at(sheet, row, 4)
        formula.value = "=" + cell.formula.format(**known)
        known[cell.name] = f"$D${row}"
        sheets.put(sheets.at(sheet, row, 1), block.number, "integer")
        for place, text in ((2, x.stratum.label), (3, cell.label), (9, cell.unit)):
            sheets.put(sheets.at(sheet, row, place), text, "text")
        sheets.put(sheets.at(sheet, row, 10), x.stratum.key, "text")
        formula.number_format = "General"
        if not math.isfinite(cell.engine):
            continue
        engine = sheets.at(sheet, row, 5)
        engine.value = float(cell.engine)
        engine.number_format = _number(cell.engine)
        formula.number_format = engine.number_format
        for place, text, form in (
            (6, f"=D{row}-E{row}", "0.0E+00"),
            (7, f"=IF(D{row}=E{row},0,ABS(D{row}-E{row})/MAX(ABS(D{row}),ABS(E{row})))", "0.0E+00"),
            (8, f'=IF(G{row}<=$D$3,"yes","no")', "General"),
        ):
            target = sheets.at(sheet, row, place)
            target.value, target.number_format = text, form
            target.alignment = _RIGHT
    return row


#: Names that formulas may use for ranges.
RANGES = ("lab", "field", *(name for name, _, _ in HELPERS), *WHOLE)
