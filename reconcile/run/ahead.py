"""Work done ahead: the next results are made while one is used."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

_Result = TypeVar("_Result")
_AT_ONCE = 2
_Item = TypeVar("_Item")


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


def in_parts(
    items: Iterable[_Item], size_of: Callable[[_Item], int], most: int
) -> Iterator[list[_Item]]:
    """The items in parts of at most ``most`` in all; a larger item is a part of its own."""
    part: list[_Item] = []
    held = 0
    for item in items:
        size = size_of(item)
        if part and held + size > most:
            yield part
            part, held = [], 0
        part.append(item)
        held += size
    if part:
        yield part
