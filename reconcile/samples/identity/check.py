"""Check characters of ids: ISO/IEC 7064 MOD 37-2 (one character) and MOD 97-10 (two digits).

Both catch every single wrong character and practically every transposition, which a
reader's eye or a tired hand makes most. Algorithms from memory of ISO/IEC 7064:2003
(pure systems, sections 7 and 8).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.samples.identity.text import normalise_id

Scheme = Literal["mod 37-2", "mod 97-10"]

_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"
_VALUE = {character: value for value, character in enumerate(_ALPHABET)}


def _characters(text: object) -> str:
    """Letters and digits only, upper case: separators carry no weight."""
    return "".join(c for c in normalise_id(text).upper() if c in _VALUE)


def _sum_37_2(characters: str) -> int:
    total = 0
    for character in characters:
        total = (total * 2 + _VALUE[character]) % 37
    return total


def _remainder_97(characters: str) -> int:
    remainder = 0
    for character in characters:
        value = _VALUE[character]
        remainder = (remainder * (10 if value < 10 else 100) + value) % 97
    return remainder


def check_character(text: object) -> str:
    """The MOD 37-2 check character for an id that has none yet: 0-9, A-Z or '*'."""
    return _ALPHABET[(1 - 2 * _sum_37_2(_characters(text))) % 37]


def check_digits(text: object) -> str:
    """The two MOD 97-10 check digits for an id that has none yet (letters count as 10-35)."""
    letters = _characters(text).replace("*", "")
    return f"{98 - _remainder_97(letters + '00'):02d}"


def has_valid_check(text: object, scheme: Scheme = "mod 37-2") -> bool:
    """Whether the id ends in the right check character(s). An id too short for one: False."""
    characters = _characters(text)
    if scheme == "mod 37-2":
        return len(characters) > 1 and "*" not in characters[:-1] and _sum_37_2(characters) == 1
    return (
        len(characters) > 2
        and "*" not in characters
        and characters[-2:].isdigit()
        and _remainder_97(characters) == 1
    )


def valid_checks(ids: Sequence[str], scheme: Scheme = "mod 37-2") -> npt.NDArray[np.bool_]:
    """``has_valid_check`` for many ids; shape (len(ids),)."""
    return np.fromiter((has_valid_check(i, scheme) for i in ids), dtype=np.bool_, count=len(ids))


def check_findings(ids: Iterable[str], scheme: Scheme = "mod 37-2") -> tuple[Finding, ...]:
    """One warning per distinct id whose check character is wrong."""
    return tuple(
        Finding(
            "identity",
            "warning",
            text,
            f"The check character of '{text}' is wrong ({scheme}).",
            "A letter or digit was changed, or two were exchanged, when it was written.",
            "Read the id from the bag or the register again.",
            code=FindingCode.CHECK_CHARACTER_WRONG,
        )
        for text in sorted({normalise_id(i) for i in ids} - {""})
        if not has_valid_check(text, scheme)
    )
