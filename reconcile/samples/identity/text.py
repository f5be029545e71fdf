"""How an id is written and how two spellings are compared."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

import pandas as pd

from reconcile.base.characters import fold

#: Hyphens, dashes and minus signs that keyboards and word processors put for one another.
_DASHES = re.compile("[\u00ad\u2010-\u2015\u2043\u2212\u2e3a\u2e3b\ufe58\ufe63\uff0d]")


def normalise_id(text: object) -> str:
    """The id without the accidents of typing.

    Other widths, digits of other scripts and spaces are folded (``characters.fold``),
    invisible characters go, blanks at the ends go, inner blanks become one, every dash
    becomes '-'. Letters keep their case; O and 0, leading zeros and superscripts are never
    touched: 'S-007' and 'S-7' may be two samples, 'S-1²' is not 'S-12'. A missing cell gives ''.
    """
    if text is None or text is pd.NA or text is pd.NaT or text != text:
        return ""
    return _normalised(str(text))


@lru_cache(maxsize=1 << 16)
def _normalised(text: str) -> str:
    dashed = _DASHES.sub("-", text)
    visible = "".join(
        " " if unicodedata.category(c) == "Cc" else c
        for c in dashed
        if unicodedata.category(c) not in ("Cf", "Cs")
    )
    return " ".join(_DASHES.sub("-", fold(visible)).split())


def comparison_form(text: object) -> str:
    """The form in which two spellings are compared: normalised, without case."""
    return normalise_id(normalise_id(text).casefold())
