"""The step that gives every row one sample, and decides which results stand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.registers import Registers
from reconcile.base.settings.whole import Settings
from reconcile.base.settings.workspace import ELEMENTS_SETTING
from reconcile.evidence import (
    certificate_texts,
    documents,
    registers,
)
from reconcile.intake import workspace as ws
from reconcile.pairs import (
    account,
    certificates,
    laboratories,
    month,
    pairing,
    places,
    repeats,
    sides,
    zeros,
)
from reconcile.releases import persons
from reconcile.run.state import Run
from reconcile.samples import identity, overlay, spelling
from reconcile.store.database import Store
from reconcile.store.statements import quoted, sql


def settle_identities(run: Run) -> Run:
    """One id per sample: the register's spelling, aliases by a person's entry, no guesses."""
    store, files = run.store, run.run_files
    field_ids = pairing.written_ids(store, files, "field")
    lab_ids = pairing.written_ids(store, files, "lab")
    register_ids = pairing.written_ids(store, files, "register")
    numbers = [f.file_id for f in files]
    aliases = store.frame(
        sql("judging.aliases"),
        [numbers],
    )
    everything = sorted({*field_ids, *lab_ids, *register_ids})
    resolved = identity.resolve(everything, register_ids or field_ids, aliases)
    unknown = resolved["sample_id"].eq("")
    resolved.loc[unknown, "sample_id"] = [
        identity.normalise_id(text) for text in resolved.loc[unknown, "written_id"]
    ]
    pairing.begin(store, files, resolved)
    of_workspace = run.workspace.settings.workspace
    pairing.place_rows(
        store, of_workspace.assign_rows_by, month_bounds(run), of_workspace.time_zone
    )
    spelled = spelling.one_spelling(store)
    settled = certificates.settle(
        store, sides.keys_of(store, "lab", ()), run.workspace.settings.lab
    )
    samples = {
        side: [row[0] for row in store.rows(sql("judging.samples_of", rows=quoted(f"{side}_row")))]
        for side in ("field", "lab")
    }
    zone = run.workspace.settings.workspace.time_zone
    held = month.held(
        store, of_workspace.assign_rows_by, zone, set(samples["field"]), set(samples["lab"])
    )
    field_alone = sorted({*samples["field"]} - {*samples["lab"]})
    lab_alone = sorted({*samples["lab"]} - {*samples["field"]})
    findings = [
        *identity.near_misses(lab_alone, field_alone, known=everything, registered=register_ids),
        *identity.alias_findings(aliases, register_ids),
        *account.placement_findings(store),
        *zeros.findings(store, files),
        *places.findings(store),
        *month.findings(run.period, held),
        *spelled,
        *settled,
        *laboratories.findings(laboratories.answered(store), run.workspace.settings.lab.stands),
        *overlay.findings(overlay.entered(store, run.corrections_refused)),
        *_chosen_elements(store, run.workspace.settings),
    ]
    known = _known_of_registers(run)
    people = persons.register_of(run.workspace)
    findings += [
        *registers.findings(store, known, people),
        *certificate_texts.findings(known.certificates),
    ]
    if register_ids:
        registered = {*resolved.loc[resolved["written_id"].isin(register_ids), "sample_id"]}
        for side, label in (("field", "field reading"), ("lab", "lab result")):
            findings += [
                Finding(
                    "identity",
                    "warning",
                    sample,
                    f"A {label} of '{sample}' has no entry in the sample register.",
                    advice="Correct the id, or enter the sample or an alias.",
                    code=FindingCode.SAMPLE_NOT_REGISTERED,
                )
                for sample in samples[side]
                if sample not in registered
            ]
    run = _marked(run) if held.both else run
    if run.marks is not None:
        findings += repeats.findings(run.marks, run.workspace.settings.pairs)
    return replace(run, held=held, registers=known, findings=run.findings + tuple(findings))


def _known_of_registers(run: Run) -> Registers:
    """What tables, and the documents of the run, say of who and what made its results."""
    papers = [
        f for f in run.found if run.workspace.table(f.table_index).kind == documents.KIND
    ]  # fmt: skip
    evidence = documents.find(run.workspace, papers)
    return registers.of_run(
        run.store,
        persons.register_of(run.workspace),
        certificate_texts.of_run(run.store, evidence.files, evidence.entries),
    )


def _marked(run: Run) -> Run:
    """The run with the means of its samples, and the marks of the rows behind its pairs."""
    store, means = run.store, sides.average(run.store)
    facts = store.frame(sql("pair_facts"))
    if facts.empty:
        return replace(run, means=means)
    chance = run.workspace.settings.pairs.repeat_chance
    return replace(run, means=means, marks=repeats.marked(store, means, facts, chance))


def _chosen_elements(store: Store, settings: Settings) -> tuple[Finding, ...]:
    """What the choice of elements leaves out, and what it names in vain."""
    chosen = settings.workspace.elements
    if not chosen:
        return ()
    field, lab = (
        {key.element for key in sides.keys_of(store, side, ())} for side in ("field", "lab")
    )
    left_out = sorted((field & lab) - {*chosen})
    in_vain = [symbol for symbol in chosen if symbol not in field & lab]
    only_set = [symbol for symbol in settings.element if symbol not in chosen]
    advice = "Mend 'elements' under [workspace]; without it all that both sides have are compared."
    return tuple(
        Finding(
            "intake",
            "note",
            ELEMENTS_SETTING,
            text,
            advice=advice,
            code=FindingCode.ELEMENTS_CHOSEN,
        )
        for symbols, text in (
            (left_out, f"Both sides report {', '.join(left_out)}; 'elements' leaves them out."),
            (in_vain, f"'elements' names {', '.join(in_vain)}, which not both sides report."),
            (only_set, f"'elements' leaves out {', '.join(only_set)}, of which [element] speaks."),
        )
        if symbols
    )


def month_bounds(run: Run) -> tuple[datetime, datetime] | None:
    """Start and end of the period; None where rows are not assigned by time."""
    settings = run.workspace.settings.workspace
    if settings.assign_rows_by == "nothing":
        return None
    return ws.period_bounds(run.period, settings.time_zone)
