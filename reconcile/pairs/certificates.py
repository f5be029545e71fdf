"""Which laboratory results stand where certificates answer more than once.

A re-issue supersedes what it answers, a later certificate replaces what it repeats, a
re-assay stands in the place of a value above its method's range, and rules of the settings
choose between methods and between laboratories. Nothing is deleted: what does not stand stays
stored, with the reason and the result that stands instead.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.methods import joined
from reconcile.base.model.account import Finding
from reconcile.base.settings.pairs import LabSettings
from reconcile.intake.tables import ABOVE, QUANTIFIED
from reconcile.pairs.pairing import lab_method
from reconcile.pairs.sides import Key
from reconcile.store.database import Store
from reconcile.store.statements import Sql, listed, quoted, sql

REISSUE = "superseded by a re-issue"
LATER = "replaced by a later certificate"
OVER_RANGE = "above the range, superseded by a re-assay"
STANDS_IN = "stands in the place of a value above the range"
BEST = "another method stands by the best-value rule"
CHECK = "check assay of another laboratory"
#: Why single results do not stand as they were given.
REASONS = (REISSUE, LATER, OVER_RANGE, STANDS_IN, BEST, CHECK)

_SUPERSEDED = -1
_CELL = (
    "source", "key", "code", "value", "sample_id", "element", "reason", "link", "told_with",
)  # fmt: skip
_FACTS = (
    "source", "sample_id", "technique", "lab_method", "digestion", "digestion_class",
    "moisture_basis", "laboratory", "certificate", "issue", "has_newer", "placed", "place_key",
)  # fmt: skip
_GROUP = [
    "sample_id", "place_key", "technique", "lab_method", "digestion", "laboratory",
    "digestion_class",
    "moisture_basis",
]  # fmt: skip


@dataclass(slots=True)
class _Settled:
    """What was decided so far, cell by cell."""

    store: Store
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    done: set[tuple[int, str]] = field(default_factory=set)

    def add(
        self, cell: Any, reason: str, link: str, told_with: str, value: float | None = None
    ) -> None:
        """A cell that no longer stands, or (with a value) whose limit a number replaces.

        ``told_with`` is the method of the pair that names both results; '' for none.
        """
        self.done.add((int(cell.source), cell.key))
        code = _SUPERSEDED if value is None else QUANTIFIED
        self.rows.append(
            (int(cell.source), cell.key, code, value, cell.sample_id, cell.element, reason, link,
             told_with)
        )  # fmt: skip

    def write(self) -> None:
        """Put the decisions where the statements find them."""
        if not self.rows:
            return
        frame = pd.DataFrame(self.rows, columns=list(_CELL)).astype({"value": "float64"})
        self.store.connection.register("incoming", frame)
        self.store.connection.execute(sql("certificates.put_settled"))
        self.store.connection.unregister("incoming")


def settle(store: Store, keys: Sequence[Key], rules: LabSettings) -> tuple[Finding, ...]:
    """Decide which results stand; the rows must have their dispositions.

    Fills ``lab_cell`` and mends the dispositions of rows whose results all went, or of which
    some came back. Returns what a person should know.
    """
    settled = _Settled(store)
    findings = [*_reissues(store, keys, settled)]
    if rules.later_certificate == "replaces":
        findings += _later(store, keys, settled)
    if rules.over_range == "superseded":
        findings += _over_range(store, keys, rules, settled)
    if rules.best_value:
        _best(store, keys, rules.best_value, settled)
    if rules.stands:
        _check_assays(store, keys, rules.stands, settled)
    settled.write()
    _whole_rows(store, keys)
    return tuple(findings)


def cells_of(store: Store, keys: Sequence[Key], condition: Sql) -> pd.DataFrame:
    """Results of chosen rows, one line each: facts, ``method``, ``code``, ``value``, ``lim``."""
    return _cells(store, keys, condition, sql("certificates.results_only"))


def _cells(
    store: Store, keys: Sequence[Key], condition: Sql, among: Sql, values: Sequence[Any] = ()
) -> pd.DataFrame:
    """Results of chosen rows, one line each; ``among`` compares the code of the cell."""
    facts = listed(
        sql("certificates.certificate")
        if name == "certificate"
        else sql("certificates.fact", name=quoted(name))
        for name in _FACTS
    )
    frames = []
    cells = store.cells("lab")
    for key in keys:
        cell = cells.of(key.key)
        frame = store.frame(
            sql(
                "certificates.results",
                facts=facts,
                code=cell.code,
                value=cell.value,
                limit=cell.limit,
                condition=condition,
                among=among,
            ),
            values,
        )
        if len(frame):
            frame["key"], frame["element"], frame["heading"] = key.key, key.element, key.method
            frame["method"] = [
                lab_method(key, *parts).text
                for parts in zip(
                    frame["technique"],
                    frame["lab_method"],
                    frame["digestion"],
                    frame["laboratory"],
                    strict=True,
                )
            ]
            frames.append(frame)
    if not frames:
        return pd.DataFrame(columns=[*_FACTS, "moment", "path", "row", "code", "value", "lim",
                                     "key", "element", "heading", "method"])  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def _standing(cells: pd.DataFrame, settled: _Settled) -> pd.DataFrame:
    if cells.empty or not settled.done:
        return cells
    keep = [
        (int(source), key) not in settled.done
        for source, key in zip(cells["source"], cells["key"], strict=True)
    ]
    return cells.loc[keep]


def _shown(cell: Any) -> str:
    """A result with its method, certificate and place, as a person would look it up."""
    mark = {1: "<", 2: ">"}.get(int(cell.code), "")
    number = cell.value if int(cell.code) == QUANTIFIED else cell.lim
    known = number is not None and number == number
    text = f"{mark}{number:.6g} mg/kg" if known else f"{mark}limit"
    if int(cell.code) not in (0, 1, 2):
        text = "no result"
    named = f"certificate {cell.certificate}" if cell.certificate else ""
    if named and cell.issue == cell.issue and cell.issue != 1:
        named += f" issue {cell.issue:g}"
    place = f"{cell.path}, row {cell.row}"
    return f"{text} ({'; '.join(part for part in (cell.method, named, place) if part)})"


def _rows_of(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


# ---- re-issues ------------------------------------------------------------------------


def _identity(cell: Any) -> tuple[Any, ...]:
    """By what a result of one issue is known again in another."""
    return (cell.key, cell.technique, cell.lab_method, cell.digestion)


def _reissues(store: Store, keys: Sequence[Key], settled: _Settled) -> list[Finding]:
    """An earlier issue's result goes where a later issue answers for the same element."""
    ((revised,),) = store.rows(sql("certificates.revised_rows"))
    if not revised:
        return []
    cells = _cells(
        store, keys,
        sql("certificates.has_issues"), sql("certificates.any_cell"),
    )  # fmt: skip
    came_back: list[Any] = []
    groups: dict[tuple[str, ...], list[Any]] = {}
    for cell in _rows_of(cells.dropna(subset=["sample_id", "laboratory"])):
        name = (cell.certificate, cell.laboratory, cell.sample_id, cell.element)
        groups.setdefault(name, []).append(cell)
    for _, group in sorted(groups.items()):
        names: dict[Any, set[tuple[Any, ...]]] = {}
        first: dict[Any, Any] = {}
        for cell in group:
            names.setdefault(cell.issue, set()).add(_identity(cell))
            first.setdefault(cell.issue, cell)
        for cell in group:
            # a method that the earlier issue does not have is the same one under a new name
            later = [
                i for i in sorted(names)
                if i > cell.issue
                and (_identity(cell) in names[i] or names[i] - names[cell.issue])
            ]  # fmt: skip
            if later:
                newer = first[later[-1]]
                link = f"{_shown(cell)} superseded by {_shown(newer)}"
                settled.add(cell, REISSUE, link, newer.method)
            elif cell.has_newer:
                came_back.append(cell)
    _place_again(store, came_back)
    told: dict[str, set[str]] = {}
    for cell in came_back:
        if cell.placed == "sample":
            told.setdefault(str(cell.certificate), set()).add(cell.element)
    return [
        Finding(
            "intake", "note", f"certificate {certificate}",
            f"The re-issue of certificate {certificate} does not answer for all that it gave "
            f"before ({', '.join(sorted(elements))}); the earlier issue's results stand there.",
            advice="If the re-issue withdraws them, leave the earlier file out.",
            code=FindingCode.REISSUE_INCOMPLETE,
        )
        for certificate, elements in sorted(told.items())
    ]  # fmt: skip


