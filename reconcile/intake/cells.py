"""Result cells: text -> number, qualifier and limit, a column at a time.

The common shapes (plain numbers, '<5') are parsed by Arrow without a loop over cells;
each other text is parsed once by ``parse_text``, however often it stands in the column.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.characters import fold, fold_name, unread
from reconcile.base.quantities import parse_unit, unit_question
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED
from reconcile.intake.vocabulary import word_set

FloatArray = npt.NDArray[np.float64]
EMPTY = -1  # internal code for an empty cell
REFUSED = -2  # internal code for a cell that goes to quarantine

BELOW_WORDS = word_set(
    """
    lod <lod <lld <dl <mdl <loq <lor <idl <pql <det <detection <detectionlimit nd n.d. n.d
    bdl b.d.l. b.d.l bld bd b.d. b.d bdl. notdetected undetected belowdetection
    belowdetectionlimit belowlimit belowlod underrange tr tr. trace traces < <limit lld
    """
)
ABOVE_WORDS = word_set(
    """
    overrange overlimit aboverange abovelimit >uloq >udl >range >
    """
)
NO_RESULT_WORDS = word_set(
    """
    is i.s. i.s insufficientsample insufficient insuff insuf insufficientmass nss n.s.s.
    ns n.s. n/s nosample na n/a n.a. n.a notanalysed notanalyzed notapplicable
    notavailable nr n/r n.r. notreported notrequested notdetermined - -- --- – — null none
    nan #n/a pending lnr listednotreceived samplenotreceived notreceived lost missing
    noresult void
    """
)
_EXCEL_ERRORS = word_set(
    """
    #div/0! #ref! #value! #name? #num! #null! #getting_data #spill! #calc!
    """
)

_PLAIN = r"^-?([0-9]{1,40}(\.[0-9]{0,40})?|\.[0-9]{1,40})([eE][+-]?[0-9]{1,2})?$"
_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?P<body>[0-9][0-9.,' ]*|[.,][0-9]+)(?P<exponent>(?:[eE][+-]?[0-9]{1,4})?)"
)
_COMPARED = re.compile(r"(?P<mark><=?|>=?|≤|≥|<<|>>)\s*(?P<rest>.*)", re.S)
_BELOW_WITH_LIMIT = re.compile(
    r"<?\s*(?:lod|lld|dl|mdl|loq|lor|nd|bdl)\s*[:=(]?\s*<?\s*(?P<rest>[0-9.,][^()]*)\)?", re.I
)
#: '× 10^3' and '× 10³'. '× 103' may be either a product or a power that lost its place.
_POWER = re.compile(
    r"\s*[x×*·]\s*10(?:\s*\^\s*(?P<power>[+-]?[0-9]{1,3})|(?P<raised>[⁺⁻]?[⁰¹²³⁴-⁹]{1,3}))$"
)
_ON_THE_LINE = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "0123456789+-")
#: Smaller numbers are no results and leave what a computer can hold: 1e-400 would become 0.
SMALLEST = 1e-290
DecimalMark = Literal["", ".", ","]


@dataclass(frozen=True, slots=True)
class CellFormat:
    """How cells of one table are read."""

    decimal_mark: DecimalMark = "."  # "" where the file does not tell
    below_words: frozenset[str] = BELOW_WORDS
    no_result_words: frozenset[str] = NO_RESULT_WORDS
    above_words: frozenset[str] = ABOVE_WORDS

    @classmethod
    def of(
        cls, mark: DecimalMark, below: tuple[str, ...] = (), no_result: tuple[str, ...] = ()
    ) -> CellFormat:
        """The usual words, and further ones from the settings (which win)."""
        more_below = frozenset(_word(w) for w in below)
        more_none = frozenset(_word(w) for w in no_result)
        return cls(
            mark,
            (BELOW_WORDS - more_none) | more_below,
            (NO_RESULT_WORDS - more_below) | more_none,
            ABOVE_WORDS - more_below - more_none,
        )


@dataclass(frozen=True, slots=True)
class CellText:
    """One cell, understood. ``code`` is a qualifier code, EMPTY or REFUSED."""

    code: int
    value: float = math.nan
    limit: float = math.nan
    to_mg_kg: float = math.nan  # of the unit that stands in the cell; NaN where none
    reason: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Cells:
    """One column, understood; arrays of equal length, in the column's own unit."""

    code: npt.NDArray[np.int8]  # qualifier codes, EMPTY, REFUSED
    value: FloatArray  # NaN where not quantified
    limit: FloatArray | None  # NaN where none; None: no limit in the whole column
    own_unit: FloatArray | None  # factor to mg/kg of units that stand in cells, NaN where none
    odd: npt.NDArray[np.int64]  # positions of texts other than a number, or '<' and a number
    refused: dict[int, tuple[str, str]] = field(default_factory=dict)  # position: reason, advice


