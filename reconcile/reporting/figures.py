"""Every figure of a stratum as one flat list: the source of page, workbook and files.

A figure is kept in its base unit (mg/kg, or 1 for ratios and fractions); what a reader
sees is derived from it in one place, so that a sentence and a table can't disagree.
"""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.base.model import LevelBias, StratumStatistics
from reconcile.reporting import further_figures, words
from reconcile.reporting.figure import Figure, Kind, line_figures, of_estimate, ratio_minus_one
from reconcile.statistics.agreement import LimitsOfAgreement


def _counts(s: StratumStatistics) -> Iterator[Figure]:
    for key, label, value in (
        ("pairs", words.FIGURES["pairs"], s.n_pairs),
        ("pairs_used", words.FIGURES["pairs_used"], s.n_used),
        ("pairs_excluded", words.FIGURES["pairs_excluded"], s.n_excluded),
        ("field_censored", words.FIGURES["field_censored"], s.n_field_censored),
        ("lab_censored", words.FIGURES["lab_censored"], s.n_lab_censored),
        ("both_censored", words.FIGURES["both_censored"], s.n_both_censored),
    ):
        yield Figure(key, label, "count", float(value), n=int(s.n_pairs))
    for side, ends in (("lab", s.lab_range), ("field", s.field_range)):
        for which, end in zip(("lowest", "highest"), ends, strict=True):
            key = f"{side}_{which}"
            yield Figure(key, words.FIGURES[key], "mass", float(end), n=int(s.n_used))


def _limits(key: str, name: str, kind: Kind, limits: LimitsOfAgreement) -> Iterator[Figure]:
    for end, estimate in (("bias", limits.bias), ("lower", limits.lower), ("upper", limits.upper)):
        label = words.LIMIT_LABELS[end].format(scale=name)
        yield of_estimate(f"{key}_{end}", label, kind, estimate)
    n, reason = int(limits.n), limits.reason
    sd_kind: Kind = "number" if kind == "ratio" else kind
    sd_label = words.LIMIT_LABELS["sd_ratio" if kind == "ratio" else "sd"].format(scale=name)
    yield Figure(f"{key}_sd", sd_label, sd_kind, float(limits.sd), n=n, reason=reason)
    for end, value in (("low", limits.tolerance_low), ("high", limits.tolerance_high)):
        label = words.LIMIT_LABELS[f"tolerance_{end}"].format(scale=name)
        yield Figure(f"{key}_tolerance_{end}", label, kind, float(value), n=n, reason=reason)


def _level(index: int, level: LevelBias) -> Iterator[Figure]:
    key, name = f"level_{index}", level.name or words.UNNAMED_LEVEL.format(n=index)
    label = {part: text.format(level=name) for part, text in words.LEVEL_LABELS.items()}
    n = int(level.bias.n)
    yield Figure(f"{key}_value", label["value"], "mass", float(level.level))
    yield of_estimate(f"{key}_bias", label["bias"], "mass", level.bias)
    for part, above in (("lab_above", level.lab_above), ("field_above", level.field_above)):
        yield Figure(f"{key}_{part}", label[part], "count", float(above), n=n)
    for part, rate in (
        ("false_negative", level.false_negative),
        ("false_positive", level.false_positive),
    ):
        yield of_estimate(f"{key}_{part}", label[part], "percent", rate)


