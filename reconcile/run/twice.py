"""Files that two tables find, and bytes or cells that come twice."""

from __future__ import annotations

import hashlib
from functools import partial

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake.read import ids_that_may_be
from reconcile.pairs import pairing, twofold
from reconcile.pairs.pairing import RunFile
from reconcile.run.archiving import Archive
from reconcile.run.state import Run
from reconcile.run.unread import Register, Unread, met_or_unread, of_copy
from reconcile.samples import overlay
from reconcile.store.binding import Binding
from reconcile.store.database import StoredFile
from reconcile.store.ledger import Reading
from reconcile.store.statements import sql


def by_ids_met(
    run: Run,
    bound: Binding,
    archive: Archive,
    stored: dict[int, StoredFile],
    code: str,
    register: Register | None,
    corrections: overlay.Corrections,
) -> dict[int, StoredFile]:
    """Read again the files with several id columns, knowing the ids of the other side.

    These are the register's, where there is one, and those that a person entered as aliases.
    """
    doubtful = {
        index
        for index, file in stored.items()
        if file.kind in ("field", "lab") and not file.problem and run.store.rows(
            sql("reading.has_ids"), [file.file_id],
        )
    }  # fmt: skip
    if not doubtful:
        return stored
    numbers = [file.file_id for file in stored.values()]
    known = {
        str(text)
        for (text,) in run.store.rows(
            sql("reading.ids"),
            [numbers, numbers],
        )
        if text
    }
    of_register = register is not None and register.rows["sample_id"].notna().any()
    again = dict(stored)
    for index in sorted(doubtful):
        met = known
        if not of_register:
            other = "lab" if stored[index].kind == "field" else "field"
            met = known | _ids_of(run, bound, archive, stored, other, doubtful)
        file = run.found[index]
        table = archive.table_of(file)
        read = met_or_unread(
            run, bound, archive, file, table, code, register, corrections, frozenset(met)
        )
        again[index] = read.into(run, bound, read.read()) if isinstance(read, Unread) else read
    return again


def _ids_of(
    run: Run,
    bound: Binding,
    archive: Archive,
    stored: dict[int, StoredFile],
    kind: str,
    doubtful: set[int],
) -> frozenset[str]:
    """The sample ids of one side; of a file that itself has several columns of ids, all."""
    found: set[str] = set()
    for index, file in stored.items():
        if file.kind != kind or file.problem:
            continue
        if index in doubtful:
            zone = run.workspace.settings.workspace.time_zone
            found_file = run.found[index]
            digest, copy = archive.copy_of(found_file)
            table = archive.table_of(found_file)
            ids = partial(ids_that_may_be, copy, file.path, table, zone)
            met, told = of_copy(run.workspace, found_file, digest, copy, ids)
            bound.told += told
            found |= met
        else:
            found |= {*pairing.written_ids(run.store, [RunFile(file.file_id, 0, True)], kind)}
    return frozenset(found)


def without_copies(
    run: Run, stored: dict[int, StoredFile]
) -> tuple[dict[int, StoredFile], tuple[Finding, ...]]:
    """Each file's bytes once per table: a copy under another name would count twice."""
    kept: dict[int, StoredFile] = {}
    first: dict[tuple[int, str], str] = {}
    tables: dict[int, int] = {}  # by file_id: the table that reads it so
    numbers: set[int] = set()  # file_ids of those that are kept
    findings = []
    for index, file in sorted(stored.items()):
        table = run.found[index].table_index
        if (before := tables.setdefault(file.file_id, table)) != table:
            findings.append(
                Finding(
                    "intake", "warning", file.path,
                    f"The [[table]] entries {before + 1} and {table + 1} read {file.path} in the "
                    "same way; it was read once.",
                    advice="Take one of the two out of the settings.",
                    code=FindingCode.READ_TWICE_ALIKE,
                )
            )  # fmt: skip
            continue
        if file.file_id in numbers:
            continue  # two patterns of one table find the same file
        key = (run.found[index].table_index, file.sha256)
        if file.sha256 and not file.problem and key in first:
            findings.append(
                Finding(
                    "intake", "serious", file.path,
                    f"{file.path} is a copy of {first[key]}, byte for byte; it was not read again.",
                    advice="Take one of the two away.",
                    code=FindingCode.FILE_COPIED,
                )
            )  # fmt: skip
            continue
        first.setdefault(key, file.path)
        kept[index] = file
        numbers.add(file.file_id)
    return kept, tuple(findings)


def without_same_cells(
    run: Run, bound: Binding, stored: dict[int, StoredFile]
) -> tuple[dict[int, StoredFile], tuple[Finding, ...]]:
    """Refuse both readings of cells that are field and laboratory at once.

    Which of the two they are only a person knows; the file stays, without rows, as one that
    could not be read.
    """
    kept, findings = dict(stored), []
    for same in twofold.same_cells(run.store, stored):
        field, lab = stored[same.field], stored[same.lab]
        entries = [run.found[i].table_index + 1 for i in (same.field, same.lab)]
        one = field.path == lab.path
        name = field.path if one else f"{field.path} and {lab.path}"
        begin = f"{name} is read twice:" if one else f"{name} hold the same bytes:"
        where = "".join(f", sheet {sheet}" for sheet in same.sheets if sheet)
        columns = ", ".join(f"'{heading}'" for heading in same.headings[:8])
        more = ", …" if len(same.headings) > 8 else ""
        text = (
            f"{begin} the [[table]] entries {entries[0]} (field) and {entries[1]} (lab) read the "
            f"same cells, {same.rows} {'row' if same.rows == 1 else 'rows'} of {columns}{more}"
            f"{where}. "
            "Compared with itself a table agrees always; neither reading was used."
        )
        advice = (
            "Let only one of the two entries find the file; where one sheet holds both sides, "
            'give each entry its own columns: columns = { "heading" = "ignore" }.'
        )
        findings.append(
            Finding(
                "intake", "serious", name, text, advice=advice, code=FindingCode.SAME_CELLS_TWICE
            )
        )
        for index, file in ((same.field, field), (same.lab, lab)):
            key = hashlib.sha256(f"{file.kind}\n{text}\n{advice}".encode()).hexdigest()
            reading = Reading(file.path, file.sha256, key, "")
            kept[index] = bound.known(reading.name) or bound.add(
                reading, file.kind, file.size, ReconcileError(text, advice)
            )
    return kept, tuple(findings)
