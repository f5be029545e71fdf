from __future__ import annotations

import random
import string
import time

import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from reconcile.samples import identity

NO_ALIAS = pd.DataFrame({"written_id": [], "sample_id": []})
IDS = st.text(alphabet=string.ascii_letters + string.digits + "-_/. ", min_size=1, max_size=14)


def _aliases(*pairs: tuple[str, str]) -> pd.DataFrame:
    return pd.DataFrame(pairs, columns=["written_id", "sample_id"])


# ---- spelling -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "tidy"),
    [
        ("  S-1 ", "S-1"),
        ("S\u00a0 1", "S 1"),
        ("S\u20131", "S-1"),
        ("S\u22121", "S-1"),
        ("\uff33\uff0d\uff11", "S-1"),
        ("S-1\u200b", "S-1"),
        ("S\t1\n", "S 1"),
        ("s-1", "s-1"),
        ("S-001", "S-001"),
        ("SO1", "SO1"),
        ("=1+1", "=1+1"),
        (None, ""),
        (float("nan"), ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        (17, "17"),
    ],
)
def test_an_id_loses_the_accidents_of_typing_and_nothing_else(written: object, tidy: str) -> None:
    assert identity.normalise_id(written) == tidy


@given(st.text(max_size=30))
def test_normalising_twice_changes_nothing_more(text: str) -> None:
    once = identity.normalise_id(text)
    assert identity.normalise_id(once) == once
    form = identity.comparison_form(text)
    assert identity.comparison_form(form) == form


@given(st.text(max_size=30))
def test_a_normalised_id_holds_no_control_or_invisible_character(text: str) -> None:
    import unicodedata

    tidy = identity.normalise_id(text)
    assert not {unicodedata.category(c) for c in tidy} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@given(IDS, IDS)
def test_leading_zeros_and_look_alike_characters_keep_ids_apart(a: str, b: str) -> None:
    assume(a.casefold().split() != b.casefold().split())
    assert identity.comparison_form(a) != identity.comparison_form(b)


# ---- resolution ---------------------------------------------------------------------


def test_each_written_id_gets_the_spelling_of_the_register() -> None:
    table = identity.resolve(["S-1", "s\u20111 ", "S-01", "X"], ["S-1"], NO_ALIAS)
    assert table.to_dict("list") == {
        "written_id": ["S-1", "s\u20111 ", "S-01", "X"],
        "sample_id": ["S-1", "S-1", "", ""],
        "how": ["same", "normalised", "", ""],
    }


def test_an_alias_stands_above_an_equal_id_because_a_person_entered_it() -> None:
    table = identity.resolve(["A", "B"], ["A", "B"], _aliases(("A", "B"), ("B", "A")))
    assert list(table["sample_id"]) == ["B", "A"]
    assert set(table["how"]) == {"alias"}


def test_an_alias_is_found_whatever_its_case_and_blanks() -> None:
    table = identity.resolve(["l03 224b"], ["KRS-1"], _aliases(("L03  224B", "krs-1")))
    assert list(table["sample_id"]) == ["KRS-1"]


def test_an_alias_is_never_followed_in_a_chain() -> None:
    table = identity.resolve(["A"], ["C"], _aliases(("A", "B"), ("B", "C")))
    assert list(table["sample_id"]) == ["B"]
    texts = [f.text for f in identity.alias_findings(_aliases(("A", "B"), ("B", "C")), ["C"])]
    assert any("itself an alias" in t for t in texts)


def test_an_alias_with_two_meanings_leaves_the_id_unresolved_and_is_reported() -> None:
    aliases = _aliases(("A", "S-1"), ("A", "S-2"))
    table = identity.resolve(["A"], ["S-1", "S-2"], aliases)
    assert list(table["sample_id"]) == [""]
    (finding,) = identity.alias_findings(aliases, ["S-1", "S-2"])
    assert finding.severity == "serious"
    assert "'S-1' and 'S-2'" in finding.evidence


def test_an_alias_to_a_sample_that_the_register_lacks_is_reported() -> None:
    (finding,) = identity.alias_findings(_aliases(("A", "S-9")), ["S-1"])
    assert "does not hold" in finding.text


def test_ids_of_the_register_that_differ_only_in_case_are_one_and_are_reported() -> None:
    table = identity.resolve(["s-1", "S-1"], ["S-1", "s-1"], NO_ALIAS)
    assert set(table["sample_id"]) == {"S-1"}
    (finding,) = identity.alias_findings(NO_ALIAS, ["S-1", "s-1"])
    assert finding.severity == "serious"


def test_without_a_register_every_distinct_id_is_its_own_sample() -> None:
    table = identity.resolve([" b-1", "B-1", "b-2"], [], NO_ALIAS)
    assert list(table["sample_id"]) == ["B-1", "B-1", "b-2"]


