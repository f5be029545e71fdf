"""Strata told apart by name, and as plain values of a release's files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.stratum import Stratum


def told_apart(strata: Sequence[Stratum]) -> tuple[Stratum, ...]:
    """The same strata; those with the same short name are marked by the first that differs.

    In this order: instrument and calibration, laboratory, lab method, specimen form, moisture
    basis, pair type.
    """
    alike: dict[str, list[Stratum]] = {}
    for s in strata:
        alike.setdefault(replace(s, mark="").label, []).append(s)
    return tuple(replace(s, mark=_mark(s, alike[replace(s, mark="").label])) for s in strata)


def _mark(stratum: Stratum, alike: Sequence[Stratum]) -> str:
    marks = [""] * len(alike)
    mine = alike.index(stratum)
    for facts in zip(*(_facts(s) for s in alike), strict=True):
        common = set(facts[0]).intersection(*facts[1:])
        for i, own in enumerate(facts):
            differing = [part for part in own if part and part not in common]
            marks[i] = " ".join([*([marks[i]] if marks[i] else []), *differing])
        if len(set(marks)) == len(marks):
            break
    return marks[mine]


def _facts(s: Stratum) -> tuple[tuple[str, ...], ...]:
    return (
        s.read_by.parts, (s.laboratory,), s.determined_by.anywhere.parts, (s.specimen_form,),
        (s.moisture_basis,), (s.pair_type,),
    )  # fmt: skip


def key_unnamed(stratum: Stratum) -> str:
    """The key as releases gave it before they named the laboratory."""
    return replace(stratum, determined_by=stratum.determined_by.anywhere).key


def by_either_key(strata: Iterable[Stratum]) -> dict[str, Stratum]:
    """Strata by their keys; by the key without laboratory too, where one alone stands behind it."""
    every = tuple(strata)
    unnamed: dict[str, list[Stratum]] = {}
    for s in every:
        unnamed.setdefault(key_unnamed(s), []).append(s)
    alone = {key: many[0] for key, many in unnamed.items() if len(many) == 1}
    return alone | {s.key: s for s in every}


#: What is written of a stratum as text, for whoever reads the files of a release.
TEXTS = (
    "element", "field_method", "laboratory", "lab_method", "matrix", "specimen_form",
    "moisture_basis", "pair_type", "technique", "digestion_class", "mark",
)  # fmt: skip


def as_plain(stratum: Stratum) -> dict[str, Any]:
    """The texts of a stratum, and the parts of its methods and moisture bases beside them."""
    parts = {
        name: {key: value for key, value in asdict(getattr(stratum, name)).items() if value}
        for name in ("read_by", "determined_by", "moisture")
    }
    return {name: getattr(stratum, name) for name in TEXTS} | parts


def from_plain(values: Mapping[str, Any], moistures: Sequence[Moisture] = ()) -> Stratum:
    """The stratum of ``as_plain``.

    Releases of earlier versions hold the texts alone: their methods are known as a whole, and
    their moisture bases are looked up by the whole text among ``moistures``. Raises KeyError
    or TypeError where a part is missing or of another kind.
    """
    text = {name: str(values.get(name, "")) for name in TEXTS} | {"element": str(values["element"])}
    if "read_by" in values:
        read_by = FieldMethod(**_texts(values["read_by"]))
        determined_by = LabMethod(**_texts(values["determined_by"]))
        moisture = Moisture(**_texts(values["moisture"]))
    else:
        read_by = FieldMethod(text["technique"], whole=text["field_method"])
        determined_by = LabMethod(whole=text["lab_method"])
        known = {m.text: m for m in moistures}
        basis = text["moisture_basis"]
        moisture = known.get(basis, Moisture(basis, basis))
    return Stratum(
        text["element"], read_by, determined_by, text["matrix"], text["specimen_form"], moisture,
        text["pair_type"], text["digestion_class"], text["mark"],
    )  # fmt: skip


def _texts(values: Mapping[str, Any]) -> dict[str, str]:
    return {str(key): str(value) for key, value in values.items()}
