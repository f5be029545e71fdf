"""Who acts, and when: one check of every name and time that a person gives.

Names come from the register of people, a small table (``people.csv`` beside
``reconcile.toml``). Where there is none the program can only compare spellings, and says
that it rests on honesty. Times are stated, never taken for granted.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.intake.workspace import Workspace

#: What a person can be authorised for, as the register writes it.
ACTS = ("approve", "withdraw", "settle", "receive", "sign", "issue", "check", "accept")
READ = "read"
#: Reading in the field: by any technique, or by one.
READING = (READ, "read libs", "read xrf")
COLUMNS = (
    "id", "full name", "also known as", "role", "authorised for", "authorised until", "public key",
)  # fmt: skip
_NEEDED = COLUMNS[:2]
_TIME = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)", re.IGNORECASE
)
_NOW = "now"


def clock() -> datetime:
    """The machine's time; nothing that goes into a release reads it."""
    return datetime.now(UTC)


# ---- names ----------------------------------------------------------------------------

#: Letters that look like a Latin letter (Unicode TR 39 lists many more; the common ones).
_ALIKE = str.maketrans("аеорсухіјѕԁһкмтвнαοιρυκνεχτβ", "aeopcyxijsdhkmtbhaoipuknextb")
#: Letters that are commonly written with others where they are not at hand.
_WRITTEN_OUT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe", "æ": "ae", "œ": "oe", "þ": "th",
     "ð": "d", "đ": "d", "ł": "l", "ı": "i", "ħ": "h"}
)  # fmt: skip
_PLAIN = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe", "þ": "th", "ð": "d", "đ": "d", "ł": "l",
                        "ı": "i", "ħ": "h"})  # fmt: skip
_BLANK_LETTERS = frozenset("\u115f\u1160\u3164\uffa0")
_MOST_WORDS = 6
_JOINERS = re.compile(r"[;&/+|]|\band\b", re.IGNORECASE)


def words_of(text: str, written_out: bool = False) -> tuple[str, ...]:
    """The words of a name without case, accents, order, marks or look-alike letters.

    ``written_out``: as where 'ü' is written 'ue', instead of 'u'.
    """
    composed = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    told = composed.translate(_WRITTEN_OUT if written_out else _PLAIN)
    folded = unicodedata.normalize("NFKD", told)
    shown = "".join(
        c if c.isalnum() and c not in _BLANK_LETTERS else " "
        for c in folded
        # Marks and characters without a form of their own neither part nor make a word.
        if unicodedata.category(c) not in ("Mn", "Me", "Cf") and c not in _BLANK_LETTERS
    )
    return tuple(shown.translate(_ALIKE).split())


def may_be_one_person(first: str, second: str) -> bool:
    """True where two names could be of one person: then neither can check the other.

    Case, blanks, accents, Unicode forms, look-alike letters and the order of words do not
    make another person, nor do initials, one wrong letter, or leaving out a part of the
    name. Several names in one text are compared one by one.
    """
    return any(_alike(a, b) for a in _forms(first) for b in _forms(second))


def _forms(text: str) -> list[tuple[str, ...]]:
    parts = (text, *_JOINERS.split(text))
    return [n for part in parts for way in (False, True) if (n := words_of(part, way))]


def _alike(a: tuple[str, ...], b: tuple[str, ...]) -> bool:
    few, many = sorted((a, b), key=len)
    return _each_has_its_own(few, many) or _run(a) == _run(b)


def _each_has_its_own(few: Sequence[str], many: Sequence[str]) -> bool:
    """Whether every word of ``few`` can stand for another word of ``many``."""
    if not few:
        return True
    if len(few) > _MOST_WORDS:  # no name: pairings are not tried one by one
        return {*few} <= {*many}
    first, rest = few[0], few[1:]
    return any(
        _one_word(first, word) and _each_has_its_own(rest, [*many[:i], *many[i + 1 :]])
        for i, word in enumerate(many)
    )


def _one_word(a: str, b: str) -> bool:
    short, long = sorted((a, b), key=len)
    if short == long or (len(short) == 1 and long.startswith(short)):
        return True
    return len(short) >= 3 and _one_letter_off(short, long)


def _one_letter_off(short: str, long: str) -> bool:
    if len(long) - len(short) > 1:
        return False
    same = 0
    while same < len(short) and short[same] == long[same]:
        same += 1
    after = same + (len(short) == len(long))
    return short[after:] == long[same + 1 :]


def _run(words: tuple[str, ...]) -> str:
    """The letters alone, in order of size: blanks set elsewhere do not make another name."""
    return "".join(sorted("".join(words)))