def _place_again(store: Store, cells: Sequence[Any]) -> None:
    sources = sorted({int(cell.source) for cell in cells})
    if sources:
        store.connection.execute(sql("certificates.place_again"), [sources])


def _whole_rows(store: Store, keys: Sequence[Key]) -> None:
    """A row whose every result was superseded is superseded itself, with that reason."""
    frame = store.frame(sql("certificates.whole_rows"))
    if frame.empty:
        return
    cells = store.cells("lab")
    counted = listed(
        (sql("certificates.is_result", code=cells.of(key.key).code) for key in keys), "sum"
    )
    store.connection.register("incoming", frame)
    store.connection.execute(sql("certificates.place_whole_rows", counted=counted))
    store.connection.unregister("incoming")


# ---- later certificates ---------------------------------------------------------------


def _later(store: Store, keys: Sequence[Key], settled: _Settled) -> list[Finding]:
    """By the same laboratory and method, the later certificate's results stand."""
    ((certificates,),) = store.rows(sql("certificates.certificates"))
    if certificates < 2:
        return []
    group = [quoted(name) for name in _GROUP]
    ((several,),) = store.rows(sql("certificates.answered_twice", group=listed(group)))
    if not several:
        return []
    same = listed((sql("certificates.same", name=name) for name in group), "all")
    cells = _standing(
        _cells(
            store, keys,
            sql("certificates.by_another", same=same), sql("certificates.results_only"),
        ),
        settled,
    )  # fmt: skip
    replaced: dict[tuple[str, str], int] = {}
    unknown: dict[tuple[str, ...], int] = {}
    for _, rows in cells.groupby([*_GROUP, "key"], sort=True):
        if rows["certificate"].nunique() < 2:
            continue
        moments = rows.groupby("certificate")["moment"].max()
        if moments.isna().any() or moments.eq(moments.max()).sum() > 1:
            names = tuple(sorted(map(str, moments.index)))
            unknown[names] = unknown.get(names, 0) + 1
            continue
        newest = str(moments.idxmax())
        stands = rows.loc[rows["certificate"].eq(newest)]
        if not stands["code"].ne(ABOVE).all():
            continue  # a value above the range replaces nothing
        for cell in _rows_of(rows.loc[rows["certificate"].ne(newest)]):
            link = f"{_shown(cell)} replaced by {_shown(_rows_of(stands)[0])}"
            settled.add(cell, LATER, link, cell.method)
            pair = (str(cell.certificate), newest)
            replaced[pair] = replaced.get(pair, 0) + 1
    findings = [
        Finding(
            "intake", "note", f"certificate {after}",
            f"{count} {'result' if count == 1 else 'results'} of certificate {before} "
            f"{'was' if count == 1 else 'were'} replaced by the later certificate {after} (same "
            "laboratory, method, samples and elements); both are kept.",
            advice="If they are replicates, set later_certificate = 'replicate' under [lab].",
            code=FindingCode.CERTIFICATE_REPLACED,
        )
        for (before, after), count in sorted(replaced.items())
    ]  # fmt: skip
    findings += [
        Finding(
            "intake", "warning", f"certificates {', '.join(names)}",
            f"Certificates {' and '.join(names)} give {count} "
            f"{'result' if count == 1 else 'results'} for the same samples by the same method, and "
            "no date says which is later; they were averaged.",
            advice="Give the date of report, or set later_certificate = 'replicate' under [lab].",
            code=FindingCode.CERTIFICATES_UNDATED,
        )
        for names, count in sorted(unknown.items())
    ]  # fmt: skip
    return findings


