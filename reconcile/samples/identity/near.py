"""Ids that nearly match: suggested to a person with a score, never joined.

The scores rank how often each slip happens at a bench (common practice, no source);
they are no probabilities. Candidates are found through shared keys (blocking), not by
comparing all with all, so that 10 000 against 10 000 ids takes seconds.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.samples.identity.series import Series
from reconcile.samples.identity.text import comparison_form, normalise_id

#: Characters that hands and eyes exchange; each stands for its class.
_LOOK_ALIKE = str.maketrans({"o": "0", "q": "0", "i": "1", "l": "1", "|": "1", "s": "5", "b": "8"})
_SEPARATORS = re.compile(r"[^\w\x00]+|_+")
_BETWEEN_DIGITS = re.compile(r"(?<=\d)[\W_]+(?=\d)")
_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")

#: kind of slip -> (score, words)
_KINDS = {
    "spelling": (0.98, "differ only in case or blanks"),
    "separators": (0.96, "differ only in blanks, dashes or other separators"),
    "leading zeros": (0.94, "differ only in leading zeros"),
    "look-alike": (0.92, "differ only in characters that look alike (O/0, I/1, S/5, B/8)"),
    "look-alike and zeros": (0.85, "differ in look-alike characters and separators or zeros"),
    "transposition": (0.88, "differ in two neighbouring characters exchanged"),
    "character": (0.70, "differ in one character"),
    "digit": (0.50, "differ in one digit"),
}
_LONGEST = 64  # ids beyond this are not searched for single slips
_SHORTEST = 3  # below this one edit makes anything of anything
_CROWD = 400  # keys shared by more ids than this say nothing


@dataclass(frozen=True, slots=True)
class _Candidate:
    a: str
    b: str
    kind: str
    score: float


def look_alike_forms(text: object) -> tuple[str, str, str]:
    """Three forms by which ids are found alike: without leading zeros, with look-alike
    characters folded, and both. Separators are dropped, but kept as one '-' between digits:
    '1-11' and '11-1' are different ids.
    """
    form = comparison_form(text)
    look = form.translate(_LOOK_ALIKE)
    return _joined(_ZEROS.sub("", form)), _joined(look), _joined(_ZEROS.sub("", look))


def _joined(form: str) -> str:
    return _SEPARATORS.sub("", _BETWEEN_DIGITS.sub("\x00", form)).replace("\x00", "-")


def near_misses(
    unmatched_a: Sequence[str],
    unmatched_b: Sequence[str],
    limit: int = 50,
    *,
    known: Iterable[str] = (),
    registered: Iterable[str] = (),
) -> tuple[Finding, ...]:
    """Pairs of ids, one from each side, that are probably one sample written two ways.

    The best suggestions come first. A suggestion that has rivals (one id near to several)
    loses score in proportion. Where more than ``limit`` are found the last finding says
    how many are not listed. Two ids that both stand in the register (``registered``), or in
    one running series of all ids (``known`` and those unmatched), are two samples.
    """
    a = sorted({normalise_id(i) for i in unmatched_a} - {""})
    b = sorted({normalise_id(i) for i in unmatched_b} - {""})
    candidates = _scored(_possible(_candidates(a, b), {*a, *b, *known}, registered))
    findings = [
        Finding(
            area="identity",
            severity="warning" if c.score >= 0.8 else "note",
            subject=f"{c.a} / {c.b}",
            text=f"'{c.a}' and '{c.b}' stand on one side each and {_KINDS[c.kind][1]}.",
            evidence=f"suggestion {rank} of {len(candidates)}, score {c.score:.2f} of 1 ({c.kind})",
            advice="If they are one sample, enter an alias with the reason; they are not joined.",
            code=FindingCode.NEAR_MISS,
        )
        for rank, c in enumerate(candidates[: max(limit, 0)], 1)
    ]
    left = len(candidates) - len(findings)
    if left > 0:
        findings.append(
            Finding(
                "identity",
                "note",
                "near misses",
                f"{left} further near misses are not listed.",
                advice="Settle the listed ones first; the others then come up.",
                code=FindingCode.NEAR_MISSES_UNLISTED,
            )
        )
    return tuple(findings)


def _possible(
    found: Iterable[tuple[str, str, str]], known: Iterable[str], registered: Iterable[str]
) -> Iterator[tuple[str, str, str]]:
    """Without the pairs of ids that are known to be two samples."""
    entered = {comparison_form(text) for text in registered}
    pairs = [
        (a, b, kind)
        for a, b, kind in found
        if not (comparison_form(a) in entered and comparison_form(b) in entered)
    ]
    series = Series.among(known, ((a, b) for a, b, _ in pairs))
    return ((a, b, kind) for a, b, kind in pairs if not series.holds(a, b))


def _scored(found: Iterable[tuple[str, str, str]]) -> list[_Candidate]:
    best: dict[tuple[str, str], str] = {}
    for a, b, kind in found:
        old = best.get((a, b))
        if old is None or _KINDS[kind][0] > _KINDS[old][0]:
            best[a, b] = kind
    top: dict[tuple[int, str], float] = defaultdict(float)
    for (a, b), kind in best.items():
        for key in ((0, a), (1, b)):
            top[key] = max(top[key], _KINDS[kind][0])
    rivals: dict[tuple[int, str], int] = defaultdict(int)
    for (a, b), kind in best.items():
        for key in ((0, a), (1, b)):
            rivals[key] += _KINDS[kind][0] == top[key]
    # Where a better suggestion stands for either id, the worse one is no news.
    result = [
        _Candidate(a, b, kind, _KINDS[kind][0] / max(rivals[0, a], rivals[1, b]))
        for (a, b), kind in best.items()
        if _KINDS[kind][0] == top[0, a] == top[1, b]
    ]
    return sorted(result, key=lambda c: (-c.score, c.a, c.b))


def _candidates(a: Sequence[str], b: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    forms_a = {text: comparison_form(text) for text in a}
    forms_b = {text: comparison_form(text) for text in b}
    for way in range(3):
        by_form: dict[str, list[str]] = defaultdict(list)
        for text in b:
            by_form[look_alike_forms(text)[way]].append(text)
        for text in a:
            same = by_form.get(look_alike_forms(text)[way], [])
            for other in same if len(same) <= _CROWD else ():
                yield text, other, _folded_kind(forms_a[text], forms_b[other])
    yield from _one_slip(forms_a, forms_b)


def _folded_kind(a: str, b: str) -> str:
    if a == b:
        return "spelling"
    if _joined(a) == _joined(b):
        return "separators"
    zeros_a, look_a, _ = look_alike_forms(a)
    zeros_b, look_b, _ = look_alike_forms(b)
    if zeros_a == zeros_b:
        return "leading zeros"
    return "look-alike" if look_a == look_b else "look-alike and zeros"


def _without_one(form: str) -> set[str]:
    return {form, *(form[:i] + form[i + 1 :] for i in range(len(form)))}


def _one_slip(forms_a: dict[str, str], forms_b: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Ids one slip apart share a form with one character left out (deletion neighbourhood)."""
    index: dict[str, list[str]] = defaultdict(list)
    for text, form in forms_b.items():
        if _SHORTEST <= len(form) <= _LONGEST:
            for part in _without_one(form):
                index[part].append(text)
    for text, form in forms_a.items():
        if not _SHORTEST <= len(form) <= _LONGEST:
            continue
        near: set[str] = set()
        for part in _without_one(form):
            same = index.get(part, ())
            if len(same) <= _CROWD:
                near.update(same)
        for other in sorted(near):
            kind = _slip(form, forms_b[other])
            if kind:
                yield text, other, kind


def _slip(a: str, b: str) -> str:
    """The one slip that makes ``b`` of ``a``, or ''."""
    if a == b:
        return "spelling"
    start = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), None)
    if start is None:
        start = min(len(a), len(b))
    end_a, end_b = a[start:], b[start:]
    if len(a) == len(b):
        if end_a[1:] == end_b[1:]:
            return "digit" if end_a[0].isdigit() and end_b[0].isdigit() else "character"
        swapped = end_a[:2] == end_b[1::-1] and end_a[2:] == end_b[2:]
        return "transposition" if swapped else ""
    longer, shorter = (end_a, end_b) if len(a) > len(b) else (end_b, end_a)
    if len(longer) - len(shorter) == 1 and longer[1:] == shorter:
        return "digit" if longer[0].isdigit() else "character"
    return ""
