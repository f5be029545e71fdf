"""Certificates that answer or repeat others: re-issues and later certificates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake.tables import ABOVE
from reconcile.pairs.sides import Key
from reconcile.pairs.standing import (
    GROUP,
    LATER,
    REISSUE,
    Settled,
    cells_where,
    identity,
    rows_of,
    shown,
    still_standing,
)
from reconcile.store.database import Store
from reconcile.store.statements import listed, quoted, sql


def reissues(store: Store, keys: Sequence[Key], settled: Settled) -> list[Finding]:
    """An earlier issue's result goes where a later issue answers for the same element."""
    ((revised,),) = store.rows(sql("certificates.revised_rows"))
    if not revised:
        return []
    cells = cells_where(
        store, keys,
        sql("certificates.has_issues"), sql("certificates.any_cell"),
    )  # fmt: skip
    came_back: list[Any] = []
    groups: dict[tuple[str, ...], list[Any]] = {}
    for cell in rows_of(cells.dropna(subset=["sample_id", "laboratory"])):
        name = (cell.certificate, cell.laboratory, cell.sample_id, cell.element)
        groups.setdefault(name, []).append(cell)
    for _, group in sorted(groups.items()):
        names: dict[Any, set[tuple[Any, ...]]] = {}
        first: dict[Any, Any] = {}
        for cell in group:
            names.setdefault(cell.issue, set()).add(identity(cell))
            first.setdefault(cell.issue, cell)
        for cell in group:
            # a method that the earlier issue does not have is the same one under a new name
            later = [
                i for i in sorted(names)
                if i > cell.issue
                and (identity(cell) in names[i] or names[i] - names[cell.issue])
            ]  # fmt: skip
            if later:
                newer = first[later[-1]]
                link = f"{shown(cell)} superseded by {shown(newer)}"
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


# ---- later certificates ---------------------------------------------------------------
def later(store: Store, keys: Sequence[Key], settled: Settled) -> list[Finding]:
    """By the same laboratory and method, the later certificate's results stand."""
    ((certificates,),) = store.rows(sql("certificates.certificates"))
    if certificates < 2:
        return []
    group = [quoted(name) for name in GROUP]
    ((several,),) = store.rows(sql("certificates.answered_twice", group=listed(group)))
    if not several:
        return []
    same = listed((sql("certificates.same", name=name) for name in group), "all")
    cells = still_standing(
        cells_where(
            store, keys,
            sql("certificates.by_another", same=same), sql("certificates.results_only"),
        ),
        settled,
    )  # fmt: skip
    replaced: dict[tuple[str, str], int] = {}
    unknown: dict[tuple[str, ...], int] = {}
    for _, rows in cells.groupby([*GROUP, "key"], sort=True):
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
        for cell in rows_of(rows.loc[rows["certificate"].ne(newest)]):
            link = f"{shown(cell)} replaced by {shown(rows_of(stands)[0])}"
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
