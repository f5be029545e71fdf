"""What each sheet of unknown tables most likely is, and from what that was seen."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import sideways
from reconcile.intake.blocks import Block, find_block
from reconcile.intake.headings import Column, understand
from reconcile.intake.sheets import Sheet
from reconcile.intake.sources import open_sheets
from reconcile.intake.vocabulary import word_set
from reconcile.intake.wording import words
from reconcile.proposing.plain import PlainTable, plain_table

FIELD, LAB = "field", "lab"
#: Words of the trade for either side, in names of files and in headings (common practice, no
#: source). 'xrf' and 'reading' alone say less: laboratories have XRF too.
SIDE_WORDS = {
    FIELD: word_set(
        """field pxrf libs handheld portable readings shots spots hhxrf fpxrf feld terrain
        chantier"""
    ),
    LAB: word_set(
        """lab labs laboratory assay assays certificate certificates icp icpms icpoes aas wdxrf
        actual known true fusion digest digestion fire labor laboratoire analyse analysen
        analyses"""
    ),
}
_WEAK = {FIELD: word_set("xrf measured mean reading"), LAB: word_set("oes ms")}
#: Facts that only one side's tables state.
_OWN_FACTS = {
    FIELD: word_set(
        """reading_no measured_at date spot_no shot_no spot_class count_time_s instrument
        calibration operator gas_purge"""
    ),
    LAB: word_set(
        """certificate certificate_issue received_at analysed_at reported_at laboratory lab_method
        digestion digestion_class lab_id sample_mass_g"""
    ),
}
_STRONG, _WEAKER, _ENOUGH = 2, 1, 2
_OTHER_KINDS = ("sample register", "custody", "aliases", "corrections")


class Clue(StrEnum):
    """From what a kind of table was seen; the words stand in ``reporting.words``."""

    NAME = "name"
    HEADING = "heading"
    ERRORS = "errors"
    INTENSITY = "intensity"
    FACTS = "facts"
    LAB_IDS = "lab ids"


@dataclass(frozen=True, slots=True)
class Found:
    """One clue, and the text in which it was found."""

    clue: Clue
    text: str


@dataclass(frozen=True, slots=True)
class Seen:
    """One sheet, as it is understood without settings. ``kind``: '' where none was found.

    ``scores``: how much speaks for the field and for the laboratory; not ``sure`` where neither
    leads clearly.
    """

    path: Path
    shown: str
    sheet: str
    kind: str
    sure: bool
    clues: tuple[Found, ...]
    block: Block
    columns: tuple[Column, ...]

    @property
    def headings(self) -> tuple[str, ...]:
        """The headings, by which files of one making are known."""
        return tuple(h.text for h in self.block.headings)


@dataclass(frozen=True, slots=True)
class Unread:
    """A file or sheet that is no table that can be read as it stands."""

    path: Path
    shown: str
    why: str
    as_plain: PlainTable | None = None  # where it has rows below names that nobody knows


def tokens(text: str) -> list[str]:
    """The words of a name or heading, in small letters."""
    return [t for t in re.split(r"[^a-zà-ÿ0-9%]+", text.lower()) if t]


def side_of(texts: Iterable[str]) -> Counter[str]:
    """How much the words of ``texts`` speak for either side."""
    score: Counter[str] = Counter()
    for text in texts:
        said = set(tokens(text)) | {words(text).replace(" ", "")}
        for side in (FIELD, LAB):
            if said & SIDE_WORDS[side]:
                score[side] += _STRONG
            elif said & _WEAK[side]:
                score[side] += _WEAKER
    return score


#: Endings of files that may be tables; others are named as left alone.
TABLES = frozenset(
    [".csv", ".tsv", ".txt", ".dat", ".asc", ".xlsx", ".xlsm", ".xls", ".ods", ".parquet"]
)


def look(path: Path, shown: str) -> tuple[list[Seen], list[Unread]]:
    """Every sheet of one file."""
    try:
        sheets = open_sheets(path, shown)
    except ReconcileError as error:
        return [], [Unread(path, shown, str(error))]
    seen: list[Seen] = []
    unread: list[Unread] = []
    for sheet in sheets:
        found = _of_sheet(path, shown, sheet)
        if isinstance(found, Seen):
            seen.append(found)
        else:
            unread.append(found)
    return seen, unread


def _of_sheet(path: Path, shown: str, sheet: Sheet) -> Seen | Unread:
    place = f"{shown}, sheet '{sheet.name}'" if sheet.name else shown
    if names := sideways.lies_on_its_side(sheet.head):
        return Unread(path, place, str(sideways.fault(place, names)))
    read = {kind: _as(kind, sheet, place) for kind in (FIELD, LAB, *_OTHER_KINDS)}
    if limits := _of_limits(sheet, place):
        return Seen(path, shown, sheet.name, limits[0], True, (), *limits[1])
    known = {kind: r for kind, r in read.items() if r is not None}
    if not known:
        why = f"{place}: no row of headings was found."
        return Unread(path, place, why, plain_table(path, shown, sheet))
    with_results = known.get(FIELD)
    if with_results is not None and results_of(with_results[1]):
        kind, sure, clues = _side(shown, sheet.name, known)
        return Seen(path, shown, sheet.name, kind, sure, clues, *known[kind])
    kind = _of_facts(known)
    if not kind:
        why = f"{place}: no column of results and no known facts were found."
        return Unread(path, place, why, plain_table(path, shown, sheet))
    facts = sorted({c.heading for c in known[kind][1] if c.role == "fact"})
    told = (Found(Clue.FACTS, ", ".join(facts[:4])),)
    return Seen(path, shown, sheet.name, kind, True, told, *known[kind])


Understood = tuple[Block, tuple[Column, ...]]


def seen_as(
    path: Path, shown: str, sheet: Sheet, table: TableSettings, clues: tuple[Found, ...]
) -> Seen | None:
    """One sheet as settings read it; None where they can't."""
    try:
        block = find_block(sheet, table, shown)
        columns = understand(block, table, shown)
    except ReconcileError:
        return None
    return Seen(path, shown, sheet.name, table.kind, True, clues, block, columns)


