"""Charts over time rest on the files of the run, and on nothing after its period."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.run.pipeline import Run
from reconcile.store.database import Store
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = small.build(tmp_path / "site", samples=6)
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8").replace(
        'fixed = { technique = "XRF"',
        'kind_rules = [{ column = "sample_id", pattern = "RM-.*", kind = "reference material" }]\n'
        'fixed = { technique = "XRF"',
    )
    settings.write_text(text, encoding="utf-8")
    field = folder / "field.csv"
    days = [*(f"2026-09-{d:02d}" for d in range(1, 9)), "2026-10-01", "2026-10-02", "2026-11-03"]
    lines = [f"RM-1,1,{day} 05:00,{200 + i % 4},35000\n" for i, day in enumerate(days)]
    field.write_text(field.read_text("utf-8") + "".join(lines), encoding="utf-8")
    return folder


def judged(site: Path, period: str) -> Run:
    with Store(None) as store:
        run = pipeline.begin(ws.load_workspace(site), period, store)
        for _, step in pipeline.STEPS[:4]:
            run = step(run)
    return run


@pytest.mark.slow
def test_a_chart_holds_this_and_earlier_periods_and_none_after(site: Path) -> None:
    charts = {c.element: c for c in judged(site, "2026-10").controls.charts}
    assert set(charts) == {"Cu"}  # the iron never varies: no chart
    copper = charts["Cu"]
    assert copper.values == tuple(200.0 + i % 4 for i in range(10))
    assert copper.times[0].startswith("2026-09-01")
    assert copper.times[-1].startswith("2026-10-02")
    assert copper.method == "XRF · X1 · soil 1"


def test_rates_count_checks_and_samples_of_the_period_alone(site: Path) -> None:
    (rate,) = [
        r
        for r in judged(site, "2026-10").controls.rates
        if (r.side, r.kind) == ("field", "reference material")
    ]
    assert rate.controls == 2
    assert rate.samples == 6
