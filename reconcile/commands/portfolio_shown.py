"""What is printed of many sites."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reconcile.base.errors import ReconcileError
from reconcile.base.shown import open_console, say
from reconcile.commands.printing import row, table
from reconcile.portfolio.release import Made
from reconcile.portfolio.status import Due, Duty
from reconcile.portfolio.work import MonthDone, SiteDone
from reconcile.reporting import numbers, words
from reconcile.reporting.document import between_sites
from reconcile.reporting.manner import styled

_MOST_CHANGES = 6


def show_progress(site: SiteDone) -> None:
    """One line as a site ends."""
    for month in site.months:
        state = words.PORTFOLIO_STATES[month.state]
        say(f"{month.site} {month.period}: {state}")


def show_run(sites: Sequence[SiteDone]) -> None:
    """A row for each site and month."""
    made = table(words.SITES_SITES, *words.PORTFOLIO_RUN_COLUMNS, right=(5,))
    for site in sites:
        for m in site.months:
            row(
                made, m.site, m.period, words.PORTFOLIO_STATES[m.state], m.release_id,
                verdicts_text(m.verdicts), m.findings or "", _what(m),
            )  # fmt: skip
    open_console().print(made)
    every = [m for site in sites for m in site.months]
    stand = sum(m.done for m in every)
    say(
        words.SITES_STAND_RELEASED.format(
            stand=stand, count=numbers.count(len(every), "month", "months")
        )
    )
    memory = [site.memory_mb for site in sites if site.memory_mb is not None]
    if memory:
        say(words.SITES_MOST_MEMORY_WORKER.format(max=max(memory)))


def show_laid(site: str, address: str, laid: int) -> None:
    """What was laid on a site's storage."""
    if address:
        say(
            words.SITES_ON.format(
                site=site, count=numbers.count(laid, "new file", "new files"), address=address
            )
        )
    else:
        say(words.SITES_ITS_SETTINGS_STATE.format(site=site))


def show_fault(site: str, error: ReconcileError) -> None:
    """What one site can't do."""
    say(f"{site}: {error}")


def needs_a_person(sites: Sequence[SiteDone]) -> bool:
    """True where one month of one site does."""
    return any(month.needs_a_person for site in sites for month in site.months)


def verdicts_text(verdicts: Sequence[tuple[str, int]]) -> str:
    """How many strata have each verdict."""
    return ", ".join(f"{count} {words.DECISION_TITLE[name].lower()}" for name, count in verdicts)


def _what(m: MonthDone) -> str:
    if m.differs:
        more = len(m.differs) - _MOST_CHANGES
        return "; ".join(
            [
                *m.differs[:_MOST_CHANGES],
                *([words.CHECK_AND_MORE.format(more=more)] if more > 0 else []),
            ]
        )
    return " ".join(part for part in (m.message, m.advice) if part)


def show_compared(made: Made) -> None:
    """What stands out between sites, and where the release lies."""
    b = made.value
    found = between_sites.named(b)
    say(
        words.SITES_BESIDE_EACH_OTHER.format(
            count=numbers.count(len(b.releases), "site", "sites"), period=b.period
        )
    )
    for suspect in found:
        say(f"- {styled(between_sites.sentence(suspect, b.matters))}")
    if not found:
        say(words.BETWEEN_NONE)
    for site, why in b.without:
        say(words.SITES_WITHOUT.format(site=site, why=why))
    state = words.SITES_WROTE if made.new else words.SITES_NOTHING_CHANGED_SINCE
    say(f"{state} {b.release_id}: {made.folder}")


def stands_out(made: Made) -> bool:
    """True where a person must look at an instrument, a laboratory or a site."""
    return bool(between_sites.named(made.value) or made.value.without)


def show_duty(rows: Sequence[Duty]) -> None:
    """The page of the person on duty."""
    made = table(words.DUTY_TITLE, *words.DUTY_COLUMNS.values(), right=(3, 5, 9))
    for d in rows:
        row(
            made, d.site, words.PORTFOLIO_STANDING[d.standing], d.period, d.revision or "",
            verdicts_text(d.verdicts), d.findings or "", "; ".join(dues(d.factors)),
            "; ".join(dues(d.certificates)), "; ".join(dues(d.calibrations)),
            "" if d.age_days is None else d.age_days, "; ".join(what(d)),
        )  # fmt: skip
    open_console().print(made)


def dues(many: Sequence[Due]) -> Iterator[str]:
    """What ends, each with its day."""
    for due in many:
        yield (words.DUTY_OVER if due.over else words.DUTY_DUE).format(what=due.what, on=due.on)


def what(d: Duty) -> Iterator[str]:
    """What else is to be said of a site."""
    if d.message:
        yield d.message
    if d.missing:
        yield words.DUTY_MISSING.format(months=", ".join(d.missing))
    if d.unfinished:
        yield words.DUTY_UNFINISHED.format(months=", ".join(d.unfinished))
    yield from filter(None, d.notes)
    for text in dues(d.accreditations):
        yield words.DUTY_ACCREDITATION.format(what=text)
