"""Further figures: in the tables, in words, in the files, with what is known to fall short."""

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest

from reconcile.base.model.further import Further, Results
from reconcile.base.model.release import StratumResult
from reconcile.reporting import details, figures, further, numbers, words
from reconcile.reporting.document import figure_rows, screen
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key
from reconcile.reporting.render.tables import data_files
from reconcile.statistics import agreement
from tests.reporting import builder


@pytest.fixture(scope="module")
def ordinary() -> StratumResult:
    return builder.ordinary()


def tables(result: StratumResult) -> list[list[Figure]]:
    return [figures.further(result.statistics, side) for side in figures.FURTHER_TABLES]


def spoken(result: StratumResult) -> str:
    return " ".join(details.sentences_of(result))


def test_every_further_figure_is_in_statistics_csv_with_unit_n_and_interval(
    ordinary: StratumResult,
) -> None:
    value = builder.reconciliation([ordinary])
    rows = csv.DictReader(io.StringIO(data_files(value)["statistics.csv"].decode("utf-8")))
    found = {row["figure"]: row for row in rows}
    for figure in figures.figures_of(ordinary.statistics):
        row = found[figure.key]
        assert row["unit"] == figure.base_unit
        if math.isfinite(figure.value):
            assert float(row["value"]) == figure.value
    for key in ("error_proportional", "york_slope", "single_sd", "three_1", "concordance_log"):
        assert found[key]["n"]
        assert float(found[key]["low"]) < float(found[key]["high"])


def test_labels_of_the_tables_of_one_stratum_are_all_different() -> None:
    for result in builder.mixed().results:
        for rows in tables(result):
            names = [f.name(result.unit, result.per_mg_kg) for f in rows]
            assert len(set(names)) == len(names), result.stratum.label


def test_further_figures_show_no_number_that_is_not_known() -> None:
    for result in (builder.empty(), builder.insufficient()):
        for rows in figure_rows.further_rows(result):
            assert all(value != numbers.NONE for _, value, _, _ in rows)
        assert "nan" not in spoken(result)


def test_masses_are_in_the_readers_unit() -> None:
    iron = builder.absolute()
    found = by_key(iron.statistics)
    left, _ = tables(iron)
    one = next(f for f in left if f.key == "single_sd")
    value, _ = one.texts(iron.per_mg_kg)
    assert float(value) == pytest.approx(found["single_sd"].value * 1e-4, rel=0.02)
    assert f"{value}\N{NO-BREAK SPACE}{numbers.unit_name('%')}" in spoken(iron)


def test_a_sentence_says_what_more_spots_would_buy(ordinary: StratumResult) -> None:
    found = by_key(ordinary.statistics)
    once, twice, four = (found[f"mean_se_{k}"].value for k in (1, 2, 4))
    assert once / twice == pytest.approx(math.sqrt(2))
    assert once / four == pytest.approx(2)
    text = spoken(ordinary)
    assert "the mean of 3 spots has a standard error of" in text
    assert "6 spots would bring it to" in text


def test_three_methods_say_what_they_rest_on(ordinary: StratumResult) -> None:
    text = spoken(ordinary)
    assert "With none of the three methods taken as the truth" in text
    assert "only if their errors are independent" in text


def test_the_level_stands_with_what_decided_and_the_limits_under_methods(
    ordinary: StratumResult,
) -> None:
    found = ordinary.statistics.further.get(Further.QUALITY_LEVEL)
    text = spoken(ordinary)
    assert f"Data-quality level: {found.level}" in text
    assert (found.binding or words.LEVEL_ALL_MET) in text
    limits = dict(words.METHODS_TEXT)["Data-quality levels"]
    for number in ("0.85", "10 %", "0.70", "20 %", "30 %"):
        assert number in limits


def test_raw_and_adjusted_p_values_stand_together(ordinary: StratumResult) -> None:
    s = ordinary.statistics
    tested = replace(s, bias=replace(s.bias, p_value=0.012, p_value_adjusted=0.031))
    text = spoken(replace(ordinary, statistics=tested))
    assert "p = 0.012 for this stratum alone, p = 0.031 adjusted" in text


def test_censored_strata_have_medians_a_line_and_detection() -> None:
    text = spoken(builder.censored())
    assert "by Kaplan and Meier" in text
    assert "Akritas, Theil and Sen" in text
    assert "exact McNemar test" in text
    # lab results are censored too: the interval of the line is known to fall short
    assert "1 to 2 % fewer" in text
    assert "Kaplan" not in spoken(builder.ordinary())