def _word(text: str) -> str:
    return re.sub(r"\s+", "", fold_name(text)).lower()


def parse_text(text: str | None, rules: CellFormat) -> CellText:
    """What one cell says."""
    if text is None:
        return CellText(EMPTY)
    if len(text) > 200:
        return CellText(
            REFUSED, reason="the cell is far too long for a result", advice="Check the file."
        )
    plain = fold(text).strip().strip('"').strip()
    if not plain:
        return CellText(EMPTY)
    word = _word(plain)
    if word in rules.below_words:
        return CellText(BELOW)
    if word in rules.no_result_words:
        return CellText(NO_RESULT)
    if word in rules.above_words:
        return CellText(ABOVE)
    if word in _EXCEL_ERRORS:
        return CellText(
            REFUSED,
            reason=f"the spreadsheet holds the error {plain}",
            advice="Mend the formula in the file, or ask for the number.",
        )
    limited = _BELOW_WITH_LIMIT.fullmatch(plain)
    if limited:
        inner = parse_quantity(limited["rest"], rules)
        if inner.code == QUANTIFIED and inner.value >= 0:
            return CellText(BELOW, limit=inner.value, to_mg_kg=inner.to_mg_kg)
    compared = _COMPARED.fullmatch(plain)
    if compared:
        below = compared["mark"][0] in "<≤"
        rest = compared["rest"]
        if _word(rest) in rules.below_words:
            return CellText(BELOW)
        inner = parse_quantity(rest, rules)
        if inner.code != QUANTIFIED:
            return CellText(
                REFUSED, reason=inner.reason or "no number after the sign", advice=inner.advice
            )
        if inner.value < 0:
            return CellText(REFUSED, reason="a limit can't be negative", advice="Ask the lab.")
        return CellText(BELOW if below else ABOVE, limit=inner.value, to_mg_kg=inner.to_mg_kg)
    return parse_quantity(plain, rules)


def parse_quantity(text: str, rules: CellFormat) -> CellText:
    """A number with an optional unit behind it."""
    plain = fold(text).strip().replace("’", "'")
    power = _POWER.search(plain)
    if power:
        exponent = power["power"] or power["raised"].translate(_ON_THE_LINE)
        plain = f"{plain[: power.start()]}e{exponent}"
    match = _NUMBER.match(plain)
    if match is None:
        return _refused(text)
    body, rest = match["body"].rstrip(" "), plain[match.end() :].strip()
    number, why = _number(body, rules.decimal_mark)
    if number is None:
        return CellText(REFUSED, reason=why, advice="Set cells.decimal_mark, or mend the cell.")
    value = float(f"{match['sign']}{number}{match['exponent']}")
    if not math.isfinite(value):
        return CellText(REFUSED, reason="the number is too large to be one", advice="Mend it.")
    if abs(value) < SMALLEST and re.search("[1-9]", number):
        return CellText(REFUSED, reason="the number is too small to be one", advice="Mend it.")
    if not rest:
        return CellText(QUANTIFIED, value)
    unit = parse_unit(rest)
    if unit is None or unit.is_solution:
        question = unit_question(rest)
        if question:
            return CellText(REFUSED, reason=f"unit '{rest}': {question}", advice="Mend the cell.")
        return _refused(text)
    return CellText(QUANTIFIED, value, to_mg_kg=unit.to_mg_kg)


def _refused(text: str) -> CellText:
    short = text if len(text) <= 40 else text[:37] + "..."
    if strange := unread(text):
        return CellText(
            REFUSED,
            reason=f"'{short}' holds {strange}, which is not read as a digit of the number",
            advice="Write the number on one line in plain digits, without marks of footnotes.",
        )
    return CellText(
        REFUSED,
        reason=f"'{short}' is neither a number nor a known word for a missing result",
        advice="Mend the cell, or name the word in cells.below_words or cells.no_result_words.",
    )