def _as(kind: str, sheet: Sheet, place: str) -> Understood | None:
    table = TableSettings.model_validate({"kind": kind, "files": ["x"]})
    try:
        block = find_block(sheet, table, place)
        return block, understand(block, table, place)
    except ReconcileError:
        return None


def results_of(columns: Sequence[Column]) -> bool:
    """Whether a table holds results: columns of elements, or one of elements and one of values."""
    facts = {c.fact for c in columns}
    of_elements = [c for c in columns if c.role in {"value", "unclear"} and c.species is not None]
    return bool(of_elements) or {"element", "value"} <= facts


def _of_limits(sheet: Sheet, place: str) -> tuple[str, Understood] | None:
    """Certified values of reference materials, or limits of grades."""
    needed = {
        "reference materials": ({"reference_code", "element", "value"},),
        "specification limits": ({"grade", "element", "minimum"}, {"grade", "element", "maximum"}),
    }
    for kind, sets in needed.items():
        read = _as(kind, sheet, place)
        if read is None:
            continue
        facts = {c.fact for c in read[1]}
        if any(wanted <= facts for wanted in sets) and not facts & {"sample_id"}:
            as_lab = _as(LAB, sheet, place)
            if as_lab is None or not any(c.fact == "sample_id" for c in as_lab[1]):
                return kind, read
    return None


def _side(
    shown: str, sheet: str, known: dict[str, Understood]
) -> tuple[str, bool, tuple[Found, ...]]:
    score: Counter[str] = Counter()
    clues: dict[str, list[Found]] = {FIELD: [], LAB: []}

    def add(side: str, much: int, clue: Clue, text: str) -> None:
        score[side] += much
        clues[side].append(Found(clue, text))

    for side, much in side_of([Path(shown).stem, *Path(shown).parent.parts, sheet]).items():
        add(side, much, Clue.NAME, shown)
    for side in (FIELD, LAB):
        if side not in known:
            continue
        own = [c for c in known[side][1] if c.role == "fact" and c.fact in _OWN_FACTS[side]]
        if own:
            text = ", ".join(c.heading for c in own[:3])
            add(side, _STRONG + (len(own) > 1), Clue.FACTS, text)
    columns = known[FIELD][1] if FIELD in known else known[LAB][1]
    of_results = [c for c in columns if c.species is not None]
    by_words = side_of([*{c.heading for c in of_results}, *{c.method for c in of_results}])
    for side, much in by_words.items():
        texts = [c.heading for c in of_results if side_of([c.heading, c.method])[side]]
        add(side, min(much, 3), Clue.HEADING, next(iter(texts), ""))
    if len({c.heading for c in columns if c.role == "error"}) >= 2:
        add(FIELD, _WEAKER, Clue.ERRORS, next(c.heading for c in columns if c.role == "error"))
    counted = [c.heading for c in columns if {"cps", "kcps", "counts"} & set(tokens(c.heading))]
    if len(counted) >= 2:
        add(FIELD, _STRONG, Clue.INTENSITY, counted[0])
    side = FIELD if score[FIELD] >= score[LAB] else LAB
    other = LAB if side == FIELD else FIELD
    if side not in known:
        side, other = other, side
    return side, score[side] - score[other] >= _ENOUGH, tuple(clues[side])


def _of_facts(known: dict[str, Understood]) -> str:
    """Which table without results it is: by the most columns that it explains."""
    ranked = []
    for kind in _OTHER_KINDS:
        if kind not in known:
            continue
        facts = {c.fact for c in known[kind][1] if c.role == "fact"}
        needed = {
            "sample register": {"sample_id"}, "custody": {"event"}, "aliases": {"written_id"},
            "corrections": {"corrected_value"},
        }[kind]  # fmt: skip
        if needed <= facts:
            ranked.append((len(facts), kind))
    return max(ranked, default=(0, ""))[1]