# ---- above the range ------------------------------------------------------------------


def _over_range(
    store: Store, keys: Sequence[Key], rules: LabSettings, settled: _Settled
) -> list[Finding]:
    """A re-assay's number in the place of '>10000' of the method before it."""
    above = _keys_above(store, keys)
    limited = _standing(
        _cells(store, above, sql("certificates.samples"), sql("certificates.above_range")), settled
    )
    if limited.empty:
        return []
    elements = set(limited["element"])
    answers = _standing(
        _cells(
            store, [key for key in keys if key.element in elements],
            sql("certificates.these_samples"), sql("certificates.quantified"),
            [sorted(set(limited["sample_id"]))],
        ),
        settled,
    )  # fmt: skip
    if answers.empty:
        return []
    serves = _serving(store, keys, rules, elements)
    findings: list[Finding] = []
    by_sample = dict(list(answers.groupby(["sample_id", "element"], sort=True)))
    for group, rows in limited.groupby([*_GROUP, "element", "key", "method"], sort=True):
        sample, element = str(group[0]), str(group[len(_GROUP)])
        found = by_sample.get((sample, element))
        if found is None:
            continue
        cell = _rows_of(rows)[0]
        here = found.loc[[_may_answer(cell, other, serves) for other in _rows_of(found)]]
        if here.empty:
            continue
        bound = rows["lim"].max()
        low = here.loc[here["value"] < bound]
        if len(low):
            findings.append(
                Finding(
                    "intake", "serious", sample,
                    f"{element} of sample '{sample}': {_shown(cell)} is contradicted by "
                    f"{_shown(_rows_of(low)[0])}; neither was put in the other's place.",
                    advice="Ask the laboratory which one holds.",
                    code=FindingCode.OVER_RANGE_CONTRADICTED,
                )
            )  # fmt: skip
            continue
        stands = _chosen(here, cell, rules)
        mean = float(stands["value"].mean())
        first = _rows_of(stands)[0]
        same = all(getattr(first, name) == getattr(cell, name) for name in _GROUP) and (
            first.key == cell.key
        )
        link = f"{_shown(cell)} superseded by the over-range re-assay {_shown(first)}"
        for number, old in enumerate(_rows_of(rows)):
            settled.add(old, OVER_RANGE, link, cell.method, None if same or number else mean)
        if not same:
            for new in _rows_of(stands):
                if (int(new.source), new.key) not in settled.done:
                    settled.add(new, STANDS_IN, link, "")
    return findings


