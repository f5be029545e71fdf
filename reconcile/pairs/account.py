"""The account of a run's rows, samples and pairs, and what keeps rows from being placed."""

from __future__ import annotations

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding, WaterfallStep
from reconcile.pairs.pairing import Joined
from reconcile.store.database import Store
from reconcile.store.statements import quoted, sql


def placement_findings(store: Store) -> tuple[Finding, ...]:
    """What a person must settle before rows can be placed: no time, one certificate twice."""
    findings: list[Finding] = []
    (untimed,) = store.rows(sql("pairing.untimed"))[0]
    if untimed:
        findings.append(
            Finding(
                "intake", "serious", "field tables",
                f"{untimed} field {'row has' if untimed == 1 else 'rows have'} no time of "
                "measurement, so no month could be given to them; they were left out.",
                advice="Map a column to measured_at, put {period} into the file pattern, or set "
                "assign_rows_by = 'nothing'.",
                code=FindingCode.NO_TIME_OF_MEASUREMENT,
            )
        )  # fmt: skip
    for certificate, count in store.rows(sql("pairing.certificates_twice")):
        findings.append(
            Finding(
                "intake", "serious", f"certificate {certificate}",
                f"Two files give results of certificate {certificate} for the same samples and no "
                f"issue number tells them apart; {count} rows were left out.",
                advice="Enter which file is the re-issue (certificate_issue = 2), or take one "
                "away.",
                code=FindingCode.CERTIFICATE_TWICE,
            )
        )  # fmt: skip
    for sample, count in store.rows(sql("pairing.registered_differently")):
        findings.append(
            Finding(
                "identity", "serious", str(sample),
                f"The register enters '{sample}' {count} times with different facts; the first "
                "entry was used.",
                advice="Correct the register.",
                code=FindingCode.REGISTERED_DIFFERENTLY,
            )
        )  # fmt: skip
    return tuple(findings)


def rows_mark(store: Store) -> str:
    """Digest of which rows belong to this period and how, so that a release can say so."""
    marks = store.rows(sql("pairing.rows_mark"))
    return str(marks[0][0])


def waterfall(store: Store, joined: Joined, pairs: pd.DataFrame) -> tuple[WaterfallStep, ...]:
    """Counts of rows, samples and pairs; every line balances to zero."""
    steps: list[WaterfallStep] = []
    for kind, label in (("field", "field rows"), ("lab", "lab rows")):
        steps.append(_read_step(store, kind, label))
        steps.append(_use_step(store, kind, label))
    for kind in (
        "sample register", "custody", "reference materials", "aliases", "corrections",
        "specification limits", "instrument checks", "instruments", "laboratories",
    ):  # fmt: skip
        step = _read_step(store, kind, f"{kind} rows")
        if step.entered:
            steps.append(step)
    steps.append(_sample_step(store, "field_sample", joined.field_only, "field", "no lab result"))
    steps.append(_sample_step(store, "lab_sample", joined.lab_only, "lab", "no field reading"))
    lost = pairs.loc[~pairs["used"].astype(bool), "reason"].value_counts()
    steps.append(
        WaterfallStep(
            "pairs (one element, one sample, one field and one lab method)",
            "pairs",
            len(pairs),
            int(pairs["used"].sum()) if len(pairs) else 0,
            tuple(sorted((str(reason), int(count)) for reason, count in lost.items())),
        )
    )
    return tuple(steps)


def _read_step(store: Store, kind: str, label: str) -> WaterfallStep:
    entered, accepted = store.rows(
        sql("pairing.rows_read"),
        [kind],
    )[0]
    aside = store.rows(
        sql("pairing.rows_set_aside"),
        [kind],
    )
    whole_rows = store.rows(
        sql("pairing.rows_refused"),
        [kind],
    )
    lost = [(f"quarantined: {reason}", int(n)) for reason, n in whole_rows]
    lost += [(str(reason), int(n)) for reason, n in aside]
    ((twice,),) = store.rows(
        sql("pairing.sheets_read_twice"),
        [kind],
    )
    name = f"{label} read"
    if twice:  # as where two tables stand side by side in it
        sheets = "1 sheet is" if twice == 1 else f"{twice} sheets are"
        name += f" ({sheets} read by more than one [[table]]: every reading counts its rows)"
    return WaterfallStep(name, "rows", int(entered), int(accepted), tuple(lost))


def _use_step(store: Store, kind: str, label: str) -> WaterfallStep:
    counts = dict(store.rows(sql("pairing.dispositions", rows=quoted(f"{kind}_row"))))
    (stored,) = store.rows(sql("pairing.rows_of_run", rows=quoted(kind)))[0]
    kept = int(counts.pop("sample", 0))
    return WaterfallStep(
        f"{label} that hold a result of a sample in this period",
        "rows",
        int(stored),
        kept,
        tuple((str(reason), int(n)) for reason, n in counts.items()),
    )


def _sample_step(
    store: Store, table: str, alone: tuple[str, ...], side: str, reason: str
) -> WaterfallStep:
    (entered,) = store.rows(sql("pairing.samples", rows=quoted(table)))[0]
    (kept,) = store.rows(sql("pairing.samples_paired"))[0]
    return WaterfallStep(
        f"samples with a {side} result",
        "samples",
        int(entered),
        int(kept),
        ((reason, len(alone)),) if alone else (),
    )
