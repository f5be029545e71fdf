"""Months of many sites: which there are, and who does them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.intake import months
from reconcile.intake.workspace import Workspace
from reconcile.portfolio import processes, work
from reconcile.portfolio.listed import Listed, Portfolio
from reconcile.portfolio.work import Asked, MonthDone, SiteDone, State

#: Does every order with so many workers; ``done`` is called as each site ends.
Runner = Callable[[Sequence[Asked], int, Callable[[SiteDone], None]], tuple[SiteDone, ...]]


def by_processes(tries: int) -> Runner:
    """A process of its own for each site, on this machine."""

    def run(
        orders: Sequence[Asked], workers: int, done: Callable[[SiteDone], None]
    ) -> tuple[SiteDone, ...]:
        return processes.run_all(orders, workers, tries, done)

    return run


def run(
    portfolio: Portfolio,
    sites: Sequence[Listed],
    months_of: Callable[[Workspace], tuple[str, ...]],
    runner: Runner,
    done: Callable[[SiteDone], None] = lambda site: None,
    shadow: Path | None = None,
) -> tuple[SiteDone, ...]:
    """Run the sites' months; the answer is in the order of the list.

    A site that can't be read is told and stops no other. ``shadow``: folder in which copies of the
    sites' results are used, so that nothing is released.
    """
    wait = 60 * portfolio.settings.wait_minutes
    orders = [
        work.asked(site.workspace, wanted, wait, str(shadow) if shadow else "")
        for site in sites
        if site.workspace is not None and (wanted := months_of(site.workspace))
    ]
    found = {d.site: d for d in runner(orders, portfolio.workers, done)}
    result = []
    for site in sites:
        if site.workspace is None:
            result.append(_faulty(site))
        elif site.name in found:
            result.append(found[site.name])
    return tuple(result)


def of_year(year: str) -> Callable[[Workspace], tuple[str, ...]]:
    """The months of a year of which a site has a release or files."""

    def wanted(workspace: Workspace) -> tuple[str, ...]:
        known = {*months.with_releases(workspace), *months.with_files(workspace)}
        return tuple(sorted(month for month in known if month[:4] == year))

    return wanted


def _faulty(site: Listed) -> SiteDone:
    fault = site.fault or ReconcileError("")
    month = MonthDone(site.name, "", State.FAILED, message=fault.message, advice=fault.advice)
    return SiteDone(site.name, str(site.folder), (month,))
