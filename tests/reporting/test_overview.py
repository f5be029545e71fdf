"""The page over all releases: months against strata, factors, findings, files."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from reconcile.judgement.factor_life import Life
from reconcile.releases import overview
from reconcile.reporting import words
from reconcile.reporting.document import overview as document
from reconcile.reporting.document import screen
from tests.reporting import builder


def manifest(
    period: str,
    revision: int = 1,
    verdicts: Sequence[tuple[str, str]] = (("Cu", "accepted"), ("Pb", "laboratory only")),
    **more: object,
) -> dict[str, Any]:
    strata = {
        f"{element} | XRF": {"label": f"{element} · XRF · soil", "verdict": verdict, "used": 21}
        for element, verdict in verdicts
    }
    return {
        "release_id": f"{period}-r{revision}-0a1b2c3d", "period": period, "revision": revision,
        "needs_a_person": True, "strata": strata,
        "open": [{"severity": "serious", "subject": "S-1", "text": "A <b>bag</b> was lost."}],
        "outputs": [{"name": n} for n in ("report.pdf", "report.html", "workbook.xlsx", "a.csv")],
    } | more  # fmt: skip


def written(folder: Path, *manifests: dict[str, Any]) -> Path:
    for content in manifests:
        place = folder / content["period"] / f"r{content['revision']}"
        place.mkdir(parents=True)
        (place / "manifest.json").write_text(json.dumps(content), encoding="utf-8")
    return folder


def two_months() -> tuple[overview.Month, ...]:
    then = overview.Then(1, "Cu · XRF · soil", "accepted", 21)
    lead = overview.Then(2, "Pb · XRF · soil", "insufficient evidence", 7)
    now = replace(then, verdict="laboratory only")
    files = ("report.html", "report.pdf", "pairs.csv")
    open_ = (
        overview.Open("serious", "S-1", "A <b>bag</b> was lost."),
        overview.Open("warning", "S-2", "A seal was broken."),
    )
    before, after = {"k": then, "l": lead}, {"k": now, "l": lead}
    return (
        overview.Month("2026-09", 1, "2026-09-r1-00", False, before, None, files, (), ()),
        overview.Month("2026-10", 2, "2026-10-r2-00", True, after, open_, files,
                       ("audit.pdf",), (1,)),
    )  # fmt: skip


def page_of(
    months: Sequence[overview.Month], unread: Sequence[str] = (), lives: Sequence[Life] = ()
) -> bytes:
    return document.page("Site", "en", months, unread, lives)


def life(
    status: str, until: str, period: str = "2026-10", form: str = "ratio", approver: str = "P-2"
) -> Life:
    factor = replace(
        next(x.factor for x in builder.mixed().results if x.factor), status=status, form=form,
        valid_from="2026-10-01", valid_until=until,
    )  # fmt: skip
    return Life(factor, period, 1, "r", "P-1", "P-1", "", "accepted", "", approver=approver)


def test_the_latest_revision_of_each_month_is_read_from_its_manifest_alone(tmp_path: Path) -> None:
    again = manifest("2026-10", 2, (("Cu", "accepted"),))
    folder = written(tmp_path, manifest("2026-09"), manifest("2026-10"), again)
    months, unread = overview.months(folder)
    assert [(m.period, m.revision, m.earlier) for m in months] == [
        ("2026-09", 1, ()), ("2026-10", 2, (1,))
    ]  # fmt: skip
    assert [t.verdict for t in months[0].strata.values()] == ["accepted", "laboratory only"]
    assert unread == ()


def test_a_month_that_cannot_be_read_is_named_and_hides_no_other(tmp_path: Path) -> None:
    folder = written(tmp_path, manifest("2026-09"), manifest("2026-10"))
    (folder / "2026-09" / "r1" / "manifest.json").write_text("{", encoding="utf-8")
    months, unread = overview.months(folder)
    assert [m.period for m in months] == ["2026-10"]
    assert unread == ("2026-09",)
    assert "2026-09" in page_of(months, unread).decode()


def test_months_stand_against_strata_with_marks_that_lead_to_their_pages() -> None:
    text = page_of(two_months()).decode()
    assert 'href="releases/2026-09/r1/report.html#stratum-1"' in text
    assert 'href="releases/2026-10/r2/report.html#stratum-1"' in text
    assert f'aria-label="2026-10: {words.DECISION_TITLE["laboratory only"]}, 21 pairs"' in text
    assert words.VERDICT_MARKS[2] in text


def test_open_findings_are_told_as_text_and_months_without_them_are_named() -> None:
    text = page_of(two_months()).decode()
    assert "A &lt;b&gt;bag&lt;/b&gt; was lost." in text
    assert words.OVERVIEW_NOT_KEPT.format(periods="2026-09") in text


def test_every_file_and_what_was_drawn_beside_has_a_link() -> None:
    text = page_of(two_months()).decode()
    for place in ("releases/2026-10/r2/pairs.csv", "releases/2026-10/drawn-r2/audit.pdf",
                  "releases/2026-10/r2/manifest.json"):  # fmt: skip
        assert f'href="{place}"' in text
    assert "r1" in re.search("earlier: ([^)]*)", text)[1]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (life("approved", "2026-11-30"), "expiring"),
        (life("approved", "2027-03-31"), "standing"),
        (life("proposed", "2027-03-31", approver=""), "waiting"),
        (life("expired", "2026-10-31"), "over"),
        (life("proposed", "2027-03-31", period="2026-09", approver=""), ""),
        (life("withdrawn", "2027-03-31"), ""),
        (life("approved", "2027-03-31", form="none"), ""),
    ],
)
def test_factors_in_force_expiring_waiting_and_over_are_told(given: Life, said: str) -> None:
    text = page_of(two_months(), lives=[given]).decode()
    assert (given.factor.factor_id in text) == bool(said)
    if said:
        assert f"<td>{words.OVERVIEW_STATES[said]}</td>" in text


def test_a_workspace_without_releases_says_so(tmp_path: Path) -> None:
    months, unread = overview.months(tmp_path / "none")
    assert words.OVERVIEW_NONE in page_of(months, unread).decode()


def test_the_places_of_strata_are_those_of_the_months_own_page() -> None:
    value = builder.mixed()
    text = screen.page(value).decode()
    for place, x in enumerate(value.results, start=1):
        section = re.search(rf'<section id="stratum-{place}".*?</h3>', text, re.DOTALL)[0]
        assert f'data-element="{x.stratum.element}"' in section


def test_equal_values_give_equal_bytes() -> None:
    assert page_of(two_months()) == page_of(two_months())