def _number(body: str, mark: str) -> tuple[str | None, str]:
    """The digits with a decimal point; None and why where the marks can't be read."""
    if body.isdigit():
        return body, ""
    points, commas = body.count("."), body.count(",")
    groups = body.replace("'", " ")
    if " " in groups:
        head = re.split(r"[.,]", groups, maxsplit=1)[0]
        if not re.fullmatch(r"[0-9]{1,3}( [0-9]{3})+", head) or " " in groups[len(head) :]:
            return None, f"'{body}': blanks between digits that are no thousands"
        body = groups.replace(" ", "")
        if body.isdigit():
            return body, ""
        points, commas = body.count("."), body.count(",")
    if points and commas:
        last = max(body.rfind("."), body.rfind(","))
        decimal, thousand = body[last], "," if body[last] == "." else "."
        if body.count(decimal) > 1 or (mark and decimal != mark):
            return None, f"'{body}': decimal mark and thousands mark contradict each other"
        if not re.fullmatch(rf"[0-9]{{1,3}}(\{thousand}[0-9]{{3}})+", body[:last]):
            return None, f"'{body}': the thousands are not in threes"
        return body[:last].replace(thousand, "") + "." + body[last + 1 :], ""
    sign = "." if points else ","
    count = points or commas
    grouped = re.fullmatch(rf"[1-9][0-9]{{0,2}}(\{sign}[0-9]{{3}})+", body)
    if count > 1:
        if grouped and sign != mark:
            return body.replace(sign, ""), ""
        return None, f"'{body}': more than one decimal mark"
    if mark == sign or (not mark and not grouped):
        return body.replace(",", "."), ""
    if not mark:
        if sign == ".":
            return body, ""  # a point is a decimal point unless the file speaks against it
        return None, f"'{body}' may be a decimal comma or a thousands comma"
    if grouped:
        return body.replace(sign, ""), ""
    return None, f"'{body}': '{sign}' here, but '{mark}' is the decimal mark of this file"


_EVIDENCE_COMMA = re.compile(r"[<>≤≥]?\s*[+-]?(?:[0-9.' ]*[0-9])?,(?:[0-9]{1,2}|[0-9]{4,}|)\s*%?")
_EVIDENCE_COMMA_ZERO = re.compile(r"[<>≤≥]?\s*[+-]?0,[0-9]+(?:[eE][+-]?[0-9]+)?\s*%?")
_EVIDENCE_COMMA_GROUP = re.compile(r"[<>≤≥]?\s*[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+\s*%?")
_EVIDENCE_POINT = re.compile(
    r"[<>≤≥]?\s*[+-]?(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)\.(?:[0-9]{1,2}|[0-9]{4,}|)"
    r"(?:[eE][+-]?[0-9]+)?\s*%?"
)
_EVIDENCE_POINT_ZERO = re.compile(r"[<>≤≥]?\s*[+-]?0?\.[0-9]+(?:[eE][+-]?[0-9]+)?\s*%?")
_EVIDENCE_POINT_GROUP = re.compile(r"[<>≤≥]?\s*[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+\s*%?")


def decimal_evidence(texts: list[str]) -> tuple[int, int]:
    """How many of these texts can only be read with a point, and with a comma."""
    point = comma = 0
    for text in texts:
        if len(text) > 40:
            continue
        text = fold(text).strip()
        if "," in text and (
            _EVIDENCE_COMMA.fullmatch(text)
            or _EVIDENCE_COMMA_ZERO.fullmatch(text)
            or _EVIDENCE_COMMA_GROUP.fullmatch(text)
        ):
            comma += 1
        elif "." in text and (
            _EVIDENCE_POINT.fullmatch(text)
            or _EVIDENCE_POINT_ZERO.fullmatch(text)
            or _EVIDENCE_POINT_GROUP.fullmatch(text)
        ):
            point += 1
    return point, comma