def _keys_above(store: Store, keys: Sequence[Key]) -> list[Key]:
    """Those of the keys that any result of the run exceeds the range of; one pass over all."""
    if not keys:
        return []
    cells = store.cells("lab")
    asked = listed(sql("certificates.any_above", code=cells.of(key.key).code) for key in keys)
    (found,) = store.rows(sql("certificates.above", asked=asked))
    return [key for key, is_above in zip(keys, found, strict=True) if is_above]


def _may_answer(cell: Any, other: Any, serves: Callable[[Any, Any], bool]) -> bool:
    if other.moisture_basis != cell.moisture_basis:
        return False
    classes = {other.digestion_class, cell.digestion_class} - {""}
    if len(classes) > 1:  # a total assay says nothing of what a partial digestion would give
        return False
    known = other.moment == other.moment and cell.moment == cell.moment
    if known and other.moment < cell.moment:
        return False
    if other.method == cell.method:
        return bool(other.certificate != cell.certificate or other.source != cell.source)
    return serves(cell, other)


def _serving(
    store: Store, keys: Sequence[Key], rules: LabSettings, elements: set[str]
) -> Callable[[Any, Any], bool]:
    """Whether one method is the over-range re-assay of another, element by element.

    Named in the settings, or: wherever both answer for a sample, the first is above range.
    """
    cells = _cells(
        store, [key for key in keys if key.element in elements], sql("certificates.samples"),
        sql("certificates.results_only"),
    )  # fmt: skip
    samples = {
        (element, method, above): set(rows["sample_id"])
        for (element, method, above), rows in cells.assign(above=cells["code"].eq(ABOVE)).groupby(
            ["element", "method", "above"]
        )
    }
    named = {name.casefold() for name in rules.over_range_methods}

    def serves(cell: Any, other: Any) -> bool:
        if named & _names(other):
            return True
        if named or other.laboratory != cell.laboratory:
            return False
        theirs = samples.get((other.element, other.method, False), set())
        ours = samples.get((cell.element, cell.method, False), set())
        return not theirs & (ours - samples.get((cell.element, cell.method, True), set()))

    return serves


def _names(cell: Any) -> set[str]:
    """Ways in which settings may name the method of a result."""
    whole = joined(cell.technique, cell.lab_method, cell.digestion)
    texts = (cell.method, whole, cell.lab_method, cell.heading, cell.technique)
    return {text.casefold() for text in texts if text}


