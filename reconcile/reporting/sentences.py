"""The sentences about a stratum, digit for digit those of its table."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache

import pandas as pd

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.further import Further
from reconcile.base.model.release import Reconciliation
from reconcile.base.model.singles import Scatter
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import refused_counts
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    LABORATORY_ONLY,
    CorrectionFactor,
    Verdict,
)
from reconcile.judgement import many
from reconcile.reporting import answers, words
from reconcile.reporting.figure import Figure, several
from reconcile.reporting.figures import by_key
from reconcile.reporting.numbers import (
    NONE,
    count,
    interval_of_numbers,
    percent,
    plain,
    plain_sig,
    unit_name,
)

_ORDINARY_NAME = re.compile(r"[^\W\d_][\w ,-]{0,39}")
_SPACE = "\N{NO-BREAK SPACE}"


def line_name(method: str) -> str:
    """The name of a fitted line as printed."""
    return words.LINE_NAMES.get(method.lower(), method)


@cache
def element_name(symbol: str) -> str:
    """The element's name, or the symbol where it is none."""
    from periodictable import elements

    try:
        name = str(elements.symbol(symbol).name)
    except ValueError:
        return symbol
    return words.ELEMENT_NAMES.get(name, name)


def _samples(n: int, matrix: str) -> str:
    if matrix and _ORDINARY_NAME.fullmatch(matrix):
        one, many = (noun.format(matrix=matrix) for noun in words.MATRIX_SAMPLES)
        return count(n, one, many)
    counted = count(n, *words.SAMPLES)
    if not matrix:
        return counted
    cut = matrix if len(matrix) <= 60 else f"{matrix[:60]}…"
    return words.SAMPLES_OF_MATRIX.format(samples=counted, matrix=cut)


def _size(text: str) -> str:
    """A signed number as a size: the sign is said in words."""
    return text.lstrip("+-")


def _side(text: str) -> str:
    """On which side of the laboratory a signed number stands."""
    if not re.search("[1-9∞]", text):
        return words.LEVEL_WITH
    return words.BELOW if text.startswith("-") else words.ABOVE


def _sided(size: str, unit: str, side: str) -> str:
    """ "12 % above"."""
    return words.SIDED.format(size=f"{_size(size)}{_SPACE}{unit}", side=side)


def from_the_lab(text: str, unit: str) -> str:
    """ "-0.39" as "0.39 mass % below", "0.0" as "0.0 mass % from"."""
    side = _side(text)
    return _sided(text, unit, words.FROM if side == words.LEVEL_WITH else side)


def _sided_interval(low: str, high: str, unit: str) -> str:
    """ "+8", "+16" as "8 to 16 % above"; "-3", "+27" as "3 % below to 27 % above"."""
    if low == high == NONE:
        return words.NOT_ESTIMABLE
    sides = {_side(low), _side(high)} - {words.LEVEL_WITH}
    if len(sides) == 2:
        low, high = _sided(low, unit, words.BELOW), _sided(high, unit, words.ABOVE)
        return words.TO.format(low=low, high=high)
    side = sides.pop() if sides else words.ABOVE
    first, last = (low, high) if side == words.ABOVE else (high, low)
    return _sided(words.TO.format(low=_size(first), high=_size(last)), unit, side)


def _level(figure: Figure) -> str:
    return percent(figure.level) if math.isfinite(figure.level) else percent(0.95)


def _bias_sentence(
    stratum: Stratum, figures: dict[str, Figure], scale: str, unit: str, per_mg_kg: float
) -> str:
    ratio, relative = figures["geometric_mean_ratio"], figures["ratio_as_difference"]
    absolute = figures["mean_difference"]
    figure = absolute if scale == "absolute" else ratio
    n = figure.n or 0
    names = {
        "technique": stratum.technique or words.FIELD,
        "name": element_name(stratum.element),
    }
    if not math.isfinite(figure.value):
        if not n:
            return words.NO_PAIR.format(**names)
        reason = figure.reason.rstrip(". ") or words.TOO_FEW
        return words.NO_BIAS.format(pairs=count(n, *words.USABLE_PAIRS), reason=reason, **names)
    names["samples"] = _samples(n, stratum.matrix)
    if scale == "absolute" or 0.5 <= ratio.value <= 2:
        figure = absolute if scale == "absolute" else relative
        shown_unit = unit_name(unit) if scale == "absolute" else "%"
        value, low, high = figure.parts(per_mg_kg)
        side = _side(value)
        return words.BIAS.format(
            difference=side if side == words.LEVEL_WITH else _sided(value, shown_unit, side),
            level=_level(figure),
            interval=_sided_interval(low, high, shown_unit),
            **names,
        )
    value, interval = ratio.texts(1)
    return words.BIAS_RATIO.format(ratio=value, level=_level(ratio), interval=interval, **names)


