"""Means, joins and the account, on tables small enough to reckon by hand."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from reconcile.base.model.account import WaterfallStep
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.evidence import control_results
from reconcile.intake import tables as contract
from reconcile.intake.counting import Counted
from reconcile.intake.tables import BELOW, QUANTIFIED, Analyte, TypedTable
from reconcile.pairs import account, pairing, sides
from reconcile.store.cell_columns import NUMBER_FACTS, TIME_FACTS
from reconcile.store.database import Store
from reconcile.store.statements import Sql, sql

FACTS = {"field": contract.FIELD_FACTS, "lab": contract.LAB_FACTS}


def table(kind: str, rows: list[dict[str, object]], keys: tuple[str, ...] = ("Cu",)) -> TypedTable:
    """A typed table; in a row a tuple (qualifier, number) stands for a censored value."""
    columns: dict[str, pa.Array] = {}
    for fact in FACTS[kind]:
        values = [row.get(fact) for row in rows]
        if fact == "row":
            columns[fact] = pa.array(range(2, len(rows) + 2), pa.int64())
        elif fact in TIME_FACTS:
            columns[fact] = pa.array(values, pa.timestamp("us", "UTC"))
        elif fact in NUMBER_FACTS:
            columns[fact] = pa.array(values, pa.float64())
        else:
            columns[fact] = pa.array(values, pa.string())
    analytes, results = [], {}
    for key in keys:
        element, _, method = key.partition("@")
        analytes.append(Analyte(key, element, method, element, "mg/kg"))
        cells = [row.get(key) for row in rows]
        results[key] = pa.array(
            [c if isinstance(c, int | float) else None for c in cells], pa.float64()
        )
        results[f"{key}_q"] = pa.array(
            [None if c is None else c[0] if isinstance(c, tuple) else QUANTIFIED for c in cells],
            pa.int8(),
        )
        results[f"{key}_lim"] = pa.array(
            [c[1] if isinstance(c, tuple) else None for c in cells], pa.float64()
        )
    empty = pa.table({"row": pa.array([], pa.int64()), "key": pa.array([], pa.string()),
                      "text": pa.array([], pa.string())})  # fmt: skip
    return TypedTable(
        kind, f"{kind}.csv", "", "0" * 64, pa.table(columns), pa.table(results), tuple(analytes),
        empty, (), pd.DataFrame(columns=list(QUARANTINE_COLUMNS)), len(rows),
        Counted(len(rows) + 1, 1, len(rows)),
    )  # fmt: skip


def joined(
    field_rows: list[dict[str, object]],
    lab_rows: list[dict[str, object]],
    *,
    keys: tuple[str, ...] = ("Cu",),
    bounds: tuple[datetime, datetime] | None = None,
    assign_by: str = "nothing",
    pool: tuple[str, ...] = (),
    zone: str = "UTC",
) -> tuple[pairing.Joined, tuple[WaterfallStep, ...]]:
    with Store(None) as store:
        files = []
        for place, (kind, rows) in enumerate((("field", field_rows), ("lab", lab_rows))):
            stored = store.add(f"{kind}.csv", "0" * 64, "", kind, 1, (table(kind, rows, keys),))
            files.append(pairing.RunFile(stored.file_id, place, False))
        ids = sorted({str(r["sample_id"]) for r in [*field_rows, *lab_rows]})
        pairing.begin(store, files, pd.DataFrame({"written_id": ids, "sample_id": ids}))
        pairing.place_rows(store, assign_by, bounds, zone)
        field_keys = sides.keys_of(store, "field", ())
        lab_keys = sides.keys_of(store, "lab", ())
        result = pairing.join(store, sides.average(store), field_keys, lab_keys, pool)
        return result, account.waterfall(store, result, result.pairs)


def field_row(sample: str, value: object, **facts: object) -> dict[str, object]:
    return {"sample_id": sample, "Cu": value, "technique": "XRF", "instrument": "X1", **facts}


def lab_row(sample: str, value: object, **facts: object) -> dict[str, object]:
    return {"sample_id": sample, "Cu": value, "technique": "ICP-OES", **facts}


def test_shots_are_averaged_within_a_spot_and_spots_within_a_sample() -> None:
    rows = [
        field_row("A", 10.0, spot_no="1", shot_no="1"),
        field_row("A", 20.0, spot_no="1", shot_no="2"),
        field_row("A", 30.0, spot_no="1", shot_no="3"),
        field_row("A", 60.0, spot_no="2", shot_no="1"),
    ]
    pairs = joined(rows, [lab_row("A", 50.0)])[0].pairs
    row = pairs.iloc[0]
    assert row.field_mean == pytest.approx((20 + 60) / 2)
    assert row.field_n == 4
    assert row.field_spots == 2
    assert row.field_se == pytest.approx(np.std([20, 60], ddof=1) / math.sqrt(2))
    assert row.field_sd == pytest.approx(10.0)


def test_one_spot_takes_its_error_from_its_shots() -> None:
    rows = [field_row("A", v, spot_no="1", shot_no=str(v)) for v in (10.0, 12.0, 14.0)]
    row = joined(rows, [lab_row("A", 12.0)])[0].pairs.iloc[0]
    assert row.field_mean == pytest.approx(12)
    assert row.field_se == pytest.approx(2 / math.sqrt(3))


def test_a_single_reading_has_no_standard_error() -> None:
    row = joined([field_row("A", 10.0)], [lab_row("A", 12.0)])[0].pairs.iloc[0]
    assert math.isnan(row.field_se)


def test_a_sample_below_its_limit_on_every_shot_is_bounded_and_gets_no_number() -> None:
    rows = [
        field_row("A", (BELOW, 5.0), spot_no="1"),
        field_row("A", (BELOW, 7.0), spot_no="2"),
    ]
    row = joined(rows, [lab_row("A", 4.0)])[0].pairs.iloc[0]
    assert row.field_qualifier == "<"
    assert math.isnan(row.field_mean)
    assert (row.field_low, row.field_high) == (0, 6)


def test_a_sample_partly_below_its_limit_is_known_between_two_bounds() -> None:
    rows = [field_row("A", 9.0, spot_no="1"), field_row("A", (BELOW, 5.0), spot_no="2")]
    row = joined(rows, [lab_row("A", 4.0)])[0].pairs.iloc[0]
    assert row.field_qualifier == "~"
    assert (row.field_low, row.field_high) == (4.5, 7)
    assert math.isnan(row.field_mean)


def test_a_value_below_an_unknown_limit_is_censored_without_a_bound() -> None:
    row = joined([field_row("A", (BELOW, None))], [lab_row("A", 4.0)])[0].pairs.iloc[0]
    assert row.field_qualifier == "<"
    assert math.isnan(row.field_high)


def test_repeated_determinations_of_one_sample_are_one_pair() -> None:
    pairs = joined([field_row("A", 10.0)], [lab_row("A", 12.0), lab_row("A", 14.0)])[0].pairs
    assert len(pairs) == 1
    assert pairs.iloc[0].lab_mean == pytest.approx(13)
    assert pairs.iloc[0].lab_n == 2
    assert pairs.iloc[0].lab_se == pytest.approx(1.0)


def test_a_reissued_certificate_supersedes_the_earlier_issue() -> None:
    lab = [
        lab_row("A", 12.0, certificate="C7", certificate_issue="1"),
        lab_row("A", 15.0, certificate="C7", certificate_issue="2"),
        lab_row("B", 20.0, certificate="C7", certificate_issue="1"),
    ]
    result, account = joined([field_row("A", 10.0), field_row("B", 21.0)], lab)
    values = dict(zip(result.pairs["sample_id"], result.pairs["lab_mean"], strict=True))
    assert values == {"A": 15.0, "B": 20.0}
    lost = dict(next(s for s in account if s.name.startswith("lab rows that")).lost)
    assert lost == {"superseded by a re-issue": 1}


@pytest.mark.slow
@pytest.mark.parametrize(("first", "later"), [("A", "B"), ("1", "rev. 2"), ("issue 1", "Issue 2")])
def test_issues_in_letters_and_words_supersede_like_numbers(first: str, later: str) -> None:
    lab = [
        lab_row("A", 15.0, certificate="C7", certificate_issue=later),
        lab_row("A", 12.0, certificate="C7", certificate_issue=first),
    ]
    row = joined([field_row("A", 10.0)], lab)[0].pairs.iloc[0]
    assert (row.lab_mean, row.lab_n) == (15.0, 1)


def test_targeted_spots_and_controls_stay_out_of_the_means() -> None:
    rows = [
        field_row("A", 10.0, spot_class="random"),
        field_row("A", 900.0, spot_class="targeted"),
        field_row("RM1", 100.0, sample_kind="reference material", reference_code="RM1"),
    ]
    result, account = joined(rows, [lab_row("A", 11.0)])
    assert result.pairs["field_mean"].tolist() == [10.0]
    lost = dict(next(s for s in account if s.name.startswith("field rows that")).lost)
    assert lost == {"control": 1, "targeted spot, mineral identification only": 1}


def test_strata_never_mix_instruments_unless_pooled() -> None:
    rows = [field_row("A", 10.0), field_row("A", 12.0, instrument="X2")]
    lab = [lab_row("A", 11.0)]
    assert len(joined(rows, lab)[0].strata) == 2
    pooled = joined(rows, lab, pool=("instrument",))[0]
    assert len(pooled.strata) == 1
    # the sample is the unit: two pooled instruments on it are replicates, not two pairs
    assert len(pooled.pairs) == 1
    assert pooled.pairs.iloc[0].field_mean == pytest.approx(11)
    assert pooled.pairs.iloc[0].field_n == 2
    assert pooled.pairs.iloc[0].field_methods == ("XRF · X1", "XRF · X2")


def test_rows_of_one_sample_in_two_groups_are_one_pair() -> None:
    rows = [field_row("A", 10.0, group="H1"), field_row("A", 12.0, group="H2", reading_no="2")]
    pairs = joined(rows, [lab_row("A", 11.0)])[0].pairs
    assert pairs["field_mean"].tolist() == [11.0]


def test_a_certificate_given_twice_without_an_issue_number_stays_out() -> None:
    with Store(None) as store:
        files = []
        for place, (path, kind, rows) in enumerate(
            (
                ("field.csv", "field", [field_row("A", 10.0)]),
                ("lab.csv", "lab", [lab_row("A", 11.0, certificate="C1")]),
                ("lab2.csv", "lab", [lab_row("A", 22.0, certificate="C1")]),
            )
        ):
            stored = store.add(path, path, "", kind, 1, (table(kind, rows),))
            files.append(pairing.RunFile(stored.file_id, place, False))
        pairing.begin(store, files, pd.DataFrame({"written_id": ["A"], "sample_id": ["A"]}))
        pairing.place_rows(store, "nothing", None)
        (finding,) = account.placement_findings(store)
        assert "C1" in finding.text
        kept = store.rows(Sql("SELECT count(*) FROM lab_row WHERE disposition = 'sample'"))
        assert kept == [(0,)]


def test_the_moisture_basis_of_the_laboratory_is_never_taken_for_granted() -> None:
    (stratum,) = joined([field_row("A", 10.0, moisture_basis="as received")], [lab_row("A", 11.0)])[
        0
    ].strata
    assert stratum.moisture_basis == "field as received, lab not stated"


def test_two_lab_methods_make_two_strata() -> None:
    lab = [lab_row("A", 11.0, lab_method="M1"), lab_row("A", 12.0, lab_method="M2")]
    assert len(joined([field_row("A", 10.0)], lab)[0].strata) == 2


def test_a_month_takes_only_its_own_readings_in_the_zone_of_the_workspace() -> None:
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("Africa/Nairobi")  # three hours ahead of UTC
    rows = [
        # 23:30 UTC on 30 September is 02:30 on 1 October in the workspace's zone
        field_row("A", 10.0, measured_at=datetime(2026, 9, 30, 23, 30, tzinfo=UTC)),
        field_row("B", 11.0, measured_at=datetime(2026, 9, 30, 20, 30, tzinfo=UTC)),
        field_row("C", 12.0),
    ]
    lab = [lab_row("A", 10.0), lab_row("B", 10.0), lab_row("C", 10.0)]
    result, account = joined(
        rows, lab, assign_by="field time",
        bounds=(datetime(2026, 10, 1, tzinfo=zone), datetime(2026, 11, 1, tzinfo=zone)),
    )  # fmt: skip
    assert result.pairs["sample_id"].tolist() == ["A"]
    lost = dict(next(s for s in account if s.name.startswith("field rows that")).lost)
    assert lost == {"other period": 1, "no time of measurement": 1}
    assert result.lab_only == ("C",)


def test_samples_of_one_side_only_are_named() -> None:
    result, account = joined([field_row("A", 1.0), field_row("F", 1.0)],
                             [lab_row("A", 1.0), lab_row("L", 1.0)])  # fmt: skip
    assert result.field_only == ("F",)
    assert result.lab_only == ("L",)
    assert all(step.balance == 0 for step in account)


def test_keys_with_quotes_and_statements_stay_identifiers() -> None:
    key = 'Cu@x"; DROP TABLE field; --'
    rows = [{**field_row("A", None), key: 10.0}]
    lab = [{**lab_row("A", None), key: 12.0}]
    pairs = joined(rows, lab, keys=(key,))[0].pairs
    assert pairs["lab_mean"].tolist() == [12.0]


@pytest.mark.parametrize("written", [[], [None], [None, "2026-10-04T22:00Z"]])
def test_the_day_of_a_moment_is_text_whatever_times_are_missing(written: list[str | None]) -> None:
    moments = pd.Series(pd.to_datetime(cast("Any", written), utc=True))
    days = control_results.days_of(moments, "Australia/Brisbane")
    assert (days + " x").tolist() == [f"{'2026-10-05' if text else ''} x" for text in written]


@pytest.mark.slow
def test_means_of_many_rows_belong_to_their_samples(tmp_path: Path) -> None:
    # Enough rows for every thread: an answer out of order would mix samples silently.
    n = 300_000
    rng = np.random.default_rng(8)
    sample = rng.integers(0, 70_000, n)
    value = sample + rng.random(n)
    with Store(tmp_path / "many.duckdb") as store:
        for file_id in (1, 2):
            half = slice((file_id - 1) * n // 2, file_id * n // 2)
            frame = pd.DataFrame({"s": sample[half], "v": value[half]})
            con = store.connection
            con.execute(
                "INSERT INTO file VALUES (?, ?, 'x', 'k', 'field', 1, '', '')",
                [file_id, f"f{file_id}.csv"],
            )
            con.execute(
                "INSERT INTO analyte VALUES (?, 'Cu', 'Cu', '', 'Cu', 'mg/kg', 0)", [file_id]
            )
            store.widen("field", STATED | CODED)
            con.register("incoming", frame)
            con.execute(
                'INSERT INTO field_stored BY NAME SELECT ? AS file_id, \'\' AS sheet, '
                'row_number() OVER () AS "row", \'S\' || s AS sample_id, v AS "v:Cu", '
                '0 AS "q:Cu" FROM incoming',
                [file_id],
            )  # fmt: skip
        files = [pairing.RunFile(1, 1, True), pairing.RunFile(2, 0, True)]
        pairing.begin(store, files, pd.DataFrame({"written_id": [], "sample_id": []}))
        pairing.place_rows(store, "nothing", None)
        side = sides.Side(store, "field")
        means = side.of(sides.Key("Cu", "Cu", ""))
        names = store.frame(Sql("SELECT sample_id FROM field_sample ORDER BY number"))["sample_id"]
    truth = pd.Series(value).groupby(sample).mean()
    wanted = truth.to_numpy()[np.searchsorted(truth.index, names.str[1:].astype(int))]
    np.testing.assert_allclose(means.low, wanted, rtol=1e-12)


def side_of(store: Store, cells: pd.DataFrame, columns: dict[str, str]) -> sides.Side:
    """The field side of a table made by hand: sample ids and columns of results."""
    con = store.connection
    con.execute("INSERT INTO file VALUES (1, 'f.csv', 'x', 'k', 'field', 1, '', '')")
    con.execute("INSERT INTO analyte VALUES (1, 'Cu', 'Cu', '', 'Cu', 'mg/kg', 0)")
    store.widen("field", STATED | columns)
    con.register("incoming", cells)
    con.execute(
        "INSERT INTO field_stored BY NAME SELECT 1 AS file_id, '' AS sheet, * FROM "
        '(SELECT row_number() OVER () AS "row", * FROM incoming)'
    )
    pairing.begin(
        store, [pairing.RunFile(1, 0, True)], pd.DataFrame({"written_id": [], "sample_id": []})
    )
    pairing.place_rows(store, "nothing", None)
    return sides.Side(store, "field")


CU = sides.Key("Cu", "Cu", "")
STATED = {
    "row": "BIGINT", "sample_id": "VARCHAR", "reading_no": "VARCHAR", "operator": "VARCHAR",
    "shot_no": "VARCHAR", "measured_at": "TIMESTAMP",
}  # fmt: skip
CODED = {"v:Cu": "DOUBLE", "q:Cu": "TINYINT", "l:Cu": "DOUBLE"}


def test_one_signed_number_says_what_value_qualifier_and_limit_say() -> None:
    signed = pd.DataFrame(
        {
            "sample_id": ["A", "A", "A", "B", "B", "C"],
            "r:Cu": [10.0, 0.0, None, -5.0, -0.0, None],
        }
    )
    coded = pd.DataFrame(
        {
            "sample_id": signed["sample_id"],
            "v:Cu": [10.0, 0.0, None, None, None, None],
            "q:Cu": pd.array([0, 0, None, 1, 1, None], dtype="Int8"),
            "l:Cu": [None, None, None, 5.0, 0.0, None],
        }
    )
    mixed = pd.concat([signed.iloc[:1], coded.iloc[1:4], signed.iloc[4:]])
    for cells, columns in (
        (signed, {"r:Cu": "DOUBLE"}),
        (coded, CODED),
        (mixed, {"r:Cu": "DOUBLE", **CODED}),
    ):
        with Store(None) as store:
            side = side_of(store, cells, columns)
            means = side.of(CU)
            single = side.single(CU, np.array([0, 1, 2]), np.array([7, 8, 9]))
        assert means.n.tolist() == [2, 2, 0]
        assert means.censored.tolist() == [0, 2, 0]
        np.testing.assert_array_equal(means.low, [5.0, 0.0, np.nan])
        np.testing.assert_array_equal(means.high, [5.0, 2.5, np.nan])
        assert not np.signbit(means.low[:2]).any()
        assert [column.tolist() for column in single] == [[10.0, 0.0], [7, 7], [0, 1]]


def test_a_certificate_settles_a_result_that_is_one_signed_number() -> None:
    with Store(None) as store:
        for number, kind in enumerate(("field", "lab"), 1):
            store.connection.execute(
                "INSERT INTO file VALUES (?, ?, 'x', 'k', ?, 1, '', '')", [number, kind, kind]
            )
            store.widen(kind, {"row": "BIGINT", "sample_id": "VARCHAR", "r:Cu": "DOUBLE"})
            store.connection.execute(
                f'INSERT INTO {kind}_stored BY NAME SELECT {number} AS file_id, \'\' AS sheet, '
                'x AS "row", \'A\' AS sample_id, 10.0 * x AS "r:Cu" FROM range(1, 4) t(x)'
            )  # fmt: skip
        files = [pairing.RunFile(1, 0, True), pairing.RunFile(2, 1, True)]
        pairing.begin(store, files, pd.DataFrame({"written_id": [], "sample_id": []}))
        pairing.place_rows(store, "nothing", None)
        store.connection.execute(
            "INSERT INTO lab_cell SELECT source, 'Cu', -1, NULL, 'A', 'Cu', 'why', '', '' "
            'FROM lab_row WHERE "row" = 3'
        )
        means = sides.Side(store, "lab").of(CU)
    assert (means.n.tolist(), means.low.tolist()) == ([2], [15.0])


@pytest.mark.parametrize("shuffled", [False, True])
def test_means_have_the_same_last_digit_however_their_order_is_found(
    shuffled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(9)
    n = 3000
    cells = pd.DataFrame(
        {
            "sample_id": [f"S{i // 12:04d}" for i in range(n)],
            "reading_no": [str(i) for i in range(n)],
            "r:Cu": rng.lognormal(3, 1, n) * rng.choice([1, 1, 1, -1], n),
        }
    )
    cells.loc[rng.random(n) < 0.1, "r:Cu"] = np.nan
    order = rng.permutation(n) if shuffled else np.arange(n)
    found = []
    for look in (True, False):
        with Store(None) as store:
            if not look:
                monkeypatch.setattr(sides, "_as_stored", lambda *_: None)
            found.append(side_of(store, cells.iloc[order], {"r:Cu": "DOUBLE"}).of(CU))
    truth = cells["r:Cu"].where(cells["r:Cu"] > 0, cells["r:Cu"] * 0)
    np.testing.assert_allclose(found[0].low, truth.groupby(cells["sample_id"]).mean(), rtol=1e-12)
    for name in ("n", "spots", "censored", "low", "high", "se", "sd"):
        np.testing.assert_array_equal(getattr(found[0], name), getattr(found[1], name))


def test_readings_of_one_spot_apart_in_the_file_stay_one_spot() -> None:
    rows = [
        field_row("A", 10.0, spot_no="9"),
        field_row("A", 40.0, spot_no="10"),
        field_row("A", 20.0, spot_no="9"),
    ]
    row = joined(rows, [lab_row("A", 50.0)])[0].pairs.iloc[0]
    assert (row.field_n, row.field_spots) == (3, 2)
    assert row.field_mean == pytest.approx((15 + 40) / 2)


def test_samples_read_by_two_instruments_in_turn_keep_their_readings_apart() -> None:
    rows = [field_row(s, v, instrument=i) for s in "AB" for i, v in (("X1", 10.0), ("X2", 20.0))]
    rows += [field_row("B", 30.0, instrument="X2")]
    pairs = joined(rows, [lab_row("A", 1.0), lab_row("B", 1.0)])[0].pairs
    found = pairs.set_index(["sample_id", "field_methods"])["field_mean"].to_dict()
    assert found == {
        ("A", ("XRF · X1",)): 10.0,
        ("A", ("XRF · X2",)): 20.0,
        ("B", ("XRF · X1",)): 10.0,
        ("B", ("XRF · X2",)): 25.0,
    }


def test_a_side_without_rows_has_no_means() -> None:
    with Store(None) as store:
        side = side_of(store, pd.DataFrame({"sample_id": ["A"], "r:Cu": [1.0]}), {"r:Cu": "DOUBLE"})
        assert side.of(CU).n.tolist() == [1]
        store.widen("lab", {"r:Cu": "DOUBLE"})
        assert sides.Side(store, "lab").of(CU).low.tolist() == []


def test_lab_samples_of_one_row_each_are_the_same_with_and_without_grouping() -> None:
    with Store(None) as store:
        moment = datetime(2026, 10, 4, tzinfo=UTC)
        rows = [
            lab_row("A", 1.0, certificate="C1", reported_at=moment, received_at=None),
            lab_row("B", 2.0, lab_method="M1", received_at=moment),
            lab_row("a", 3.0, digestion="aqua regia", digestion_class="partial"),
        ]
        stored = store.add("lab.csv", "0" * 64, "", "lab", 1, (table("lab", rows),))
        files = [pairing.RunFile(stored.file_id, 0, True)]
        pairing.begin(store, files, pd.DataFrame({"written_id": [], "sample_id": []}))
        pairing.place_rows(store, "nothing", None)
        found = []
        for name in ("lab_samples", "lab_samples_alone"):
            store.connection.execute(sql(name))
            found.append(
                (
                    store.rows(Sql("DESCRIBE lab_sample")),
                    store.rows(Sql("SELECT * FROM lab_sample ORDER BY number")),
                )
            )
    assert found[0] == found[1]
    assert [row[:2] for row in found[0][1]] == [(0, "A"), (1, "B"), (2, "a")]


@pytest.mark.parametrize("columns", [{"r:Cu@icp": "DOUBLE"}, {"v:Cu@icp": "DOUBLE"}])
def test_a_method_written_in_other_capitals_is_the_same_column(columns: dict[str, str]) -> None:
    (name,) = columns
    rest = {"q:Cu@icp": "TINYINT", "l:Cu@icp": "DOUBLE"} if name[0] == "v" else {}
    cells = pd.DataFrame({"sample_id": ["A", "A"], name: [1.0, 3.0], **dict.fromkeys(rest, 0)})
    with Store(None) as store:
        side = side_of(store, cells, columns | rest)
        assert side.of(sides.Key("Cu@ICP", "Cu", "ICP")).low.tolist() == [2.0]


def at(day: int, hour: int = 9, minute: int = 0) -> datetime:
    return datetime(2026, 10, day, hour, minute, tzinfo=UTC)


def test_reading_numbers_that_start_again_each_day_are_told_apart_by_their_times() -> None:
    first = [
        field_row("A", 10.0 + i, reading_no=str(i), measured_at=at(1, 9, i)) for i in range(13)
    ]
    again = [field_row("A", 40.0 + i, reading_no=str(i), measured_at=at(2, 9, i)) for i in range(6)]
    row = joined(first + again, [lab_row("A", 20.0)])[0].pairs.iloc[0]
    assert (row.field_n, row.field_spots) == (19, 19)
    values: Any = [r["Cu"] for r in first + again]
    assert row.field_mean == pytest.approx(np.mean(values), rel=1e-14)
    assert row.field_se == pytest.approx(np.std(values, ddof=1) / math.sqrt(19), rel=1e-12)


@pytest.mark.parametrize(
    "facts",
    [
        ({"operator": "analyst 1"}, {"operator": "analyst 2"}),
        ({"group": "hole 1"}, {"group": "hole 2"}),
        ({"measured_at": at(1)}, {"measured_at": None}),
    ],
)
def test_whatever_else_a_row_states_tells_readings_of_one_number_apart(
    facts: tuple[dict[str, object], dict[str, object]],
) -> None:
    rows = [
        field_row("A", v, reading_no="1", **f)
        for v, f in ((10.0, facts[0]), (12.0, facts[0]), (17.0, facts[1]))
    ]
    row = joined(rows, [lab_row("A", 20.0)])[0].pairs.iloc[0]
    assert (row.field_n, row.field_spots) == (3, 2)
    assert row.field_mean == pytest.approx((11 + 17) / 2)


def test_one_reading_written_twice_counts_once_in_the_mean() -> None:
    rows = [
        field_row("A", 10.0, reading_no="1", measured_at=at(1)),
        field_row("A", 10.0, reading_no="1", measured_at=at(1)),
        field_row("A", 40.0, reading_no="2", measured_at=at(1, 10)),
    ]
    row = joined(rows, [lab_row("A", 20.0)])[0].pairs.iloc[0]
    assert (row.field_spots, row.field_mean) == (2, 25.0)


def test_shots_of_one_reading_stay_together_though_each_has_its_time() -> None:
    rows = [
        field_row("A", 10.0 * day + s, reading_no="1", shot_no=str(s), measured_at=at(day, 9, s))
        for day in (1, 2)
        for s in (1, 2, 3)
    ]
    row = joined(rows, [lab_row("A", 20.0)])[0].pairs.iloc[0]
    assert (row.field_n, row.field_spots) == (6, 2)
    assert row.field_mean == pytest.approx((12 + 22) / 2)
    assert row.field_sd == pytest.approx(1.0)


def test_the_day_that_keeps_shots_together_is_the_day_of_the_place() -> None:
    # 23:58 to 00:04 UTC is one morning ten hours ahead
    times = [at(1, 23, 58), at(2, 0, 1), at(2, 0, 4), at(2, 23, 58)]
    rows = [
        field_row("A", 10.0 + i, reading_no="1", shot_no=str(i), measured_at=t)
        for i, t in enumerate(times)
    ]
    row = joined(rows, [lab_row("A", 20.0)], zone="Australia/Brisbane")[0].pairs.iloc[0]
    assert row.field_spots == 2
    assert row.field_mean == pytest.approx((11 + 13) / 2)


def test_restarted_numbers_are_told_apart_alike_however_their_order_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(11)
    n = 1200
    cells = pd.DataFrame(
        {
            "sample_id": [f"S{i // 12:04d}" for i in range(n)],
            "reading_no": [str(i % 7) for i in range(n)],
            "measured_at": [pd.Timestamp(2026, 10, 1 + i % 28, 8, i % 60) for i in range(n)],
            "operator": rng.choice(cast("Any", ["a", "b", None]), n),
            "shot_no": [str(i % 2) if i % 24 < 12 else None for i in range(n)],
            "r:Cu": rng.lognormal(3, 1, n),
        }
    )
    order = cells.sort_values(["sample_id", "reading_no"], kind="stable").index
    found = []
    for look in (True, False):
        with Store(None) as store:
            if not look:
                monkeypatch.setattr(sides, "_as_stored", lambda *_: None)
            found.append(side_of(store, cells.loc[order], {"r:Cu": "DOUBLE"}).of(CU))
    for name in ("n", "spots", "censored", "low", "high", "se", "sd"):
        np.testing.assert_array_equal(getattr(found[0], name), getattr(found[1], name))
    apart = cells.assign(
        time=cells["measured_at"].where(
            cells["shot_no"].isna(), cells["measured_at"].dt.normalize()
        )
    )
    spots = apart.fillna({"operator": ""}).groupby("sample_id")[
        ["reading_no", "time", "operator"]
    ].apply(lambda rows: len(rows.drop_duplicates()))  # fmt: skip
    assert found[0].spots.tolist() == spots.tolist()