def _floats(column: Any) -> FloatArray | None:
    """The column as floats (NaN for null), or None where some cell is no plain number."""
    try:
        cast = pc.cast(column, pa.float64())
    except pa.ArrowInvalid:
        return None
    values: FloatArray = cast.to_numpy(zero_copy_only=False)
    if np.isinf(values).any() or np.isnan(values).sum() != column.null_count:
        return None  # 'inf' and 'nan' are words, not numbers
    near_zero = (values < SMALLEST) & (values > -SMALLEST)
    if near_zero.any():
        texts = pc.unique(column.filter(pa.array(near_zero)))
        if pc.any(pc.match_substring_regex(texts, r"^[^eE]*[1-9]")).as_py():
            return None  # '1e-400' is no 0
    return values


def plain_number(text: str) -> float | None:
    """A number without unit or sign of comparison, as settings state them; None for others."""
    cell = parse_text(text, CellFormat())
    alone = cell.code == QUANTIFIED and math.isnan(cell.to_mg_kg)
    return cell.value if alone else None


#: Rows parsed at once: temporaries then stay in the processor's cache.
SLICE = 1 << 16


def parse_column(column: pa.Array, rules: CellFormat) -> Cells:
    """Parse one column of text (null = empty) the quick way where cells allow it.

    Gives the same as ``parse_text`` on each cell.
    """
    n = len(column)
    if n <= SLICE:
        return _parse_slice(column, rules)
    code, value = np.empty(n, np.int8), np.empty(n)
    limit: FloatArray | None = None
    own: FloatArray | None = None
    odd: list[npt.NDArray[np.int64]] = []
    refused: dict[int, tuple[str, str]] = {}
    for start in range(0, n, SLICE):
        part = _parse_slice(column.slice(start, SLICE), rules)
        here = slice(start, start + len(part.code))
        code[here], value[here] = part.code, part.value
        if part.limit is not None:
            limit = np.full(n, np.nan) if limit is None else limit
            limit[here] = part.limit
        if part.own_unit is not None:
            own = np.full(n, np.nan) if own is None else own
            own[here] = part.own_unit
        if len(part.odd):
            odd.append(part.odd + start)
        refused.update({start + at: why for at, why in part.refused.items()})
    places = np.concatenate(odd) if odd else np.empty(0, np.int64)
    return Cells(code, value, limit, own, places, refused)


def _parse_slice(column: pa.Array, rules: CellFormat) -> Cells:
    n = len(column)
    if column.null_count == n:
        return _finished(np.full(n, EMPTY, np.int8), np.full(n, np.nan), None, [])
    if rules.decimal_mark != ",":
        values = _floats(column)
        if values is not None:
            code = _codes(column)
            return Cells(code, _writable(values), None, None, np.empty(0, np.int64))
    trimmed = pc.utf8_trim_whitespace(column)
    blank = pc.equal(trimmed, "")
    if pc.any(blank).as_py():
        trimmed = pc.if_else(blank, pa.scalar(None, pa.string()), trimmed)
    code = np.full(n, EMPTY, np.int8)
    value = np.full(n, np.nan)
    odd_parts: list[npt.NDArray[np.int64]] = []
    if rules.decimal_mark == ",":
        # a point in such a file is a thousands mark: leave those cells to parse_text
        pointed = pc.fill_null(pc.match_substring(trimmed, "."), False)
        easy_text = pc.if_else(
            pointed, pa.scalar(None, pa.string()), pc.replace_substring(trimmed, ",", ".")
        )
    else:
        easy_text = trimmed
    below = pc.fill_null(pc.starts_with(easy_text, "<"), False)
    easy = pc.if_else(below, pa.scalar(None, pa.string()), easy_text)
    values = _floats(easy)
    if values is not None:
        easy_at = _true(pc.is_valid(easy))
        value[easy_at] = values[easy_at]
        code[easy_at] = QUANTIFIED
    else:
        matched = pc.fill_null(pc.match_substring_regex(easy, _PLAIN), False)
        picked = _floats(pc.if_else(matched, easy, pa.scalar(None, pa.string())))
        if picked is not None:
            easy_at = _true(matched)
            value[easy_at] = picked[easy_at]
            code[easy_at] = QUANTIFIED
    limit: FloatArray | None = None
    below_at = _true(below)
    if len(below_at):
        # '<.5' and '<5': the number behind the sign; anything else goes through parse_text
        behind = pc.utf8_ltrim_whitespace(pc.utf8_slice_codeunits(easy_text.filter(below), 1))
        matched = pc.match_substring_regex(behind, _UNSIGNED)
        numbers = _floats(pc.if_else(matched, behind, pa.scalar(None, pa.string())))
        if numbers is not None:
            good = ~np.isnan(numbers)
            limit = np.full(n, np.nan)
            limit[below_at[good]] = numbers[good]
            code[below_at[good]] = BELOW
    filled = pc.is_valid(trimmed).to_numpy(zero_copy_only=False)
    rest = np.flatnonzero(filled & (code == EMPTY))
    own: FloatArray | None = None
    if len(rest) > 200 and rules.decimal_mark != ",":
        own = _with_units(trimmed, rest, code, value)
        if own is not None:
            odd_parts.append(np.flatnonzero(~np.isnan(own)))
            rest = np.flatnonzero(filled & (code == EMPTY))
    refused: dict[int, tuple[str, str]] = {}
    if len(rest):
        texts = trimmed.take(pa.array(rest)).dictionary_encode()
        places = texts.indices.to_numpy(zero_copy_only=False)
        understood = [parse_text(t, rules) for t in texts.dictionary.to_pylist()]
        codes = np.array([u.code for u in understood], np.int8)[places]
        code[rest] = codes
        value[rest] = np.array([u.value for u in understood])[places]
        limits = np.array([u.limit for u in understood])
        if not np.isnan(limits).all():
            limit = np.full(n, np.nan) if limit is None else limit
            limit[rest] = limits[places]
        units = np.array([u.to_mg_kg for u in understood])
        if not np.isnan(units).all():
            own = np.full(n, np.nan) if own is None else own
            own[rest] = units[places]
        for at in np.flatnonzero(codes == REFUSED):
            item = understood[places[at]]
            refused[int(rest[at])] = (item.reason, item.advice)
        odd_parts.append(rest)
    return _finished(code, value, limit, odd_parts, own, refused)


