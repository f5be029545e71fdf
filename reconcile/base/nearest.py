"""The right word beside one that is mistyped."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: object, words: Iterable[object]) -> str:
    """The word that was most likely meant; '' where none is near, or it is right as it stands."""
    known = {_plain(str(right)): str(right) for right in words}
    meant = _plain(str(word))
    if str(word) in known.values():
        return ""
    if meant in known:
        return known[meant]
    close = get_close_matches(meant[:100], known, n=1, cutoff=0.6)
    return known[close[0]] if close else ""


def _plain(word: str) -> str:
    return "".join(c for c in word.casefold() if c.isalnum()) or word


def meant(word: object, words: Iterable[object]) -> str:
    """The same as a question behind a message: "; did you mean 'wide'?"; '' where none is near."""
    near = nearest(word, words)
    return f"; did you mean '{near}'?" if near else ""
