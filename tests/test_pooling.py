"""Strata are pooled only where the setting asks and the test allows; the test is shown."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest

from reconcile.base.model.further import Further, Results
from reconcile.base.model.singles import Pooling
from reconcile.base.settings.whole import Settings
from reconcile.pairs import pairing, pooling, sides
from reconcile.store.database import Store
from tests.reporting import builder
from tests.test_pairing import field_row, lab_row, table


def settings(pool: tuple[str, ...] = ("instrument",), **thresholds: object) -> Settings:
    return Settings.model_validate(
        {
            "table": [
                {"kind": "field", "files": ["f.csv"]},
                {"kind": "lab", "files": ["l.csv"]},
            ],
            "pool": pool,
            "thresholds": thresholds,
        }
    )


def rows_of(second: float, n: int = 20, shared: bool = False) -> tuple[list, list]:
    """Two instruments; the second reads ``second`` times as much as the first."""
    rng = np.random.default_rng(100)
    field, lab = [], []
    for i in range(n):
        true = float(np.exp(rng.uniform(3, 6)))
        lab.append(lab_row(f"S{i}", true * np.exp(rng.normal(0, 0.02))))
        for name, ratio in (("X1", 1.0), ("X2", second)):
            if shared or (i % 2 == 0) == (name == "X1"):
                value = true * ratio * np.exp(rng.normal(0, 0.05))
                field.append(field_row(f"S{i}", value, instrument=name))
    return field, lab


def pooled(
    field: list, lab: list, asked: Settings
) -> tuple[pairing.Joined, pd.DataFrame, dict[str, Pooling]]:
    with Store(None) as store:
        files = []
        for place, (kind, rows) in enumerate((("field", field), ("lab", lab))):
            stored = store.add(f"{kind}.csv", "0" * 64, "", kind, 1, (table(kind, rows),))
            files.append(pairing.RunFile(stored.file_id, place, False))
        ids = sorted({str(r["sample_id"]) for r in [*field, *lab]})
        pairing.begin(store, files, pd.DataFrame({"written_id": ids, "sample_id": ids}))
        pairing.place_rows(store, "nothing", None)
        means = sides.average(store)
        keys = sides.keys_of(store, "field", ()), sides.keys_of(store, "lab", ())

        def join(pool: Sequence[str], apart: frozenset[str]) -> tuple[pairing.Joined, pd.DataFrame]:
            found = pairing.join(store, means, *keys, pool, apart)
            return found, found.pairs

        return pooling.pooled_where_allowed(join, asked)


def test_instruments_that_read_alike_are_pooled_and_the_test_is_kept() -> None:
    joined, pairs, tested = pooled(*rows_of(1.0), settings())
    assert [s.field_method for s in joined.strata] == ["XRF · pooled"]
    assert len(pairs) == 20
    (found,) = tested.values()
    assert found.pooled
    assert found.test.n_strata == 2
    assert min(found.test.slopes_p, found.test.intercepts_p) > 0.05


def test_an_instrument_that_reads_higher_keeps_its_own_stratum_whatever_the_setting() -> None:
    joined, pairs, tested = pooled(*rows_of(1.3), settings())
    assert [s.field_method for s in joined.strata] == ["XRF · X1", "XRF · X2"]
    assert pairs["stratum"].nunique() == 2
    for stratum in joined.strata:
        assert not tested[stratum.key].pooled
        assert tested[stratum.key].test.intercepts_p < 0.05


def test_without_the_setting_nothing_is_pooled_and_nothing_tested() -> None:
    joined, _, tested = pooled(*rows_of(1.0), settings(()))
    assert len(joined.strata) == 2
    assert tested == {}


def test_a_stricter_level_pools_what_a_looser_one_keeps_apart() -> None:
    rows = rows_of(1.04)
    p = next(iter(pooled(*rows, settings())[2].values())).test.intercepts_p
    assert 0.0001 < p < 0.5
    assert len(pooled(*rows, settings(pooling_alpha=p * 0.9))[0].strata) == 1
    assert len(pooled(*rows, settings(pooling_alpha=min(p * 1.1, 0.99)))[0].strata) == 2


def test_parts_too_small_to_test_stay_apart() -> None:
    joined, _, tested = pooled(*rows_of(1.0, n=4), settings())
    assert len(joined.strata) == 2
    assert not any(found.pooled for found in tested.values())


@pytest.mark.parametrize("allowed", [True, False])
def test_the_report_says_whether_strata_were_pooled_and_shows_the_test(allowed: bool) -> None:
    from dataclasses import replace

    from reconcile.reporting import details

    result = builder.ordinary()
    found = result.statistics.further.get(Further.POOLING)
    assert found is not None
    s = replace(
        result.statistics, further=Results(((Further.POOLING, replace(found, pooled=allowed)),))
    )
    text = " ".join(details.sentences_of(replace(result, statistics=s)))
    assert ("Pooled over instrument" if allowed else "Kept apart although") in text
    assert f"n = {found.test.n}" in text
