"""Single characters: what may be folded without changing what a text says, and what may be shown.

Unicode's compatibility forms (NFKC) make '125²' into '1252' and 'S-1²' into 'S-12'. So only
this is folded: other widths of the same character, spaces, hyphens and minus signs, and decimal
digits of any one script (Unicode Standard, section 4.6: category Nd, each digit with its value).
Superscripts, fractions, numbers in rings and the like stay as they are, for the reader of the
text to refuse.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

#: Hyphen, no-break hyphen, figure dash, en dash, minus sign, and their other widths.
_MINUS = frozenset("\u2010\u2011\u2012\u2013\u2212\ufe63\uff0d")
#: Decompositions to the same character in another width (Unicode Character Database).
_WIDTHS = frozenset({"<wide>", "<narrow>", "<small>", "<noBreak>"})
_RAISED = str.maketrans("0123456789+-()", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻⁽⁾")
_LOWERED = str.maketrans("0123456789+-()", "₀₁₂₃₄₅₆₇₈₉₊₋₍₎")
#: Categories that have no visible form or that change how their neighbours are drawn.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def fold(text: str) -> str:
    """The text with what can't change a value folded, in composed form (NFC).

    Digits of two scripts in one text stay as they are: what they mean together is not certain.
    """
    if text.isascii():
        return text
    folded = "".join(map(_folded, unicodedata.normalize("NFC", text)))
    zeros = {ord(c) - unicodedata.decimal(c) for c in folded if c.isdecimal()}
    if len(zeros) == 1 and zeros != {0x30}:
        folded = "".join(str(unicodedata.decimal(c)) if c.isdecimal() else c for c in folded)
    return unicodedata.normalize("NFC", folded)


@lru_cache(maxsize=4096)
def _folded(character: str) -> str:
    if unicodedata.category(character) == "Zs":
        return " "
    if character in _MINUS:
        return "-"
    kind, _, codes = unicodedata.decomposition(character).partition(" ")
    if kind in _WIDTHS:
        return "".join(chr(int(code, 16)) for code in codes.split())
    return character


def fold_name(text: str) -> str:
    """``fold`` for the names of things: lowered digits ('Fe₂O₃'), ligatures and signs such as
    '№' too. A raised character or a number that is no digit stays: 'CaO²' is not 'CaO2'.
    """
    if text.isascii():
        return text
    return fold("".join(map(_named, fold(text))))


@lru_cache(maxsize=4096)
def _named(character: str) -> str:
    kind = unicodedata.decomposition(character).partition(" ")[0]
    number = unicodedata.numeric(character, None) is not None and not character.isdecimal()
    if kind == "<super>" or (number and kind != "<sub>"):
        return character
    return unicodedata.normalize("NFKC", character)


def unread(text: str) -> str:
    """What the first character is that looks like a digit and is not read as one; '' for none."""
    for character in "" if text.isascii() else text:
        if not character.isascii() and unicodedata.numeric(character, None) is not None:
            return f"'{character}' ({unicodedata.name(character, 'no name').lower()})"
    return ""


def raised(text: str) -> str:
    """Text that stands raised in its cell, told from text on the line."""
    shown = text.translate(_RAISED)
    return shown if not set(shown) & set(text) else f"^({text})"


def lowered(text: str) -> str:
    """Text that stands lowered in its cell, told from text on the line."""
    shown = text.translate(_LOWERED)
    return shown if not set(shown) & set(text) else f"_{text}"


def code(character: str) -> str:
    """A character by its number, such as ⟨U+001B⟩."""
    return f"⟨U+{ord(character):04X}⟩"


def _hidden(character: str) -> bool:
    """True for what has no form of its own, or looks like an ordinary space and is none."""
    category = unicodedata.category(character)
    return category in _HIDDEN or (category == "Zs" and character not in " \N{NO-BREAK SPACE}")


def visible(text: object, keep_newlines: bool = False) -> str:
    """``text`` with control, direction, odd space and unencodable characters as ⟨U+…⟩.

    This is what makes text from files and settings safe to show, on a terminal too.
    """
    raw = str(text)
    if raw.isprintable():  # true for nothing that is hidden
        return raw
    return "".join(
        c if c.isprintable() or not _hidden(c) or (keep_newlines and c == "\n") else code(c)
        for c in raw
    )
