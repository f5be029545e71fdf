"""From ids as written to the sample's one id."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.samples.identity.text import comparison_form, normalise_id


def resolve(ids: Sequence[str], register_ids: Iterable[str], aliases: pd.DataFrame) -> pd.DataFrame:
    """Which sample each written id means: columns written_id, sample_id, how.

    ``how`` is 'alias' where a person entered the id in the alias table (this stands
    above everything, for it is a deliberate act), 'same' where the id stands so in the
    register, 'normalised' where it differs only in blanks, dashes, Unicode form or case;
    '' with an empty ``sample_id`` where it is unresolved: not in the register, or given two
    meanings by the alias table. Spellings of the register that are equal without case are
    one id (``alias_findings`` names them); without a register each distinct id is its own
    sample. An alias is followed once, never in a chain.
    """
    register = {str(r) for r in register_ids if normalise_id(r)}
    written = list(dict.fromkeys(str(i) for i in ids))
    known: dict[str, str] = {}
    for spelling in sorted(register or set(written), key=lambda t: (t != normalise_id(t), t)):
        if form := comparison_form(spelling):
            known.setdefault(form, spelling if register else normalise_id(spelling))
    targets = _targets(aliases)
    rows = [(text, *_meaning(text, known, targets)) for text in written]
    return pd.DataFrame(rows, columns=["written_id", "sample_id", "how"]).astype("str")


def _meaning(
    text: str, known: dict[str, str], targets: dict[str, dict[str, str]]
) -> tuple[str, str]:
    form = comparison_form(text)
    meanings = targets.get(form)
    if meanings:
        if len(meanings) > 1:
            return "", ""
        ((target, spelling),) = meanings.items()
        return known.get(target, spelling), "alias"
    found = known.get(form, "")
    return found, "" if not found else "same" if found == text else "normalised"


def _targets(aliases: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Comparison form of the written id -> comparison form of the sample id -> its spelling."""
    targets: dict[str, dict[str, str]] = defaultdict(dict)
    if {"written_id", "sample_id"} <= set(aliases.columns):
        for written, sample in zip(aliases["written_id"], aliases["sample_id"], strict=True):
            form, spelling = comparison_form(written), normalise_id(sample)
            if form and spelling:
                targets[form].setdefault(comparison_form(spelling), spelling)
    return dict(targets)


def alias_findings(aliases: pd.DataFrame, register_ids: Iterable[str]) -> tuple[Finding, ...]:
    """What is wrong in the alias table and the register: two meanings, chains, unknown targets,
    ids of the register that differ only in case or blanks.
    """
    register = sorted({str(r) for r in register_ids if normalise_id(r)})
    forms: dict[str, list[str]] = defaultdict(list)
    for spelling in register:
        forms[comparison_form(spelling)].append(spelling)
    targets = _targets(aliases)
    findings: list[Finding] = []
    for form, meanings in sorted(targets.items()):
        shown = " and ".join(f"'{spelling}'" for spelling in sorted(meanings.values()))
        if len(meanings) > 1:
            findings.append(
                Finding(
                    "identity",
                    "serious",
                    form,
                    f"The alias table gives '{form}' more than one meaning.",
                    f"It is entered for {shown}.",
                    "Keep one entry; until then the id stays unresolved.",
                    code=FindingCode.ALIAS_AMBIGUOUS,
                )
            )
            continue
        ((target, spelling),) = meanings.items()
        if target in targets and target != form and form not in targets[target]:
            findings.append(
                Finding(
                    "identity",
                    "warning",
                    form,
                    f"The alias '{form}' points to '{spelling}', which is itself an alias.",
                    f"'{spelling}' is entered for "
                    + " and ".join(f"'{s}'" for s in sorted(targets[target].values()))
                    + ".",
                    "Aliases are followed once; enter the final sample id for each.",
                    code=FindingCode.ALIAS_OF_ALIAS,
                )
            )
        elif register and target not in forms:
            findings.append(
                Finding(
                    "identity",
                    "warning",
                    form,
                    f"The alias '{form}' points to '{spelling}', which the register does not hold.",
                    advice="Correct the alias or enter the sample in the register.",
                    code=FindingCode.ALIAS_UNREGISTERED,
                )
            )
    for form, spellings in sorted(forms.items()):
        if len(spellings) > 1:
            findings.append(
                Finding(
                    "identity",
                    "serious",
                    form,
                    "Ids of the register differ only in case, blanks or dashes.",
                    ", ".join(f"'{s}'" for s in spellings),
                    "If they are one sample keep one entry, else give one a distinct id.",
                    code=FindingCode.REGISTERED_ALIKE,
                )
            )
    return tuple(findings)
