"""Who acts and when: names from the register, times that are stated and can be true."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.base.errors import ReconcileError
from reconcile.intake.workspace import Workspace, load_workspace
from reconcile.releases import persons
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

REGISTER = """id,full name,also known as,role,authorised for,public key
P1,Ana Lima,A. Lima; analyst 1,analyst,withdraw,
P2,Benedikt Müller,,chemist,approve; withdraw; settle,
P3,Zofia Łęcka,,head,,
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    small.build(tmp_path / "site", samples=3)
    return tmp_path / "site"


def place(site: Path, text: str = "") -> Workspace:
    if text:
        (site / "people.csv").write_text(text, encoding="utf-8")
    return load_workspace(site)


@given(st.text(max_size=30), st.integers(0, 3))
def test_no_spelling_of_a_name_makes_two_people_of_one(name: str, how: int) -> None:
    if not persons.words_of(name):
        return
    other = [name.upper(), f"  {name}\u200d ", name.swapcase(), " ".join(name.split()[::-1])][how]
    # upper and lower case of a few letters have no common form (ß, ı): folding settles them
    assert persons.may_be_one_person(name, name)
    if persons.words_of(other):
        assert persons.may_be_one_person(other, name) or how in (0, 2)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Benedikt Müller", "benedikt mueller"), ("Müller, Benedikt", "B. Muller"),
        ("Zofia Łęcka", "Zofia Lecka"), ("Ana Lima", "Anna Lima"), ("Søren Ø. Aas", "Soeren Aas"),
    ],
)  # fmt: skip
def test_other_spellings_are_held_to_be_one_person(one: str, other: str) -> None:
    assert persons.may_be_one_person(one, other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Ana Lima", "Ben Osei"), ("field analyst 1", "field analyst 2"), ("Ana Lima", "Ana Berg")],
)
def test_other_people_stay_other_people(one: str, other: str) -> None:
    assert not persons.may_be_one_person(one, other)


@pytest.mark.parametrize(
    "at",
    ["", " ", "1066-01-01xx", "2026-11-03", "2026-11-03T10:00", "2026-13-03T10:00Z", "yesterday",
     "2026-11-03T10:00+99:00", "2026-W45-2T10:00Z", "10:00Z", "2026-11-03T25:00Z",
     "0001-01-01T00:00+23:00"],
)  # fmt: skip
def test_a_time_needs_its_date_hour_and_zone(site: Path, at: str) -> None:
    with pytest.raises(ReconcileError, match=r"No time was given|is no time"):
        persons.time_of_act(place(site), at)


def test_a_time_is_neither_in_the_future_nor_before_what_it_speaks_of(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(persons, "clock", lambda: datetime(2026, 11, 3, 8, tzinfo=UTC))
    workspace = place(site)
    assert persons.time_of_act(workspace, "2026-11-03 10:09+02:00") == "2026-11-03T10:09:00+02:00"
    with pytest.raises(ReconcileError, match="lies in the future"):
        persons.time_of_act(workspace, "2026-11-03T10:11+02:00")
    released = [(datetime(2026, 11, 1, 12, tzinfo=UTC), "the release")]
    assert persons.time_of_act(workspace, "2026-11-01T12:00Z", released)
    with pytest.raises(ReconcileError, match="is before the release"):
        persons.time_of_act(workspace, "2026-11-01T13:59+02:00", released)


def test_now_is_written_out_in_the_workspaces_zone(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(persons, "clock", lambda: datetime(2026, 11, 3, 8, tzinfo=UTC))
    path = site / "reconcile.toml"
    path.write_text(path.read_text("utf-8").replace('"UTC"', '"Africa/Harare"'), "utf-8")
    assert persons.time_of_act(place(site), "now") == "2026-11-03T10:00:00+02:00"


@pytest.mark.parametrize(
    ("name", "person"),
    [
        ("Ana Lima", "P1"), ("LIMA, ana", "P1"), ("analyst 1", "P1"), ("p1", "P1"),
        ("Benedikt Mueller", "P2"), ("muller benedikt", "P2"), ("Zofia Lecka", "P3"),
    ],
)  # fmt: skip
def test_the_register_knows_its_people_however_they_are_spelt(
    site: Path, name: str, person: str
) -> None:
    acting = persons.acting(place(site, REGISTER), name, "now", "withdraw")
    assert acting.person == person
    assert acting.as_content()["by"] in REGISTER


@pytest.mark.parametrize(
    ("name", "words"),
    [("Anna Lima", "holds no 'Anna Lima'"), ("Ana Lima", "not authorised"), ("\u200b", "No name")],
)
def test_who_is_not_in_the_register_or_not_authorised_can_not_act(
    site: Path, name: str, words: str
) -> None:
    with pytest.raises(ReconcileError, match=words):
        persons.acting(place(site, REGISTER), name, "now", "approve")


def test_without_a_register_the_name_stands_as_it_was_typed(site: Path) -> None:
    acting = persons.acting(place(site), " Ana  Lima ", "now", "approve")
    assert (acting.by, acting.person) == ("Ana Lima", "")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name\nAna\n", "no column 'id'"),
        ("", "no column 'id'"),
        ("id,full name\nP1,\n", "row 2, column 'full name' is empty"),
        ("id,full name\nP1,Ana Lima\nP2,lima ana\n", "row 3: a name of 'P2' is also one of 'P1'"),
        ("id,full name\nP1,Ana Lima\nP1,Ben Osei\n", "row 3: .*'P1'"),
        ("id,full name,authorised for\nP1,Ana Lima,aprove\n", "'aprove' is not known"),
    ],
)
def test_a_register_that_can_not_stand_is_told_by_row(site: Path, text: str, words: str) -> None:
    (site / "people.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ReconcileError, match=words):
        persons.register_of(load_workspace(site))
