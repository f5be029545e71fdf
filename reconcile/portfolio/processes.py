"""Sites side by side on this machine: a process of its own for each, so many at once.

A site that runs out of memory or is killed takes no other with it, and what it held is free
again when it ends.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.connection import Connection

from reconcile.portfolio.work import Asked, SiteDone, killed, work


def run_all(
    orders: Sequence[Asked],
    workers: int,
    tries: int = 2,
    done: Callable[[SiteDone], None] = lambda site: None,
) -> tuple[SiteDone, ...]:
    """Every site once, in the order asked for; ``done`` is called as each ends.

    A site whose worker was killed is begun again, ``tries`` times in all: its store holds what was
    read, and a release is written whole or not at all.
    """

    def one(order: Asked) -> SiteDone:
        for _ in range(tries):
            found, how = _in_a_process(order)
            if found is not None:
                break
        result = found or killed(order, how)
        done(result)
        return result

    with ThreadPoolExecutor(max(1, workers)) as pool:  # they only wait
        return tuple(pool.map(one, orders))


def _in_a_process(order: Asked) -> tuple[SiteDone | None, str]:
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(order, there), name=f"site {order.site}")
    process.start()
    there.close()
    try:
        found: SiteDone | None = here.recv()
    except (EOFError, OSError):
        found = None
    finally:
        here.close()
        process.join()
    return found, f"exit code {process.exitcode}"


def _work(order: Asked, to: Connection) -> None:
    to.send(work(order))
    to.close()
