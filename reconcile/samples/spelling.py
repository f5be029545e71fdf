"""One spelling per method: names that differ in case or blanks alone are one method."""

from __future__ import annotations

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model import Finding
from reconcile.store.database import Store

_NAMES = {
    "field": ("technique", "instrument", "calibration"),
    "lab": ("technique", "lab_method", "digestion"),
}


def one_spelling(store: Store) -> tuple[Finding, ...]:
    """Give rows the commonest spelling of their method's names, and say so.

    Works on ``field_row`` and ``lab_row``; what is stored stays as written.
    """
    findings = []
    for side, names in _NAMES.items():
        for name in names:
            written = store.rows(
                f"SELECT {name}, count(*) FROM {side}_row WHERE {name} <> '' GROUP BY 1 ORDER BY 1"
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
                    f"UPDATE {side}_row SET {name} = ? WHERE list_contains(?, {name})",
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