@pytest.mark.slow
@given(st.lists(IDS, max_size=12), st.lists(IDS, max_size=12), st.randoms())
def test_resolution_does_not_depend_on_any_order_and_never_invents_an_id(
    ids: list[str], register: list[str], rng: random.Random
) -> None:
    table = identity.resolve(ids, register, NO_ALIAS).set_index("written_id")
    mixed_ids, mixed_register = list(ids), list(register)
    rng.shuffle(mixed_ids)
    rng.shuffle(mixed_register)
    again = identity.resolve(mixed_ids, mixed_register, NO_ALIAS).set_index("written_id")
    pd.testing.assert_frame_equal(table.sort_index(), again.sort_index())
    for written, sample in table["sample_id"].items():
        if sample:
            assert identity.comparison_form(written) == identity.comparison_form(sample)


# ---- near misses --------------------------------------------------------------------

SLIPS = {
    "look-alike": lambda t, r: t.replace("0", "O", 1),
    "leading zeros": lambda t, r: t.replace("-0", "-", 1),
    "separators": lambda t, r: t.replace("-", "", 1),
    "transposition": lambda t, r: _exchanged(t, r),
    "digit": lambda t, r: t[:-1] + str((int(t[-1]) + 5) % 10),
    "character": lambda t, r: "Y" + t[1:],
}


def _exchanged(text: str, rng: random.Random) -> str:
    places = [
        i for i in range(3, len(text) - 1)
        if text[i] != text[i + 1] and "0" not in text[i : i + 2]
    ]  # fmt: skip
    i = rng.choice(places)
    return text[:i] + text[i + 1] + text[i] + text[i + 2 :]


@pytest.mark.parametrize("slip", SLIPS)
def test_each_kind_of_slip_is_suggested_with_its_kind_and_a_score(slip: str) -> None:
    rng = random.Random(slip)
    for _ in range(20):
        true = f"KR-0{rng.randrange(1234, 9876)}{rng.randrange(12, 98)}"
        if slip == "transposition" and len(set(true[4:])) < 3:
            continue
        written = SLIPS[slip](true, rng)
        (finding,) = identity.near_misses([written], [true])
        assert finding.area == "identity"
        assert finding.subject == f"{written} / {true}"
        assert f"({slip})" in finding.evidence
        assert "not joined" in finding.advice


def test_the_best_suggestion_comes_first_and_worse_rivals_are_dropped() -> None:
    findings = identity.near_misses(["KRS-1O12"], ["KRS-1012", "KRS-1013", "KRS-1022"])
    assert [f.subject for f in findings] == ["KRS-1O12 / KRS-1012"]


def test_a_suggestion_with_equal_rivals_loses_score() -> None:
    alone = identity.near_misses(["AB-12"], ["AB-13"])[0].evidence
    crowded = identity.near_misses(["AB-12"], ["AB-13", "AB-14"])[0].evidence
    assert "0.50" in alone
    assert "0.25" in crowded


def test_intervals_written_with_their_bounds_exchanged_are_no_separator_slip() -> None:
    findings = identity.near_misses(["C-1-11"], ["C-11-1"])
    assert all("separators" not in f.text for f in findings)


# ---- ids that are known to be two samples ---------------------------------------------


@pytest.mark.parametrize(
    ("lab", "field", "known"),
    [
        (["DH1-12"], ["DH1-13"], [f"DH1-{n}" for n in range(1, 12)]),
        (["DH1-10.5"], ["DH1-11.5"], [f"DH1-{n}.5" for n in range(1, 10)]),
        (["C3_150"], ["C3_250"], [f"C3_{n}" for n in range(50, 800, 50)]),  # even steps
        (["B-1021"], ["B-1012"], [f"B-{n}" for n in range(1000, 1030)]),
        (["P7-d"], ["P7-e"], ["P7-a", "P7-b", "P7-c", "P7-f"]),
        (["N-009"], ["N-010"], ["N-007", "N-008", "N-011"]),
    ],
)
def test_neighbours_in_a_running_series_are_not_suggested(
    lab: list[str], field: list[str], known: list[str]
) -> None:
    assert identity.near_misses(lab, field, known=known) == ()
    assert len(identity.near_misses(lab, field)) == (lab != ["N-009"])  # without it they would be


def test_ids_on_one_side_alone_make_a_running_series_too() -> None:
    lab = [f"DH1-{n}" for n in range(1, 40, 2)]
    field = [f"DH1-{n}" for n in range(2, 41, 2)]
    assert identity.near_misses(lab, field) == ()