# ---- the register of people -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Person:
    """One line of the register."""

    id: str
    name: str
    also: tuple[str, ...] = ()
    role: str = ""
    authorised_for: tuple[str, ...] = ()  # of ACTS and READING; empty: everything
    authorised_until: str = ""  # ISO date, the last day; "": no end
    public_key: str = ""  # Ed25519, 32 bytes in base64; "" where none was given

    @property
    def names(self) -> tuple[str, ...]:
        """Everything that names this person."""
        return (self.id, self.name, *self.also)


@dataclass(frozen=True, slots=True)
class Register:
    """The register of people; without a file it holds nobody and ``there`` is False."""

    path: str
    there: bool
    persons: tuple[Person, ...] = ()

    def find(self, name: str) -> Person | None:
        """The one person of this name, whatever its case, accents or order of words."""
        wanted = _forms_of_name(name)
        return next((p for p in self.persons if any(wanted & _forms_of_name(n) for n in p.names)),
                    None)  # fmt: skip

    def named_in(self, text: str) -> tuple[Person, ...]:
        """Every person whom a text names, such as 'A. Lima and B. Osei'."""
        found = (self.find(part) for part in (text, *_JOINERS.split(text)) if words_of(part))
        return tuple(dict.fromkeys(p for p in found if p is not None))

    def of_id(self, person: str) -> Person | None:
        """The person with this id."""
        return next((p for p in self.persons if p.id == person), None)


def _forms_of_name(name: str) -> set[tuple[str, ...]]:
    return {tuple(sorted(w)) for way in (False, True) if (w := words_of(name, way))}


def register_of(workspace: Workspace) -> Register:
    """Read the register of people of a workspace.

    Raises ReconcileError naming file and row where it can't be read, or where two persons
    share a name or an id.
    """
    shown = workspace.settings.people.file
    path = workspace.folder / shown
    if not path.exists():
        return Register(shown, False)
    try:
        with open_regular(path) as stream:
            text = stream.read().decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ReconcileError(
            f"The register of people {shown} can't be read ({error}).", "Save it as CSV in UTF-8."
        ) from error
    headings = [" ".join(cell.split()).casefold() for cell in rows[0]] if rows else []
    if missing := [name for name in _NEEDED if name not in headings]:
        raise ReconcileError(
            f"The register of people {shown} has no column '{missing[0]}' in row 1.",
            f"Its columns are: {', '.join(COLUMNS)}; the first two are needed.",
        )
    persons: list[Person] = []
    taken: dict[tuple[str, ...], str] = {}
    for number, row in enumerate(rows[1:], start=2):
        cells = {
            heading: " ".join(cell.split()) for heading, cell in zip(headings, row, strict=False)
        }
        if not any(cells.values()):
            continue
        person = _person(cells, shown, number)
        for form in set().union(*(_forms_of_name(name) for name in person.names)):
            if (other := taken.setdefault(form, person.id)) != person.id:
                raise ReconcileError(
                    f"{shown}, row {number}: a name of '{person.id}' is also one of '{other}'.",
                    "Give each person names of their own; spelling alone makes no other person.",
                )
        if any(person.id == p.id for p in persons):
            raise ReconcileError(
                f"{shown}, row {number}: the id '{person.id}' stands twice.",
                "One line for each person; put other names into 'also known as'.",
            )
        persons.append(person)
    return Register(shown, True, tuple(persons))


def _person(cells: dict[str, str], shown: str, number: int) -> Person:
    for name in _NEEDED:
        if not words_of(cells.get(name, "")):
            raise ReconcileError(
                f"{shown}, row {number}, column '{name}' is empty.", "Each person needs both."
            )
    acts = tuple(a.strip().casefold() for a in cells.get("authorised for", "").split(";"))
    acts = tuple(a for a in acts if a)
    if unknown := [a for a in acts if a not in (*ACTS, *READING)]:
        raise ReconcileError(
            f"{shown}, row {number}, column 'authorised for': '{unknown[0]}' is not known.",
            f"Write one or more of {', '.join((*ACTS, *READING))}, with ';' between; empty means "
            "all.",
        )
    until = cells.get("authorised until", "")
    try:
        until = until and date.fromisoformat(until).isoformat()
    except ValueError as error:
        raise ReconcileError(
            f"{shown}, row {number}, column 'authorised until': '{until}' is no date.",
            "Write the last day as 2026-10-31; empty means that there is no end.",
        ) from error
    also = tuple(a.strip() for a in cells.get("also known as", "").split(";") if words_of(a))
    return Person(
        cells["id"], cells["full name"], also, cells.get("role", ""), acts, until,
        cells.get("public key", ""),
    )  # fmt: skip