def test_where_limits_decide_everything_no_slope_is_made_up() -> None:
    result = builder.censored()
    found = result.statistics.further.get(Further.CENSORED_LINE)
    assert found is not None
    bare = replace(found, slope=replace(found.slope, low=math.nan, high=math.nan, reason="few"))
    s = replace(result.statistics, further=Results(((Further.CENSORED_LINE, bare),)))
    assert "censored_slope" not in by_key(s)
    assert "can’t be given: few" in spoken(replace(result, statistics=s))


def test_limits_by_level_are_tabled_where_the_spread_changes_on_the_scale_of_differences() -> None:
    rng = np.random.default_rng(2)
    lab = rng.uniform(100, 500, 60)
    field = lab + 0.15 * lab * rng.normal(size=60)
    lab[0], field[0] = 2.0, 0.0  # no ratio: differences lead
    values = lab, field
    stratum = builder.stratum_of()
    result = builder.result_of(stratum, values=values, scale="absolute", excluded=())
    found = result.statistics.further.get(Further.LEVEL_LIMITS)
    assert found.p_spread_changes < 0.05
    _, right = tables(result)
    keys = [f.key for f in right if f.key.startswith("limits_at_")]
    assert keys == [f"limits_at_{i}_{end}" for i in (1, 2, 3) for end in ("lower", "upper")]
    shown = next(f for f in right if f.key == "limits_at_3_upper")
    again = agreement.level_dependent_limits(
        result.pairs.loc[result.pairs["used"], "lab_mean"],
        result.pairs.loc[result.pairs["used"], "field_mean"],
    )
    assert shown.value == again.at(again.high)[2].value
    assert numbers.show(again.high, result.unit) in shown.name(result.unit, result.per_mg_kg)
    assert "limits of agreement by level" in spoken(result)
    steady = builder.result_of(
        stratum, values=(lab, lab + 5 * rng.normal(size=60)), scale="absolute"
    )
    assert not any(f.key.startswith("limits_at_") for f in tables(steady)[1])


def test_intervals_known_to_fall_short_are_marked_on_the_page_and_the_better_is_named() -> None:
    few = builder.result_of(builder.stratum_of(), n=25)
    assert set(further.short_of(few.statistics)) == {"correlation", "concordance", "limits"}
    marked = [
        row[0]
        for row in (*figure_rows.left_rows(few), *figure_rows.right_rows(few))
        if row[0].endswith(words.SHORT_MARK)
    ]
    assert len(marked) == 3
    text = spoken(few)
    assert "in less than 95 % of studies" in text
    assert "the concordance of logarithms" in text
    assert "tolerance interval" in text
    steady = builder.absolute()
    assert further.short_of(steady.statistics) == []


def test_every_interval_that_misses_in_the_test_of_coverage_is_spoken_of() -> None:
    from tests.statistics.test_coverage import KNOWN_TO_MISS

    key_of = {
        "Pearson correlation": "correlation",
        "lower limit, not quite normal": "limits",
        "lower limit by level": "levels",
    }
    for _, _, name in KNOWN_TO_MISS:
        assert key_of[name] in words.SHORT


def test_thirds_of_a_rank_line_carry_no_interval() -> None:
    result = builder.ordinary()
    s = result.statistics
    by_ranks = replace(s, headline=replace(s.headline, method="passing-bablok"))
    assert "No intervals are given" in spoken(replace(result, statistics=by_ranks))
    assert "No intervals are given" not in spoken(result)


def test_the_page_for_the_screen_holds_the_same_figures(ordinary: StratumResult) -> None:
    page = screen.page(builder.reconciliation([ordinary])).decode("utf-8")
    left, right = tables(ordinary)
    for figure in (*left, *right):
        assert figure.name(ordinary.unit, ordinary.per_mg_kg).split(",")[0] in page


def test_a_pair_that_moves_the_slope_is_named_with_and_without() -> None:
    rng = np.random.default_rng(8)
    lab = np.exp(rng.normal(4.8, 0.6, 30))
    field = lab * np.exp(rng.normal(0, 0.05, 30))
    field[int(lab.argmax())] *= 1.8
    result = builder.result_of(builder.stratum_of(), values=(lab, field), excluded=())
    text = spoken(result)
    sample = result.statistics.further.get(Further.WITHOUT_PAIR).sample_id
    assert f"The pair that moves the slope most is {sample}" in text
    assert "without it" in text
