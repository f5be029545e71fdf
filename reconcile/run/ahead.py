"""Work done ahead: the next results are made while one is used."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

_Result = TypeVar("_Result")
_AT_ONCE = 2


def ahead(works: Iterable[Callable[[], _Result]]) -> Iterator[_Result]:
    """Results in the order of the works; two at most are made or wait, so memory stays bounded.

    An error of a work is raised where its result would come.
    """
    with ThreadPoolExecutor(_AT_ONCE) as beside:
        coming: deque[Future[_Result]] = deque()
        for work in works:
            if len(coming) == _AT_ONCE:
                yield coming.popleft().result()
            coming.append(beside.submit(work))
        while coming:
            yield coming.popleft().result()
