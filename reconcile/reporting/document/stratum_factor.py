"""The factor of a stratum in words and coefficients."""

from __future__ import annotations

import math

from reportlab.platypus import Flowable

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import (
    NOT_FOR_USE,
    CorrectionFactor,
)
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    gap,
    style,
)
from reconcile.reporting.text import markup


# ---- factor and notes ----------------------------------------------------------------
def factor_coefficients(factor: CorrectionFactor, unit: str, per_mg_kg: float) -> tuple[str, str]:
    """Intercept and slope with their standard errors, as text."""
    se_a, se_b = (
        math.sqrt(v) if v >= 0 else math.nan
        for v in (factor.covariance[0][0], factor.covariance[1][1])
    )
    scale = 1.0 if factor.form == "power" else per_mg_kg

    def one(value: float, se: float, unit: str) -> str:
        text = numbers.show(value, unit, se)
        if not (math.isfinite(se) and se > 0):
            return text
        decimals = numbers.decimals_for(value, se)
        return words.WITH_ERROR.format(value=text, se=numbers.plain(se, max(decimals, 0)))

    intercept = one(factor.intercept * scale, se_a * scale, "" if factor.form == "power" else unit)
    slope = one(factor.slope, se_b, "")
    return intercept, slope


def factor_lines(result: StratumResult, width: float, with_reason: bool = True) -> list[Flowable]:
    """The factor, labelled; nothing where there is none."""
    factor = result.factor
    if not with_reason and factor is not None and factor.status == NOT_FOR_USE:
        return []
    return [gap(4), labelled(words.FACTOR, factor_text(result, with_reason))]


def factor_text(result: StratumResult, with_reason: bool = True) -> str:
    """The factor in words, or that there is none."""
    factor = result.factor
    if factor is None or factor.form == "none":
        reason = f" {factor.reason}" if factor is not None and factor.reason else ""
        return f"{words.NO_FACTOR}{reason}"
    intercept, slope = factor_coefficients(factor, result.unit, result.per_mg_kg)
    low, high = factor.low * result.per_mg_kg, factor.high * result.per_mg_kg
    used = []
    if factor.form in ("offset", "line", "power"):
        used.append(f"a = {intercept}")
    if factor.form in ("ratio", "line", "power"):
        used.append(f"b = {slope}")
    text = words.FACTOR_TEXT.format(
        id=factor.factor_id,
        status=factor.status,
        form=words.FACTOR_FORM.get(factor.form, factor.form),
        coefficients=", ".join(used),
        n=factor.n,
        range=numbers.interval_of_numbers(low, high, result.unit),
        before=numbers.percent(factor.error_before),
        after=numbers.percent(factor.error_after),
        basis=factor.basis.rstrip(". "),
    )
    return text + (f" {factor.reason.rstrip('. ')}." if factor.reason and with_reason else "")


def labelled(label: str, text: str) -> Paragraph:
    """A line of text behind a label in bold type."""
    return Paragraph(
        f'<font name="ReportBold">{label}:</font> {styled(markup(text))}', style("small")
    )
