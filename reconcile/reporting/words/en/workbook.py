"""Names and headings of the workbook's sheets."""

#: Sheets in their order.
SHEETS = {
    "summary": "At a glance",
    "strata": "Strata",
    "pairs": "Pairs",
    "each": "Each stratum",
    "findings": "Findings",
    "factors": "Factors",
    "evidence": "Months",
    "quality": "Controls",
    "exclusions": "Left out",
    "conformity": "Conformity",
    "laboratories": "Laboratories",
    "selection": "Selection",
    "registers": "Registers",
    "corrections": "Corrections",
    "files": "Account of files",
    "inputs": "Inputs",
    "settings": "Settings",
    "statistics": "Statistics",
    "recomputed": "Recomputed",
    "calculation": "Calculation",
}
#: Names of the tables, as formulas and pivot tables call them: letters alone.
TABLES = {
    "strata": "Strata",
    "pairs": "Pairs",
    "factors": "Factors",
    "findings": "Findings",
    "evidence": "Months",
    "quality": "Controls",
    "exclusions": "LeftOut",
    "conformity": "Conformity",
    "laboratories": "Laboratories",
    "selection": "Selection",
    "registers": "Registers",
    "statistics": "Statistics",
}
SHEETS_TITLE = "The other sheets"
SHEETS_HOW = (
    "Strata: one row for each element, method and material. Pairs: one row for each sample and "
    "element. Both are tables for sorting, filtering and pivot tables. Each stratum: the verdict "
    "in words beside its chart. The last three sheets hold every figure and the formulas that "
    "recompute them; of these, and of columns beyond the width of a page, a printer prints the "
    "first part."
)
#: The name of a sheet at the foot of a page that does not show all of it.
PRINTED_PART = "{sheet} (part; the rest is on the screen)"
CALCULATION_KEEP = (
    "Charts and formulas speak of these rows by place: do not sort them. Sort and filter Pairs."
)
IN_UTC = "{label}, UTC"
CHART_MARGIN = "agreed margin"
#: Headings of the ends of the lines that charts draw.
CHART_LINES = {
    "line_lab": "Lines of the chart: lab",
    "line_one": "field = lab",
    "line_upper": "upper margin",
    "line_lower": "lower margin",
}
VERDICT_MARKS = ("●", "◉", "■", "○")
CHART_LIMIT = (
    "Charts of the first {shown} of {total} strata with pairs; the rest are in report.html."
)

#: Headings of the helper columns of the calculation; used pairs only.
HELPERS = {
    "difference": "Field − lab, mg/kg",
    "relative": "(Field − lab) / lab",
    "to_mean": "(Field − lab) / mean of both",
    "ln_ratio": "ln(field / lab)",
    "log_lab": "log10 of lab",
    "log_field": "log10 of field",
    "rank_lab": "Rank of lab",
    "rank_field": "Rank of field",
    "counts": "Counts at decision levels",
}
NO_UPPER_END = "∞"
INTERVAL_END = {"low": "interval from", "high": "interval to"}
#: Rows of the recomputation that only serve others.
BLOCKS = {
    "n": "Pairs used",
    "mean_lab": "Mean of lab",
    "mean_field": "Mean of field",
    "sxx": "Sum of squares of lab about its mean, (mg/kg)²",
    "syy": "Sum of squares of field about its mean, (mg/kg)²",
    "sxy": "Sum of products about the means, (mg/kg)²",
    "mean_ln": "Mean of ln(field / lab)",
    "near": "Pairs near the lab",
    "robust_v": "{of}: variance",
    "robust_k": "{of}: kurtosis less 1",
    "robust_df": "{of}: degrees of freedom",
    "robust_t": "{of}: t quantile",
    "lambda": "Error ratio λ, as given",
    "deming_d": "Deming: Syy − λ·Sxx",
    "deming_root": "Deming: root of (Syy − λ·Sxx)² + 4λ·Sxy²",
    "false_negative": "Field below {level} while lab at or above: samples",
    "false_negative_of": "Lab at or above {level}, both sides known: samples",
    "false_positive": "Field at or above {level} while lab below: samples",
    "false_positive_of": "Lab below {level}, both sides known: samples",
}
RECOMPUTED_TITLE = "Figures recomputed in cells"
RECOMPUTED_HOW = "How to read it"
RECOMPUTED_INTRO = (
    "Column “In cells” is computed by the formulas in it from named ranges such as lab_001 and "
    "field_001 (the used pairs of stratum 1 on the sheet Calculation, mg/kg); column “Program” is "
    "the value of this release. Not recomputed here, because no short formula exists: intervals of "
    "the limits of agreement (noncentral t), Passing–Bablok, weighted Deming and York lines, "
    "jackknife intervals, the median difference, estimates with censored pairs, the rank "
    "correlation of more than 2,000 pairs, and further figures other than the concordance of "
    "logarithms. Filter the rows as you like, but do not sort them: formulas speak of rows by "
    "place."
)
RECOMPUTED_TOLERANCE = "Agrees up to a relative difference of"
RECOMPUTED_CELLS = "Numbers compared"
RECOMPUTED_AGREE = "Numbers that agree"
RECOMPUTED_LEFT_OUT = "Not recomputed, as the sheet Calculation does not hold their pairs: {strata}"
