"""One spelling per method: names that differ in case or blanks alone are one method."""

from __future__ import annotations

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.store.database import Store
from reconcile.store.statements import quoted, sql

_NAMES = {
    "field": ("technique", "instrument", "calibration"),
    "lab": ("technique", "lab_method", "digestion", "laboratory"),
}


def one_spelling(store: Store) -> tuple[Finding, ...]:
    """Give rows the commonest spelling of their method's names, and say so.

    Works on ``field_row`` and ``lab_row``; what is stored stays as written.
    """
    findings = []
    for side, names in _NAMES.items():
        for name in names:
            written = store.rows(
                sql("spelling.spellings", fact=quoted(name), rows=quoted(f"{side}_row"))
            )
            if len(written) < 2:
                continue
            alike: dict[str, list[tuple[int, str]]] = {}
            for text, count in written:
                key = " ".join(str(text).casefold().split())
                alike.setdefault(key, []).append((-int(count), str(text)))
            for spellings in alike.values():
                if len(spellings) < 2:
                    continue
                kept, *others = [text for _, text in sorted(spellings)]
                store.connection.execute(
                    sql("spelling.respell", fact=quoted(name), rows=quoted(f"{side}_row")),
                    [kept, others],
                )
                shown = ", ".join(f"'{text}'" for text in others)
                findings.append(
                    Finding(
                        "intake", "note", kept,
                        f"{shown} in the {side} tables {'is' if len(others) == 1 else 'are'} taken "
                        f"as '{kept}': the names differ in case or blanks alone.",
                        advice="If they are different methods, give them different names.",
                        code=FindingCode.NAMES_TAKEN_AS_ONE,
                    )
                )  # fmt: skip
    return tuple(findings)
