"""Texts of a pair table as Python's own, each different one once in memory.

Rows of these tables are chosen many hundreds of times in a month, a few at a time: from a column
of Arrow's strings that takes a tenth of a millisecond, from one of references nothing. What is
asked of a column and how it is written stay the same.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

#: The column type of texts, kept as references.
TEXT = pd.StringDtype("python", na_value=np.nan)


def text_column(values: pd.Series) -> pd.Series:
    """A column of texts as TEXT; what is no text is written as one."""
    found = values if isinstance(values.dtype, pd.StringDtype) else values.astype("str")
    if found.dtype.storage == "python":  # type: ignore[union-attr]
        return found
    codes, different = pd.factorize(found)
    texts = np.append(different.to_numpy(dtype=object), np.nan)  # a code of -1 is the last
    return pd.Series(texts[codes], index=values.index, dtype=TEXT, name=values.name)


def with_plain_texts(table: pd.DataFrame) -> pd.DataFrame:
    """The table with each column of texts as TEXT."""
    return table.assign(
        **{
            str(n): text_column(table[n])
            for n in table
            if isinstance(table[n].dtype, pd.StringDtype)
        }
    )
