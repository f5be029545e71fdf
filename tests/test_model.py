"""Short names of strata tell them apart wherever two would be the same."""

from dataclasses import replace

from reconcile.base.methods import FieldMethod, LabMethod, Moisture, alike
from reconcile.base.model.stratum import Stratum
from reconcile.base.strata import TEXTS, as_plain, from_plain, told_apart

FOUR_ACIDS, FUSION = LabMethod("ICP-OES", "4A", "four acids"), LabMethod("ICP-OES", "FUS", "fusion")


def stratum(serial: str = "20714", lab: LabMethod = FOUR_ACIDS, **more: str) -> Stratum:
    facts = {"element": "Cu", "matrix": "soil", "specimen_form": "pulp"} | more
    return Stratum(
        read_by=FieldMethod("XRF", serial, "soil 3"), determined_by=lab,
        moisture=Moisture("dry", "dry"), **facts,
    )  # fmt: skip


def labels(*strata: Stratum) -> list[str]:
    return [s.label for s in told_apart(strata)]


def test_a_stratum_alone_has_its_plain_name() -> None:
    assert labels(stratum(), stratum(element="Zn")) == ["Cu · XRF · soil", "Zn · XRF · soil"]


def test_two_instruments_are_told_apart_by_their_serials() -> None:
    assert labels(stratum("20714"), stratum("20715"), stratum(element="Zn")) == [
        "Cu · XRF 20714 · soil",
        "Cu · XRF 20715 · soil",
        "Zn · XRF · soil",
    ]


def test_one_instrument_against_two_laboratory_methods_is_told_apart_by_them() -> None:
    found = labels(stratum(), stratum(lab=FUSION))
    assert found == ["Cu · XRF 4A four acids · soil", "Cu · XRF FUS fusion · soil"]


def test_two_instruments_and_two_laboratory_methods_need_both() -> None:
    four = [stratum("1"), stratum("2"), stratum("1", FUSION), stratum("2", FUSION)]
    assert len(set(labels(*four))) == 4


def test_specimen_forms_are_told_apart_where_nothing_else_differs() -> None:
    found = labels(stratum(), stratum(specimen_form="as found"))
    assert found == ["Cu · XRF pulp · soil", "Cu · XRF as found · soil"]


def test_the_mark_changes_neither_key_nor_equality() -> None:
    one, _ = told_apart([stratum("1"), stratum("2")])
    assert one.key == stratum("1").key
    assert one == stratum("1")


def test_a_stratum_comes_back_from_its_plain_values_with_its_parts() -> None:
    one = stratum("20714; B · C | D", specimen_form="a · b")
    assert from_plain(as_plain(one)) == one


def test_a_stratum_of_an_earlier_version_is_known_by_its_whole_texts() -> None:
    one = replace(stratum("20714; B · C | D"), moisture=Moisture("wet", "dry"))
    old = {name: as_plain(one)[name] for name in TEXTS}
    bases = ("", "dry", "wet")
    back = from_plain(old, [Moisture(field, lab) for field in bases for lab in bases])
    assert back.key == one.key
    assert alike(back.read_by, one.read_by)
    assert not alike(back.read_by, replace(one.read_by, instrument="20715"))
    assert back.moisture == one.moisture
    assert back.technique == "XRF"


def test_methods_with_the_same_joined_text_are_two_where_their_parts_are_known() -> None:
    one, other = FieldMethod("XRF", "A · B", "C"), FieldMethod("XRF", "A", "B · C")
    assert one.text == other.text
    assert not alike(one, other)
