"""The list of sites: what it refuses, and what stops no other site."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake import months
from reconcile.intake.workspace import load_workspace
from reconcile.portfolio import listed
from tests import sites


def test_one_name_for_two_folders_is_refused_with_both_named(tmp_path: Path) -> None:
    root = sites.build_portfolio(tmp_path, 1, [])
    sites.build(tmp_path / "copy", 0, [])
    with (root / "portfolio.toml").open("a", encoding="utf-8") as stream:
        stream.write('[[site]]\nfolder = "copy"\n')
    with pytest.raises(ReconcileError) as raised:
        listed.load(root)
    assert str(tmp_path / "copy") in raised.value.message
    assert str(tmp_path / "sites" / "site-00") in raised.value.message


def test_a_site_that_can_not_be_read_stands_in_the_list_with_its_fault(tmp_path: Path) -> None:
    root = sites.build_portfolio(tmp_path, 3, [])
    (tmp_path / "sites" / "site-01" / "reconcile.toml").write_text("[workspace\n")
    unnamed = tmp_path / "sites" / "site-02" / "reconcile.toml"
    unnamed.write_text(unnamed.read_text().replace('site = "site-02"', ""), encoding="utf-8")
    found = listed.load(root).sites
    assert [site.fault is None for site in found] == [True, False, False]
    assert found[2].fault is not None
    assert 'site = "site-02"' in found[2].fault.advice


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "lists no site"),
        ("[portfolio\n", "can't be read"),
        ('[portfolio]\nrunner = "cloud"\n[[site]]\nfolder = "a"\n', "line 2, portfolio.runner"),
        ('[[site]]\nplace = "a"\n', "site.0.place"),
    ],
)
def test_a_fault_of_the_list_is_told_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "portfolio.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ReconcileError, match=told):
        listed.load(tmp_path)


def test_months_are_known_by_the_names_of_field_files(tmp_path: Path) -> None:
    site = sites.build(tmp_path, 0, ["2026-09", "2026-11"])
    (site / "field" / "2026-13.csv").write_text("no month")
    assert months.with_files(load_workspace(site)) == ("2026-09", "2026-11")
    assert months.without_release(load_workspace(site), "2026-10") == ("2026-09",)