# ---- one act of one person ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Acting:
    """A person and a time that were checked."""

    by: str  # the register's full name; without a register as it was typed
    person: str  # id in the register; "" where there is none
    at: str  # ISO 8601 with zone
    public_key: str = ""  # of the register

    def as_content(self) -> dict[str, Any]:
        """For an entry of the record."""
        return {"by": self.by, "at": self.at} | ({"person": self.person} if self.person else {})


def hold_apart(
    workspace: Workspace, acting: Acting, author_id: str, author: str, what: str
) -> None:
    """Raises ReconcileError where who acts may be the person who prepared ``what``.

    ``author_id`` and ``author``: of that person, as the record has them.
    """
    register = register_of(workspace)
    one = (
        acting.person in {author_id, *(p.id for p in register.named_in(author))}
        if register.there
        else may_be_one_person(acting.by, author)
    )
    if one:
        raise ReconcileError(
            f"'{acting.by}' may be the person who prepared the {what} ('{author}').",
            "Have another person look at it, under their full name. Two people whose names are "
            f"alike: enter both in {register.path}.",
        )


#: A time and, in words, what happened then: 'the last result of release 2026-10-r1'.
Moment = tuple[datetime, str]


def acting(
    workspace: Workspace, by: str, at: str, act: str, not_before: Iterable[Moment] = ()
) -> Acting:
    """Check who acts and when; the one place for every ``--by`` and ``--at``.

    ``act`` is one of ACTS. Raises ReconcileError where the name is empty or not in the
    register, the person is not authorised, or the time lacks its zone, lies in the future
    or before one of ``not_before``.
    """
    moment = time_of_act(workspace, at, not_before)
    register = register_of(workspace)
    if not words_of(by):
        raise ReconcileError("No name was given.", "Give the person's name with --by.")
    if not register.there:
        return Acting(" ".join(by.split()), "", moment)
    person = register.find(by)
    if person is None:
        raise ReconcileError(
            f"The register of people ({register.path}) holds no '{by}'.",
            "Give the name or id as it stands there, or enter the person.",
        )
    if person.authorised_for and act not in person.authorised_for:
        raise ReconcileError(
            f"{person.name} is not authorised for '{act}' by the register ({register.path}).",
            "Have an authorised person do it, or mend the column 'authorised for'.",
        )
    zone = ZoneInfo(workspace.settings.workspace.time_zone)
    day = datetime.fromisoformat(moment).astimezone(zone).date().isoformat()
    if person.authorised_until and day > person.authorised_until:
        raise ReconcileError(
            f"{person.name} was authorised until {person.authorised_until} by the register "
            f"({register.path}), and this was done on {day}.",
            "Have an authorised person do it, or enter the new date in 'authorised until'.",
        )
    return Acting(person.name, person.id, moment, person.public_key)


def may_read(register: Register, authorised_for: Collection[str], technique: str) -> bool:
    """Whether somebody with these authorisations may read by a technique.

    A register that names reading for nobody does not speak of it.
    """
    speaks = any(act in READING for p in register.persons for act in p.authorised_for)
    return (
        not speaks
        or not authorised_for
        or READ in authorised_for
        or f"{READ} {technique.casefold()}" in authorised_for
    )


def time_of_act(workspace: Workspace, at: str, not_before: Iterable[Moment] = ()) -> str:
    """The stated time of an act, checked, as ISO 8601 with its zone; 'now' is written out."""
    zone = ZoneInfo(workspace.settings.workspace.time_zone)
    now = clock()
    text = " ".join(at.split())
    if text.casefold() == _NOW:
        moment = now.astimezone(zone)
    else:
        try:
            if not _TIME.fullmatch(text):
                raise ValueError
            moment = datetime.fromisoformat(text.upper())
            moment.astimezone(UTC)
        except (ValueError, OverflowError) as error:
            raise ReconcileError(
                f"'{at}' is no time with its zone." if text else "No time was given.",
                "Write --at as 2026-11-03T10:00+02:00, or --at now.",
            ) from error
    ahead = timedelta(minutes=workspace.settings.people.clock_minutes)
    if moment > now + ahead:
        raise ReconcileError(
            f"{moment.isoformat(timespec='seconds')} lies in the future: this machine's clock "
            f"says {now.astimezone(moment.tzinfo).isoformat(timespec='seconds')}.",
            "Give the time at which it was done; or set the clock right.",
        )
    written = moment.isoformat(timespec="seconds")
    for earliest, what in not_before:
        if datetime.fromisoformat(written) < earliest.replace(microsecond=0):
            raise ReconcileError(
                f"{written} is before {what} ({earliest.isoformat(timespec='seconds')}).",
                "Give the time at which it was done, with the right zone.",
            )
    return written
