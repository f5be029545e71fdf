"""Work done one step ahead: the next result is made while the last one is used."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

_Result = TypeVar("_Result")


def ahead(works: Iterable[Callable[[], _Result]]) -> Iterator[_Result]:
    """Results in the order of the works; at most one waits, so that memory stays bounded.

    One thread does all the work, so that works need not stand each other.
    """
    with ThreadPoolExecutor(1) as beside:
        coming: Future[_Result] | None = None
        for work in works:
            started = beside.submit(work)
            if coming is not None:
                yield coming.result()
            coming = started
        if coming is not None:
            yield coming.result()