def _chosen(found: pd.DataFrame, cell: Any, rules: LabSettings) -> pd.DataFrame:
    """Of several answers: by the same method first, then as the settings rank, then the latest."""
    ranks = [name.casefold() for name in rules.best_value]

    def order(other: Any) -> tuple[Any, ...]:
        rank = min((ranks.index(n) for n in _names(other) if n in ranks), default=len(ranks))
        latest = -other.moment.value if other.moment == other.moment else 0
        return (other.method != cell.method, rank, latest, other.method, str(other.certificate))

    best = min(_rows_of(found), key=order)
    return found.loc[
        found["method"].eq(best.method)
        & found["key"].eq(best.key)
        & found["certificate"].eq(best.certificate)
    ]


# ---- the best value -------------------------------------------------------------------


def _best(store: Store, keys: Sequence[Key], ranked: Sequence[str], settled: _Settled) -> None:
    """Of the methods that the settings rank, the first that quantifies a sample's element."""
    ranks = [name.casefold() for name in ranked]
    per_element: dict[str, list[Key]] = {}
    for key in keys:
        per_element.setdefault(key.element, []).append(key)
    settled_values = {(row[0], row[1]) for row in settled.rows if row[2] == QUANTIFIED}
    for of_element in per_element.values():
        cells = _cells(
            store, of_element, sql("certificates.samples"), sql("certificates.results_only")
        )
        gone = {(row[0], row[1]) for row in settled.rows if row[2] == _SUPERSEDED}
        if cells.empty:
            continue
        marks = list(zip(cells["source"].astype(int), cells["key"], strict=True))
        cells = cells.assign(
            rank=[
                min((ranks.index(n) for n in _names(c) if n in ranks), default=-1)
                for c in _rows_of(cells)
            ],
            exact=[
                code == QUANTIFIED or mark in settled_values
                for code, mark in zip(cells["code"], marks, strict=True)
            ],
        ).loc[[mark not in gone for mark in marks]]
        cells = cells.loc[cells["rank"].ge(0)]
        own = ["sample_id", "laboratory"]
        several = cells.groupby(own)["rank"].transform("nunique") > 1
        for _, rows in cells.loc[several].groupby(own, sort=True):
            exact = rows.loc[rows["exact"]]
            best = (exact if len(exact) else rows)["rank"].min()
            stands = _rows_of(rows.loc[rows["rank"].eq(best)])[0]
            for cell in _rows_of(rows.loc[rows["rank"].ne(best)]):
                # a number put in the place of a limit goes too: the later entry holds
                settled.rows = [
                    row for row in settled.rows if (row[0], row[1]) != (int(cell.source), cell.key)
                ]
                link = f"{_shown(cell)} gave way to {_shown(stands)}"
                settled.add(cell, BEST, link, stands.method)


# ---- check assays ---------------------------------------------------------------------


def _check_assays(
    store: Store, keys: Sequence[Key], stands: Sequence[str], settled: _Settled
) -> None:
    """Of the laboratories that answer for a sample's element, the first named stands.

    The others' results are check assays: compared laboratory against laboratory
    (``pairs.laboratories``), never with the field.
    """
    if not store.rows(sql("certificates.several_laboratories")):
        return
    ranks = {name.casefold(): rank for rank, name in enumerate(stands)}
    for element in dict.fromkeys(key.element for key in keys):
        cells = _standing(
            _cells(
                store, [key for key in keys if key.element == element],
                sql("certificates.several"), sql("certificates.results_only"),
            ),
            settled,
        )  # fmt: skip
        if cells.empty:
            continue
        rank = [ranks.get(name.casefold(), len(ranks)) for name in cells["laboratory"]]
        cells = cells.assign(rank=rank)
        first = cells.groupby("sample_id")["rank"].transform("min")
        checks = cells.loc[first.lt(len(ranks)) & cells["rank"].gt(first)]
        standing = cells.loc[cells["rank"].eq(first)].drop_duplicates("sample_id")
        of_sample = {cell.sample_id: cell for cell in _rows_of(standing)}
        for cell in _rows_of(checks):
            stands_here = of_sample[cell.sample_id]
            link = f"{_shown(cell)} is a check assay beside {_shown(stands_here)}"
            settled.add(cell, CHECK, link, stands_here.method)