def results_of(pairs: pd.DataFrame) -> str:
    """What one field result of the used pairs (PAIR_COLUMNS) is: a mean of so many spots.

    Of readings where samples have one spot.
    """
    used = pairs.loc[pairs["used"].astype(bool)]
    spots, readings = (float(used[c].median()) for c in ("field_spots", "field_n"))
    by_spots = spots >= 2
    one, many, _ = words.SCATTER_UNITS[by_spots]
    count = spots if by_spots else readings
    if not count >= 1:
        return words.RESULTS
    if count < 1.5:
        return words.RESULTS_OF_ONE.format(one=one)
    return words.RESULTS_OF_MEANS.format(count=several(count, one, many))


def single_sentence(
    found: Scatter, figures: Mapping[str, Figure], unit: str, per_mg_kg: float
) -> str:
    """What one spot (or reading) gives against one laboratory result; "" where not known."""
    if not found.limits.lower.estimable:
        return ""
    one, _, _ = words.SCATTER_UNITS[found.by_spots]
    ends = [figures[f"single_{end}"] for end in ("lower", "upper")]
    low, high = (figure.texts(per_mg_kg)[0] for figure in ends)
    between = words.BETWEEN_TIMES
    if not found.relative:
        between = words.BETWEEN_DIFFERENCE
        low, high = (from_the_lab(v, f.unit(unit)) for v, f in zip((low, high), ends, strict=True))
    return words.SCATTER_LIMITS.format(
        coverage=coverage_words(found.limits.coverage),
        one=one,
        between=between.format(low=low, high=high),
    )


def _limits_sentence(
    figures: dict[str, Figure],
    scale: str,
    coverage: str,
    results: str,
    unit: str,
    per_mg_kg: float,
) -> str:
    key = "limits_absolute" if scale == "absolute" else "limits_log_ratio"
    lower, upper = figures[f"{key}_lower"], figures[f"{key}_upper"]
    if not (math.isfinite(lower.value) and math.isfinite(upper.value)):
        return ""
    low, low_interval = lower.texts(per_mg_kg)
    high, high_interval = upper.texts(per_mg_kg)
    shown = unit_name(unit)
    template = words.LIMITS_RATIO
    if scale == "absolute":
        template = words.LIMITS
        low, high = (from_the_lab(v, shown) for v in (low, high))
    return template.format(
        most=coverage,
        results=results,
        low=low,
        high=high,
        level=_level(lower),
        low_interval=low_interval,
        high_interval=high_interval,
        unit=shown,
        n=lower.n,
    )


def _censored_sentence(figures: dict[str, Figure]) -> str:
    pairs = int(figures["pairs"].value)
    field, lab, both = (
        int(figures[k].value) for k in ("field_censored", "lab_censored", "both_censored")
    )
    censored = field + lab - both
    ratio = figures.get("censored_ratio")
    if not censored or ratio is None or not math.isfinite(ratio.value):
        return ""
    value, interval = ratio.texts(1)
    one, many = words.CENSORED
    return (one if censored == 1 else many).format(
        censored=plain(censored, 0),
        pairs=count(pairs, *words.PAIRS),
        ratio=value,
        level=_level(ratio),
        interval=interval,
        n=ratio.n,
    )


def _ended(text: str) -> str:
    text = text.strip()
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."


def _where(verdict: Verdict, unit: str, per_mg_kg: float) -> str:
    low, high = verdict.range_low * per_mg_kg, verdict.range_high * per_mg_kg
    if not (math.isfinite(low) or math.isfinite(high)):
        return ""
    name = unit_name(unit)
    last = f"{plain_sig(high)}{_SPACE}{name}" if name else plain_sig(high)
    return words.BETWEEN.format(low=plain_sig(low), high=last)


