"""Corrections that persons entered, from their tables to the files that they mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding, WaterfallStep
from reconcile.base.model.tables import CORRECTION_COLUMNS
from reconcile.base.places import Place
from reconcile.intake.corrections import Correction
from reconcile.store.database import Store
from reconcile.store.statements import sql

#: (path, SHA-256) of a file -> the corrections entered for it.
Corrections = Mapping[tuple[str, str], tuple[Correction, ...]]
APPLIED = "applied"


def corrections_in(store: Store, file_ids: Sequence[int]) -> Corrections:
    """Every filled-in correction of these files of kind corrections, by the file it means."""
    found: dict[tuple[str, str], list[Correction]] = {}
    for file, sha256, sheet, row, column, value, by, because, path, number in store.rows(
        sql("overlay.corrections_in"),
        [list(file_ids)],
    ):
        entry = Correction(
            _plain(sheet), int(float(row)), _plain(column), _plain(value), by, because,
            Place(path, row=number).text,
        )  # fmt: skip
        found.setdefault((_plain(file), sha256), []).append(entry)
    return {key: tuple(entries) for key, entries in sorted(found.items())}


def files_of_entries(store: Store) -> dict[str, str]:
    """By where an entry stands (``entered_in``), the file in which it does; of the run's files."""
    rows = store.rows(sql("overlay.files_of_entries"))
    return {Place(path, row=number).text: path for path, number in rows}


def _plain(text: str | None) -> str:
    """Text of a data file of a release without the apostrophe that keeps it from being run."""
    raw = text or ""
    return raw[1:] if raw.startswith("'") and raw[1:2] in tuple("=+-@") else raw


def unmatched(
    corrections: Corrections,
    files: Iterable[tuple[str, str]],
    of_other_months: Iterable[str] = (),
    met: Iterable[str] = (),
) -> list[tuple[str, Correction, str]]:
    """Corrections that mean no sheet of the run: path, entry and why it is refused.

    Entries for files of other months are no matter of this run; ``met`` holds those
    (``entered_in``) that found their sheet, whatever became of them there.
    """
    known = set(files)
    paths = {path for path, _ in known}
    elsewhere = set(of_other_months) - paths
    at_home = set(met)
    out = []
    for (path, sha256), entries in corrections.items():
        if (path, sha256) in known:
            out += [(path, e, _no_sheet(e.sheet)) for e in entries if e.entered_in not in at_home]
            continue
        if path in elsewhere:
            continue
        why = (
            "the file has changed since it was corrected (its SHA-256 is another)"
            if path in paths
            else "no file of this run has that name"
        )
        out += [(path, entry, why) for entry in entries]
    return out


def _no_sheet(sheet: str) -> str:
    if not sheet:
        return "no sheet is named, or the file could not be read"
    return f"no sheet '{sheet}' of the file was read"


def met_sheets(store: Store, file_ids: Sequence[int]) -> list[str]:
    """Where the corrections are entered that found their sheet in these files."""
    return [
        str(row[0])
        for row in store.rows(
            sql("overlay.met"),
            [list(file_ids)],
        )
    ]


def entered(store: Store, refused: Sequence[tuple[str, Correction, str]]) -> pd.DataFrame:
    """Every correction of the run and what became of it: model.CORRECTION_COLUMNS, of which
    ``outcome`` is for the reader, and ``refused``: why it was not applied, '' where it was.
    """
    rows = store.rows(sql("overlay.entered"))
    rows += [
        (path, c.sheet, c.row, c.column, "", c.value, c.by, c.because, c.entered_in, why)
        for path, c, why in refused
    ]
    return pd.DataFrame(
        [(*row[:-1], f"refused: {row[-1]}" if row[-1] else APPLIED, row[-1]) for row in rows],
        columns=[*CORRECTION_COLUMNS, "refused"],
    )


def findings(corrections: pd.DataFrame) -> tuple[Finding, ...]:
    """Corrections that were refused, for the person who entered them."""
    return tuple(
        Finding(
            "intake", "warning", str(row.entered_in),
            f"The correction of {row.file}, row {row.row}, column '{row.column}' was not applied: "
            f"{row.refused!s}.",
            advice="Correct the entry, or take it out; the cell stays as the file gives it.",
            code=FindingCode.CORRECTION_REFUSED,
        )
        for row in corrections.itertuples(index=False)
        if row.refused
    )  # fmt: skip


def account(corrections: pd.DataFrame) -> tuple[WaterfallStep, ...]:
    """Corrections entered, applied and refused."""
    if corrections.empty:
        return ()
    applied = corrections["refused"].eq("")
    refused = corrections.loc[~applied, "outcome"].value_counts()
    return (
        WaterfallStep(
            "corrections of single cells entered by a person", "cells", len(corrections),
            int(applied.sum()),
            tuple(sorted((str(why), int(n)) for why, n in refused.items())),
        ),
    )  # fmt: skip