_WITH_UNIT = (
    r"^(?P<number>-?[0-9]{1,40}(?:\.[0-9]{0,40})?)\s*(?P<unit>[^0-9\s.,'’eE×*·-][^0-9]{0,20})$"
)


def _with_units(
    trimmed: pa.Array, rest: npt.NDArray[np.int64], code: npt.NDArray[np.int8], value: FloatArray
) -> FloatArray | None:
    """Numbers with a unit behind them, all at once; the factors, or None where there are none."""
    found = pc.extract_regex(trimmed.take(pa.array(rest)), _WITH_UNIT)
    names = pc.struct_field(found, "unit").dictionary_encode()
    factors = []
    for name in names.dictionary.to_pylist():
        unit = parse_unit(name)
        factors.append(np.nan if unit is None or unit.is_solution else unit.to_mg_kg)
    if not factors:
        return None
    valid = pc.is_valid(names).to_numpy(zero_copy_only=False)
    places = pc.fill_null(names.indices, 0).to_numpy(zero_copy_only=False)
    factor = np.where(valid, np.array(factors)[places], np.nan)
    numbers = _floats(pc.struct_field(found, "number"))
    good = ~np.isnan(factor)
    if numbers is None or not good.any():
        return None
    at = rest[good]
    own = np.full(len(code), np.nan)
    own[at], code[at], value[at] = factor[good], QUANTIFIED, numbers[good]
    return own


_UNSIGNED = r"^([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,2})?$"


def _finished(
    code: npt.NDArray[np.int8],
    value: FloatArray,
    limit: FloatArray | None,
    odd: list[npt.NDArray[np.int64]],
    own: FloatArray | None = None,
    refused: dict[int, tuple[str, str]] | None = None,
) -> Cells:
    places = np.sort(np.concatenate(odd)) if odd else np.empty(0, np.int64)
    return Cells(code, value, limit, own, places, refused or {})


def _codes(column: pa.Array) -> npt.NDArray[np.int8]:
    if column.null_count == 0:
        return np.zeros(len(column), np.int8)
    valid = pc.is_valid(column).to_numpy(zero_copy_only=False)
    return np.where(valid, np.int8(QUANTIFIED), np.int8(EMPTY)).astype(np.int8)


def _writable(values: FloatArray) -> FloatArray:
    return values if values.flags.writeable else values.copy()


def _true(mask: Any) -> npt.NDArray[np.int64]:
    return np.flatnonzero(mask.to_numpy(zero_copy_only=False))
