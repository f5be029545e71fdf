"""Which samples of a dispatch arrived: ids that a person names, or codes that were scanned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.samples.identity import comparison_form

_MOST_BYTES = 5_000_000


@dataclass(frozen=True, slots=True)
class Arrived:
    """Ids as the records write them; ``whole``: all were received, and nobody named single ones."""

    received: tuple[str, ...]
    missing: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()
    extra: tuple[str, ...] = ()  # not on the list of the dispatch

    @property
    def whole(self) -> bool:
        """True where nothing sets one sample apart from another."""
        return not (self.missing or self.damaged or self.extra)


def arrived(
    dispatch: str,
    listed: Sequence[str],
    missing: Iterable[str],
    damaged: Iterable[str],
    extra: Iterable[str],
    scanned: Path | None,
) -> Arrived:
    """What arrived of the samples ``listed``; ids may be written with ';' between.

    Where codes were scanned, what was not scanned is missing and what is not listed extra.
    Raises ReconcileError where an id is not of the dispatch, or two statements contradict.
    """
    known = {comparison_form(s): s for s in listed}
    gone, broken = (
        _listed(dispatch, known, ids, name)
        for name, ids in (("--missing", missing), ("--damaged", damaged))
    )
    more = {comparison_form(i): i for i in _ids(extra)}
    if scanned is not None:
        codes = {comparison_form(code): code for code in _scanned(scanned)}
        if met := sorted(gone[form] for form in gone.keys() & codes.keys()):
            raise _contradiction(f"{', '.join(met[:5])} was scanned and is to be missing.")
        gone = {form: name for form, name in known.items() if form not in codes}
        more |= {form: code for form, code in codes.items() if form not in known}
    if there := sorted(known[form] for form in more.keys() & known.keys()):
        raise _contradiction(f"{', '.join(there[:5])} stands on the list of {dispatch}.")
    if both := sorted(gone[form] for form in gone.keys() & broken.keys()):
        raise _contradiction(f"{', '.join(both[:5])} is to be missing and damaged at once.")
    return Arrived(
        tuple(name for form, name in known.items() if form not in gone),
        tuple(gone.values()), tuple(broken.values()), tuple(more.values()),
    )  # fmt: skip


def _ids(many: Iterable[str]) -> list[str]:
    return [part.strip() for text in many for part in text.split(";") if comparison_form(part)]


def _listed(dispatch: str, known: dict[str, str], ids: Iterable[str], name: str) -> dict[str, str]:
    found = {comparison_form(i): i for i in _ids(ids)}
    if strange := [i for form, i in found.items() if form not in known]:
        raise ReconcileError(
            f"{name} names '{strange[0]}', which is no sample of dispatch {dispatch} "
            f"({len(known)} samples).",
            "Write the id as the form lists it; a sample that is not on the list is --extra.",
        )
    return {form: known[form] for form in found}


def _contradiction(text: str) -> ReconcileError:
    return ReconcileError(text, "Nothing was added. Look at the bags again, then say one of both.")


def _scanned(path: Path) -> list[str]:
    """The codes of a text file, one a line; blank lines count for nothing."""
    try:
        with open_regular(path) as stream:
            content = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ReconcileError(
            f"{path} can't be read ({error.strerror or error}).", "Give a text file of codes."
        ) from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ReconcileError(
            f"{path} is no text in UTF-8.", "Save the scanned codes as text, one a line."
        ) from error
    codes = [line.strip() for line in text.splitlines() if comparison_form(line)]
    if len(content) > _MOST_BYTES or not codes:
        raise ReconcileError(
            f"{path} holds {'too much' if codes else 'no code'}.", "One code a line."
        )
    return codes