def _verdict_sentence(
    factor: CorrectionFactor | None, verdict: Verdict, unit: str, per_mg_kg: float
) -> str:
    until = words.UNTIL_DATE.format(date=verdict.valid_until) if verdict.valid_until else ""
    name = words.WITH_FACTOR.format(factor=factor.factor_id) if factor is not None else ""
    template = {
        ACCEPTED: words.VERDICT_ACCEPTED,
        ACCEPTED_CORRECTED: words.VERDICT_CORRECTED,
        LABORATORY_ONLY: words.VERDICT_LABORATORY,
    }.get(verdict.decision, words.VERDICT_NONE)
    said = template.format(
        factor=name,
        where=_where(verdict, unit, per_mg_kg),
        until=until,
        reason=_ended(_lower_first(verdict.reason)),
    )
    return f"{said} {_ended(verdict.next_step)}" if verdict.next_step else said


def put_back_sentence(verdict: Verdict, used: int) -> str:
    """What the verdict would be with every excluded pair put back; "" where there is none."""
    if not verdict.decision_put_back:
        return ""
    if not verdict.flips:
        return words.PUT_BACK_SAME.format(n=used + verdict.put_back, used=used)
    return words.PUT_BACK_FLIPS.format(
        n=used + verdict.put_back,
        used=used,
        verdict=words.DECISION_TITLE.get(verdict.decision_put_back, verdict.decision_put_back),
        reason=_ended(_lower_first(verdict.reason_put_back)),
    )


def many_sentence(r: Reconciliation) -> str:
    """How many of a period's acceptances are to be expected wrong at most; "" without any.

    With those of the year that ends with the period, where earlier releases keep them.
    """
    verdicts = [x.verdict for x in r.results]
    found = many.expected(verdicts)
    if not found.accepted:
        return ""
    said = words.MANY_VERDICTS.format(
        accepted=count(found.accepted, *words.ACCEPTANCES),
        wrong=plain(found.wrong_at_most, 2),
        judged=count(found.judged, *words.JUDGINGS),
    )
    year = many.over_a_year(verdicts, r.history, r.period)
    if year.months == 1:
        return said
    return f"{said} " + words.MANY_VERDICTS_YEAR.format(
        months=plain(year.months, 0),
        accepted=count(year.accepted, *words.ACCEPTANCES),
        wrong=plain(year.wrong_at_most, 2),
    )


def decision_marked(verdict: Verdict) -> str:
    """The verdict as printed, marked where it would be another with exclusions put back."""
    title = words.DECISION_TITLE.get(verdict.decision, verdict.decision)
    return title + (words.FLIP_MARK if verdict.flips else "")


def _lower_first(text: str) -> str:
    """Lower the first letter, unless the first word is a symbol or an abbreviation."""
    first = text.split(" ", 1)[0]
    if len(first) < 3 or not first[1:].islower():
        return text
    return text[:1].lower() + text[1:]


def range_of(verdict: Verdict, unit: str, per_mg_kg: float) -> str:
    """The accepted range in the reader's unit, or a dash."""
    return interval_of_numbers(verdict.range_low * per_mg_kg, verdict.range_high * per_mg_kg, unit)


def coverage_words(coverage: float = 0.95) -> str:
    """How many results the limits of agreement hold."""
    if abs(coverage - 0.95) < 1e-9:
        return words.NINETEEN_OF_TWENTY
    return words.SHARE_OF.format(share=percent(coverage))


def sentences_for(
    stratum: Stratum,
    statistics: StratumStatistics,
    factor: CorrectionFactor | None,
    verdict: Verdict,
    unit: str,
    per_mg_kg: float,
    pairs: pd.DataFrame,
) -> tuple[str, ...]:
    """Two to five plain sentences: average difference, results, one spot's, what to do.

    ``pairs``: those of the stratum (PAIR_COLUMNS). ``unit`` is the reader's unit and
    ``per_mg_kg`` turns mg/kg into it. The numbers are those of the stratum's table, digit for
    digit.
    """
    figures = by_key(statistics)
    scale = statistics.difference_scale
    scatter = statistics.further.get(Further.SCATTER)
    one = single_sentence(scatter, figures, unit, per_mg_kg) if scatter is not None else ""
    out = [
        _bias_sentence(stratum, figures, scale, unit, per_mg_kg),
        _limits_sentence(figures, scale, coverage_words(), results_of(pairs), unit, per_mg_kg),
        one,
        _censored_sentence(figures),
        _verdict_sentence(factor, verdict, unit, per_mg_kg),
        put_back_sentence(verdict, statistics.n_used),
    ]
    return tuple(sentence for sentence in out if sentence)


def refused(quarantine: pd.DataFrame) -> str:
    """What was refused in words: rows and cells apart, and whole files where there are any."""
    counts = refused_counts(quarantine)
    return answers.refused(counts.files, counts.rows, counts.cells)
