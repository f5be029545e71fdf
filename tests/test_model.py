"""Short names of strata tell them apart wherever two would be the same."""

from reconcile.base.model import Stratum, told_apart


def stratum(serial: str = "20714", lab: str = "ICP-OES · 4A · four acids", **more: str) -> Stratum:
    facts = {"element": "Cu", "matrix": "soil", "technique": "XRF", "specimen_form": "pulp"}
    return Stratum(field_method=f"XRF · {serial} · soil 3", lab_method=lab, **(facts | more))


def labels(*strata: Stratum) -> list[str]:
    return [s.label for s in told_apart(strata)]


def test_a_stratum_alone_has_its_plain_name():
    assert labels(stratum(), stratum(element="Zn")) == ["Cu · XRF · soil", "Zn · XRF · soil"]


def test_two_instruments_are_told_apart_by_their_serials():
    assert labels(stratum("20714"), stratum("20715"), stratum(element="Zn")) == [
        "Cu · XRF 20714 · soil",
        "Cu · XRF 20715 · soil",
        "Zn · XRF · soil",
    ]


def test_one_instrument_against_two_laboratory_methods_is_told_apart_by_them():
    found = labels(stratum(), stratum(lab="ICP-OES · FUS · fusion"))
    assert found == ["Cu · XRF 4A four acids · soil", "Cu · XRF FUS fusion · soil"]


def test_two_instruments_and_two_laboratory_methods_need_both():
    lab = "ICP-OES · FUS · fusion"
    four = [stratum("1"), stratum("2"), stratum("1", lab), stratum("2", lab)]
    assert len(set(labels(*four))) == 4


def test_specimen_forms_are_told_apart_where_nothing_else_differs():
    found = labels(stratum(), stratum(specimen_form="as found"))
    assert found == ["Cu · XRF pulp · soil", "Cu · XRF as found · soil"]


def test_the_mark_changes_neither_key_nor_equality():
    one, _ = told_apart([stratum("1"), stratum("2")])
    assert one.key == stratum("1").key
    assert one == stratum("1")
