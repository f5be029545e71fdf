"""Documents of certificates beside the results that the tables give for these certificates."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.quantities import ELEMENTS, parse_species, parse_unit
from reconcile.base.registers import CertificateText, TextDifference
from reconcile.base.regular import open_regular
from reconcile.evidence import certificate_numbers, certificate_pages, documents
from reconcile.evidence.certificate_numbers import Result
from reconcile.evidence.certificate_pages import Page, Problem
from reconcile.intake.tables import BELOW, QUANTIFIED
from reconcile.intake.workspace import FoundFile
from reconcile.samples.identity import comparison_form
from reconcile.store.database import Store
from reconcile.store.statements import listed, quoted, sql

_PDF = b"%PDF-"
_SEARCHED = 1024  # bytes of a file in which its sign may stand
_MOST_NAMED = 5
_WHY: dict[str, str] = {
    certificate_pages.NO_TEXT: "holds no text: it may be a scan",
    certificate_pages.LOCKED: "is locked with a password",
    certificate_pages.UNREADABLE: "can't be read as a PDF",
    certificate_pages.TOO_LARGE: f"has more than {certificate_pages.MOST_PAGES} pages, or too much "
    "text",
}


@dataclass(frozen=True, slots=True)
class _Row:
    """One laboratory row with its results."""

    certificate: str
    results: tuple[Result, ...]


def of_run(
    store: Store, files: Sequence[FoundFile], entries: Iterable[documents.Entry]
) -> tuple[CertificateText, ...]:
    """Every document of a certificate of the run; rows must have their dispositions."""
    return _compared(store, [r[0] for r in store.rows(sql("certificate_texts.of_run"))], files,
                     entries)  # fmt: skip


def of_samples(
    store: Store, stored: Sequence[int], names: Iterable[str], evidence: documents.Evidence
) -> tuple[CertificateText, ...]:
    """The documents of the certificates that answer for a sample, and its results alone.

    ``stored``: numbers of files in the store; ``names``: every spelling of the sample.
    """
    rows = store.rows(sql("certificate_texts.of_samples"), [list(stored), sorted(names)])
    return _compared(store, [r[0] for r in rows], evidence.files, evidence.entries)


def _compared(
    store: Store, rows: list[int], files: Sequence[FoundFile], entries: Iterable[documents.Entry]
) -> tuple[CertificateText, ...]:
    """In the order of certificates and files."""
    named: dict[str, dict[str, FoundFile]] = {}  # folded number of a certificate: its documents
    by_name = {file.shown: file for file in files}
    for entry in entries:
        file = by_name.get(entry.shown)
        for number in entry.certificates if file is not None else ():
            assert file is not None
            named.setdefault(comparison_form(number), {})[file.shown] = file
    if not rows or not named:
        return ()
    numbers = {
        str(row[0]): comparison_form(row[0])
        for row in store.rows(sql("certificate_texts.certificates"), [rows])
    }
    wanted = sorted(number for number, folded in numbers.items() if folded in named)
    results: dict[str, list[Result]] = {}
    for row in _rows(store, rows, wanted) if wanted else ():
        results.setdefault(row.certificate, []).extend(row.results)
    read: dict[str, tuple[tuple[Page, ...], Problem] | None] = {}
    found = []
    for number in wanted:
        for shown, file in sorted(named[numbers[number]].items()):
            if shown not in read:
                read[shown] = _pages(file)
            if (pages := read[shown]) is not None:
                found.append(_one(number, shown, pages, results.get(number, [])))
    return tuple(found)


def _pages(file: FoundFile) -> tuple[tuple[Page, ...], Problem] | None:
    """The pages of a document; None where it is no PDF, or gone (which others tell)."""
    try:
        with open_regular(file.path) as stream:
            content = stream.read(documents.MOST_PICTURE_BYTES + 1)
    except OSError:
        return None
    if not file.shown.lower().endswith(".pdf") and _PDF not in content[:_SEARCHED]:
        return None
    if len(content) > documents.MOST_PICTURE_BYTES:
        return (), certificate_pages.TOO_LARGE
    return certificate_pages.pages_of(content)


def _one(
    number: str, shown: str, pages: tuple[tuple[Page, ...], Problem], results: list[Result]
) -> CertificateText:
    if pages[1]:
        return CertificateText(number, shown, 0, 0, problem=pages[1])
    found = certificate_numbers.compare(results, pages[0])
    return CertificateText(
        number, shown, len(pages[0]), found.agreeing, found.differing, found.absent, found.scales
    )


def _rows(store: Store, rows: list[int], certificates: list[str]) -> Iterator[_Row]:
    keys, cells = store.keys("lab"), store.cells("lab")
    analytes = {
        (file_id, key.casefold()): (element, species, unit)
        for file_id, key, element, species, unit in store.rows(sql("certificate_texts.analytes"))
    }
    parts = [
        sql("certificate_texts.named", of=part, name=quoted(f"{mark}{i}"))
        for i, key in enumerate(keys)
        for mark, part in zip("vql", _parts(cells.of(key)), strict=True)
    ]
    facts = [quoted(name) for name in ("certificate", "file_id", "sample_id", "lab_id")]
    frame = store.frame(
        sql("certificate_texts.results", columns=listed([*facts, *parts])), [rows, certificates]
    )
    for row in frame.to_dict("records"):
        sample = str(row["sample_id"] or row["lab_id"] or "")
        if not sample:
            continue
        names = tuple(comparison_form(str(x)) for x in (row["sample_id"], row["lab_id"]) if x)
        found = (
            _result(sample, names, row, i, analytes.get((row["file_id"], key.casefold())))
            for i, key in enumerate(keys)
        )
        yield _Row(str(row["certificate"]), tuple(r for r in found if r is not None))


def _parts(cell: Any) -> tuple[Any, Any, Any]:
    return cell.value, cell.code, cell.limit


def _result(
    sample: str, names: tuple[str, ...], row: dict[Any, Any], at: int,
    analyte: tuple[str, str, str] | None,
) -> Result | None:  # fmt: skip
    code = row[f"q{at}"]
    if analyte is None or code is None or code != code or int(code) not in (QUANTIFIED, BELOW):
        return None
    number = row[f"{'v' if int(code) == QUANTIFIED else 'l'}{at}"]
    if number is None or not math.isfinite(number) or number <= 0:
        return None
    element, species, unit = analyte
    known, of_unit = parse_species(species), parse_unit(unit)
    if known is not None:
        number /= known.element_per_species
    if of_unit is not None and math.isfinite(of_unit.to_mg_kg):
        number /= of_unit.to_mg_kg
    wanted = (species, element, ELEMENTS.get(element, ""))
    folded = tuple(dict.fromkeys(name.casefold() for name in wanted if name))
    return Result(sample, names, element, folded, float(number), int(code) == BELOW)


# ---- what is told -----------------------------------------------------------------------


def findings(found: Iterable[CertificateText]) -> tuple[Finding, ...]:
    """Numbers that a document does not hold, samples that it does not name, and why none is."""
    told: list[Finding] = []
    for c in found:
        subject = f"certificate {c.certificate}"
        if c.problem:
            told.append(
                Finding(
                    "evidence", "note", subject,
                    f"The document {c.file} of certificate {c.certificate} {_WHY[c.problem]}; "
                    "its numbers were not compared with the table's.",
                    c.file, "Ask the laboratory for the certificate as a PDF with text, or compare "
                    "it by eye.",
                    code=FindingCode.CERTIFICATE_WITHOUT_TEXT,
                )
            )  # fmt: skip
            continue
        if c.differing:
            named = "; ".join(map(difference_text, c.differing[:_MOST_NAMED]))
            more = len(c.differing) - _MOST_NAMED
            told.append(
                Finding(
                    "evidence", "serious", subject,
                    f"The document {c.file} of certificate {c.certificate} does not hold "
                    f"{len(c.differing)} of {c.agreeing + len(c.differing)} results of the table: "
                    f"{named}{f'; and {more} more' if more > 0 else ''}.",
                    c.file, "Ask the laboratory which number is right; correct the cell by an "
                    "entry of kind 'corrections', or keep the re-issued certificate.",
                    code=FindingCode.CERTIFICATE_DIFFERS,
                )
            )  # fmt: skip
        if c.absent:
            shown = ", ".join(c.absent[:_MOST_NAMED])
            more = len(c.absent) - _MOST_NAMED
            told.append(
                Finding(
                    "evidence", "warning", subject,
                    f"The document {c.file} of certificate {c.certificate} does not name "
                    f"{shown}{f' and {more} more' if more > 0 else ''}, of which the table has "
                    "results.",
                    c.file, "Check that it is the document of this certificate, with all pages.",
                    code=FindingCode.CERTIFICATE_LACKS_SAMPLES,
                )
            )  # fmt: skip
        if c.scales:
            named = ", ".join(f"{element} by 10^{power}" for element, power in c.scales)
            told.append(
                Finding(
                    "evidence", "warning", subject,
                    f"The numbers of {c.file} differ from the table's of certificate "
                    f"{c.certificate} by a power of ten ({named}): another unit.",
                    c.file, "Check the unit that the settings or the table's headings state.",
                    code=FindingCode.CERTIFICATE_OTHER_UNIT,
                )
            )  # fmt: skip
    return tuple(told)


def difference_text(d: TextDifference) -> str:
    """One difference for a reader."""
    there = " or ".join(d.document) if d.document else "no number that is left"
    return f"{d.sample_id} {d.element} {d.table} in the table, {there} on page {d.page}"


def told_of(c: CertificateText) -> str:
    """What a document says of the results that were looked for in it."""
    if c.problem:
        return f"{c.file} {_WHY[c.problem]}; no number was compared"
    parts = [f"{c.agreeing} result{'' if c.agreeing == 1 else 's'} agree" if c.agreeing else ""]
    parts += [difference_text(d) for d in c.differing]
    parts += [f"{sample} is not named there" for sample in c.absent]
    return f"{c.file}: {'; '.join(p for p in parts if p) or 'no result to compare'}"
