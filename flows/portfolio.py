"""Many sites over Dask's workers, through the engine's own task runner.

Asked for by ``runner = "dask"`` in portfolio.toml; needs the extra ``dask``. A worker with other
versions of the program or of a library refuses its site and says what to install.
"""

from __future__ import annotations

import os

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")
# a machine under load takes its time to start the server of a single run
os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "180")

from collections.abc import Callable, Sequence
from typing import Any

from prefect import flow, task
from prefect.cache_policies import NO_CACHE

from reconcile.base.errors import ReconcileError
from reconcile.portfolio.work import Asked, SiteDone, killed, work


def task_runner(workers: int) -> Any:
    """Dask's local cluster of so many processes of one thread each.

    A cluster of other machines is named by DASK_SCHEDULER_ADDRESS. Raises ReconcileError where
    the extra is not installed.
    """
    try:
        from prefect_dask import DaskTaskRunner
    except ImportError as error:
        raise ReconcileError(
            "The runner 'dask' needs an extra that is not installed.",
            "Install it with: pip install 'reconcile-field-lab[dask]', or set runner = "
            '"processes".',
        ) from error
    if address := os.environ.get("DASK_SCHEDULER_ADDRESS"):
        return DaskTaskRunner(address=address)
    return DaskTaskRunner(
        cluster_kwargs={"n_workers": workers, "threads_per_worker": 1, "processes": True}
    )


_site = task(name="site", cache_policy=NO_CACHE, persist_result=False)(work)


@flow(name="portfolio", persist_result=False, validate_parameters=False)
def sites(orders: Sequence[Asked]) -> list[SiteDone]:
    """Every site once; one whose worker died is told as killed."""
    begun = [
        (order, _site.with_options(task_run_name=f"{order.site}").submit(order)) for order in orders
    ]
    found = []
    for order, future in begun:
        try:
            found.append(future.result())
        except Exception as error:
            found.append(killed(order, f"{type(error).__name__}: {error}"))
    return found


def on_dask(
    orders: Sequence[Asked], workers: int, done: Callable[[SiteDone], None]
) -> tuple[SiteDone, ...]:
    """The runner for ``reconcile portfolio run``."""
    found = tuple(sites.with_options(task_runner=task_runner(workers))(list(orders)))
    for site in found:
        done(site)
    return found