@pytest.mark.parametrize(
    ("lab", "field", "known"),
    [
        # far outside the series
        (["DH1-112"], ["DH1-12"], [f"DH1-{n}" for n in range(1, 12)]),
        (["B-1712"], ["B-1012"], [f"B-{n}" for n in range(1000, 1030)]),
        # sparse numbers of no even step
        (["K-1304"], ["K-1204"], ["K-7754", "K-3210", "K-9021", "K-5566"]),
        # slips that no series explains
        (["DH1-1O"], ["DH1-10"], [f"DH1-{n}" for n in range(1, 10)]),
        (["DH1-007"], ["DH1-7"], [f"DH1-{n}" for n in (5, 6, 8, 9)]),
        (["DH1 13"], ["DH1-13"], [f"DH1-{n}" for n in range(1, 13)]),
    ],
)
def test_slips_beside_a_running_series_are_still_suggested(
    lab: list[str], field: list[str], known: list[str]
) -> None:
    (finding,) = identity.near_misses(lab, field, known=known)
    assert finding.subject == f"{lab[0]} / {field[0]}"


def test_ids_that_both_stand_in_the_register_are_not_suggested() -> None:
    both = ["KR-1012", "kr-1O12"]
    assert identity.near_misses(["KR-1012"], ["KR-1O12"], registered=both) == ()
    assert len(identity.near_misses(["KR-1012"], ["KR-1O12"], registered=both[:1])) == 1


def test_what_is_suggested_is_ranked_and_counted() -> None:
    findings = identity.near_misses(["KR-1O12", "AB-7"], ["KR-1012", "AB-8"])
    assert [f.evidence.partition(", score")[0] for f in findings] == [
        "suggestion 1 of 2", "suggestion 2 of 2",
    ]  # fmt: skip
    assert findings[0].subject == "KR-1O12 / KR-1012"


def test_ids_that_are_far_apart_are_not_suggested() -> None:
    assert identity.near_misses(["KRS-1012", ""], ["KRP-7754", "", "Q"]) == ()


def test_what_is_left_over_the_limit_is_counted() -> None:
    a = [f"A-{i:03d}" for i in range(40)]
    b = [f"A-{i:03d}x" for i in range(40)]
    findings = identity.near_misses(a, b, limit=10)
    assert len(findings) == 11
    assert findings[-1].text.startswith("30 further")


@given(st.lists(st.text(max_size=12), max_size=8), st.lists(st.text(max_size=12), max_size=8))
def test_any_text_at_all_can_be_compared_and_both_ids_stay_on_their_side(
    a: list[str], b: list[str]
) -> None:
    sides = ({identity.normalise_id(t) for t in a}, {identity.normalise_id(t) for t in b})
    for finding in identity.near_misses(a, b):
        if finding.subject != "near misses" and finding.subject.count(" / ") == 1:
            left, right = finding.subject.split(" / ")
            assert left in sides[0]
            assert right in sides[1]


@pytest.mark.slow
def test_ten_thousand_against_ten_thousand_ids_take_seconds() -> None:
    rng = random.Random(2)
    a = [f"S{rng.randrange(10**7):07d}" for _ in range(10_000)]
    b = [t[:3] + t[4] + t[3] + t[5:] for t in a]
    start = time.perf_counter()
    findings = identity.near_misses(a, b, limit=20_000)
    assert time.perf_counter() - start < 20
    assert len(findings) > 5_000


# ---- check characters ---------------------------------------------------------------


@given(st.text(alphabet=string.ascii_uppercase + string.digits, min_size=1, max_size=15))
def test_an_id_with_its_check_characters_is_valid(text: str) -> None:
    assert identity.has_valid_check(text + identity.check_character(text))
    assert identity.has_valid_check(text + identity.check_digits(text), "mod 97-10")


@given(
    st.text(alphabet=string.ascii_uppercase + string.digits, min_size=2, max_size=12),
    st.data(),
)
def test_one_wrong_character_or_two_exchanged_neighbours_are_always_caught(
    text: str, data: st.DataObject
) -> None:
    whole = text + identity.check_character(text)
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.sampled_from(sorted(set(string.ascii_uppercase) - {whole[place]})))
    assert not identity.has_valid_check(whole[:place] + other + whole[place + 1 :])
    i = data.draw(st.integers(0, len(text) - 2))
    assume(whole[i] != whole[i + 1])
    assert not identity.has_valid_check(whole[:i] + whole[i + 1] + whole[i] + whole[i + 2 :])


def test_wrong_check_characters_are_reported_once_each() -> None:
    good = "KRS1012" + identity.check_character("KRS1012")
    bad = "KRS1021" + identity.check_character("KRS1012")
    assert list(identity.valid_checks([good, bad, ""])) == [True, False, False]
    (finding,) = identity.check_findings([good, bad, bad, ""])
    assert finding.subject == bad