def figures_of(s: StratumStatistics) -> tuple[Figure, ...]:
    """All figures of one stratum, in a fixed order."""
    ratio = of_estimate(
        "geometric_mean_ratio",
        words.FIGURES["geometric_mean_ratio"],
        "ratio",
        s.geometric_mean_ratio,
    )
    equivalence = s.equivalence
    out = [
        *_counts(s),
        ratio,
        ratio_minus_one(ratio, "ratio_as_difference", words.FIGURES["ratio_as_difference"]),
        of_estimate(
            "mean_relative_difference",
            words.FIGURES["mean_relative_difference"],
            "percent",
            s.mean_relative_difference,
        ),
        of_estimate("mean_difference", words.FIGURES["mean_difference"], "mass", s.mean_difference),
        of_estimate("hodges_lehmann", words.FIGURES["hodges_lehmann"], "mass", s.hodges_lehmann),
    ]
    if s.censored_ratio is not None:
        censored = of_estimate(
            "censored_ratio", words.FIGURES["censored_ratio"], "ratio", s.censored_ratio
        )
        out += [
            censored,
            ratio_minus_one(
                censored,
                "censored_ratio_as_difference",
                words.FIGURES["censored_ratio_as_difference"],
            ),
        ]
    out += [
        Figure(
            "equivalence_bias",
            words.FIGURES["equivalence_bias"],
            "ratio" if equivalence.scale == "ratio" else "mass",
            float(equivalence.estimate.value),
            float(equivalence.low),
            float(equivalence.high),
            n=int(equivalence.n),
            level=1 - 2 * float(equivalence.alpha),
            reason=equivalence.reason,
        ),
        Figure(
            "equivalence_margin",
            words.FIGURES["equivalence_margin"],
            "percent" if equivalence.scale == "ratio" else "mass",
            float(equivalence.margin),
        ),
        Figure(
            "equivalence_p",
            words.FIGURES["equivalence_p"],
            "p",
            float(equivalence.p_value),
            n=int(equivalence.n),
            reason=equivalence.reason,
        ),
        Figure(
            "difference_p_adjusted",
            words.FIGURES["difference_p_adjusted"],
            "p",
            float(s.p_value_adjusted),
            n=int(s.n_used),
        ),
        *_limits("limits_log_ratio", words.SCALES["ratio"], "ratio", s.limits_log_ratio),
        *_limits("limits_absolute", words.SCALES["difference"], "mass", s.limits_absolute),
        *_limits("limits_relative", words.SCALES["relative"], "percent", s.limits_relative),
        of_estimate("share_within", words.FIGURES["share_within"], "percent", s.share_within),
        Figure("share_margin", words.FIGURES["share_margin"], "percent", float(s.share_margin)),
        *line_figures("headline", words.LINE_LABELS["headline"], s.headline_line),
        of_estimate("error_ratio", words.FIGURES["error_ratio"], "number", s.error_ratio),
        *line_figures("deming", words.LINE_LABELS["deming"], s.deming),
        *line_figures("weighted_deming", words.LINE_LABELS["weighted_deming"], s.weighted_deming),
        *line_figures("passing_bablok", words.LINE_LABELS["passing_bablok"], s.passing_bablok),
        *line_figures("ols", words.LINE_LABELS["ols"], s.ols),
        *line_figures(
            "ols_lab_on_field", words.LINE_LABELS["ols_lab_on_field"], s.ols_lab_on_field
        ),
        *line_figures("log_line", words.LINE_LABELS["log_line"], s.log_line, log=True),
        Figure(
            "log_r_squared",
            words.FIGURES["log_r_squared"],
            "number",
            float(s.log_r_squared),
            n=s.n_used,
        ),
        of_estimate("concordance", words.FIGURES["concordance"], "number", s.concordance.ccc),
    ]
    for key, label, value in (
        ("concordance_precision", words.FIGURES["concordance_precision"], s.concordance.r),
        ("concordance_accuracy", words.FIGURES["concordance_accuracy"], s.concordance.c_b),
        (
            "concordance_location_shift",
            words.FIGURES["concordance_location_shift"],
            s.concordance.location_shift,
        ),
        (
            "concordance_scale_shift",
            words.FIGURES["concordance_scale_shift"],
            s.concordance.scale_shift,
        ),
    ):
        out.append(Figure(key, label, "number", float(value), n=int(s.concordance.ccc.n)))
    out += [
        of_estimate("correlation", words.FIGURES["correlation"], "number", s.correlation.r),
        Figure(
            "r_squared",
            words.FIGURES["r_squared"],
            "number",
            float(s.correlation.r_squared),
            n=int(s.correlation.n),
        ),
        Figure(
            "spearman",
            words.FIGURES["spearman"],
            "number",
            float(s.correlation.spearman),
            n=int(s.correlation.n),
        ),
    ]
    for index, level in enumerate(s.levels, start=1):
        out += _level(index, level)
    return (*out, *further_figures.figures(s))


def by_key(s: StratumStatistics) -> dict[str, Figure]:
    """The figures of one stratum by their key."""
    return {figure.key: figure for figure in figures_of(s)}
