"""The step that makes the pairs of the month and their strata."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.whole import Settings
from reconcile.evidence import (
    diagnosis,
    eligibility,
    registers,
)
from reconcile.figures import laboratories as between
from reconcile.figures import selection
from reconcile.pairs import (
    account,
    filing,
    laboratories,
    pairing,
    pooling,
    sides,
    sums,
    superseded,
)
from reconcile.pairs.pairing import Joined
from reconcile.releases import persons, settling
from reconcile.run.state import Run
from reconcile.samples import overlay


def make_pairs(run: Run) -> Run:
    """Means, joins, and the reason of every pair that is kept out of the statistics."""
    settings, store = run.workspace.settings, run.store
    field_keys = sides.keys_of(store, "field", settings.workspace.elements)
    lab_keys = sides.keys_of(store, "lab", settings.workspace.elements)
    means = run.means or sides.average(store)
    interference = eligibility.lead_on_arsenic(store, means[0], field_keys, settings.thresholds)
    high = sums.high_means(
        store, {s.file_id: run.workspace.table(found.table_index) for found, s in run.files}
    )

    def join(pool: Sequence[str], apart: frozenset[str]) -> tuple[Joined, pd.DataFrame]:
        joined = pairing.join(store, means, field_keys, lab_keys, pool, apart, run.marks)
        linked = superseded.name_links(
            store, joined.pairs, {stratum.key: stratum.lab_method for stratum in joined.strata}
        )
        return joined, eligibility.with_reasons(
            selection.marked(store, linked),
            joined.strata,
            run.custody_status,
            run.custody_broken_by,
            run.quality,
            interference,
            high,
            settings,
        )

    joined, pairs, tested = pooling.pooled_where_allowed(join, settings)
    pairs = _with_doubts(run, joined, pairs)
    steps = (
        *account.waterfall(store, joined, pairs),
        *superseded.account(store, sides.keys_of(store, "lab", ())),
        *overlay.account(overlay.entered(store, run.corrections_refused)),
    )
    files = filing.account_of_files(
        store,
        {
            stored.file_id: run.workspace.table(found.table_index).name
            or f"table {found.table_index + 1}"
            for found, stored in run.files
        },
    )
    # files first: each names itself, and the account of all of them follows from theirs
    unbalanced = [step for step in (*(s for f in files for s in f.steps), *steps) if step.balance]
    if unbalanced:
        text = "; ".join(f"{step.name}: {step.balance}" for step in unbalanced)
        raise ReconcileError(
            f"The account of rows does not balance ({text}).",
            "Nothing was released. This is a fault of the program: please report it.",
        )
    stands = settings.lab.stands
    compared = between.compare(laboratories.shared(store, lab_keys, stands), settings)
    faults = (
        *_unknown_matrices(settings, joined.strata),
        *_unmet_entries(settings, pairs),
        *sums.findings(high),
        *between.findings_between(compared),
        *settling.applied(
            run.workspace,
            (
                *diagnosis.suspected_faults(
                    pairs, joined.strata, settings.thresholds, pairing.read_as(store, joined)
                ),
                *eligibility.swap_suspicions(pairs, joined.strata),
            ),
        ),
    )
    return replace(
        run,
        joined=joined,
        pairs=pairs,
        pooling=tested,
        steps_of_account=steps,
        account_of_files=files,
        laboratories=compared,
        findings=run.findings + faults,
    )


def _with_doubts(run: Run, joined: Joined, pairs: pd.DataFrame) -> pd.DataFrame:
    """The pairs with what registers and documents say against them."""
    of_key = {s.key: s for s in joined.strata}
    strata = [of_key[key] for key in pairs["stratum"]]
    methods = pd.DataFrame(
        {
            "instrument": [s.read_by.instrument for s in strata],
            "technique": [s.read_by.technique for s in strata],
            "laboratory": [s.laboratory for s in strata],
            "lab_method": [s.determined_by.code for s in strata],
        }
    )
    return registers.doubted(pairs, run.registers, persons.register_of(run.workspace), methods)


def _unmet_entries(settings: Settings, pairs: pd.DataFrame) -> tuple[Finding, ...]:
    """Entries of ``leave_out`` that keep no pair of the period out: a typo keeps nothing out."""
    samples = set(pairs["sample_id"])
    met = samples | {f"{s}/{e}" for s, e in zip(pairs["sample_id"], pairs["element"], strict=True)}
    return tuple(
        Finding(
            "intake", "note", f"leave_out.{key}",
            f"The settings leave out '{key}'; no pair of this period has that sample and element.",
            advice="Check the spelling; entries of other months may stay.",
            code=FindingCode.LEAVE_OUT_UNMET,
        )
        for key in settings.leave_out
        if key not in met
    )  # fmt: skip


def _unknown_matrices(settings: Settings, strata: Sequence[Stratum]) -> tuple[Finding, ...]:
    """Matrices that the settings name for an element and that none of its pairs has."""
    present = {(stratum.element, stratum.matrix) for stratum in strata}
    with_pairs = {element for element, _ in present}
    return tuple(
        Finding(
            "intake", "note", f"element.{symbol}.matrix.{matrix}",
            f"The settings state what holds for {symbol} in '{matrix}'; no pair of this period "
            "has that matrix.",
            advice="Check the spelling of the matrix.",
            code=FindingCode.MATRIX_UNMET,
        )
        for symbol, element in settings.element.items()
        for matrix in element.matrix
        if symbol in with_pairs and (symbol, matrix) not in present
    )  # fmt: skip
