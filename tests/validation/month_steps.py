"""How a step or a drift of the bias over months is called, by simulation.

``python -m tests.validation.month_steps`` writes the tables into docs/validation.md;
``--limits`` makes the limits of the looks in ``reconcile/statistics/step_limits.py`` again.
All on months of equally many pairs, where a look's distance follows from two sums of squares.
"""

from __future__ import annotations

import argparse
import math
import textwrap
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import special

from reconcile.base.settings.pairs import EvidenceSettings
from reconcile.statistics.month_steps import RATIOS, SHARES, WITHIN_POINTS, changes
from reconcile.statistics.step_limits import FIRST_LOOK, limit_at
from tests.validation.notes import put_table

Array = NDArray[np.float64]

#: SD between months over a month's own error: the limits are the largest of any of these.
TRUE_RATIOS = (0.0, 0.5, 1.0, 2.0, 4.0, 32.0)
MADE_RATES, MOST_MONTHS, MADE_PAIRS = (0.01, 0.02, 0.05, 0.10), 40, 10
_CHUNK = 10_000


def series(
    count: int, months: int, pairs: int, ratio: float, seed: int, step: tuple[int, float] = (0, 0.0)
) -> tuple[Array, Array]:
    """Means of months in units of a month's own error, and their sums of squares within.

    Shapes (count, months). ``step``: first month that has it, and its size in that unit.
    """
    rng = np.random.default_rng([seed, months, pairs, round(10 * ratio)])
    means = rng.normal(size=(count, months)) + ratio * rng.normal(size=(count, months))
    means[:, step[0] :] += step[1]
    return means, pairs * rng.chisquare(pairs - 1, size=(count, months))


def largest_gain(means: Array) -> tuple[Array, Array]:
    """Sum of squares of the months, and the part that the best change takes; shape (count,)."""
    off = means - means.mean(axis=1, keepdims=True)
    forms = np.array([x - x.mean() for _, _, x in changes(means.shape[1])]).T
    gains = (off @ forms) ** 2 / np.sum(forms**2, axis=0)
    return np.sum(off**2, axis=1), gains.max(axis=1)


def distances(means: Array, squares: Array, pairs: int) -> Array:
    """What ``month_steps.look`` gives for each of many series, shape (count,)."""
    out = np.empty(len(means))
    for at in range(0, len(means), _CHUNK):
        part = slice(at, at + _CHUNK)
        out[part] = _distances(means[part], squares[part].sum(axis=1), pairs)
    return out


def _distances(means: Array, square: Array, pairs: int) -> Array:
    a = means.shape[1]
    place = (np.arange(WITHIN_POINTS) + 0.5) / WITHIN_POINTS
    own = square[:, None] / special.chdtri(a * (pairs - 1), 1 - place) / pairs
    whole, gain = largest_gain(means)
    v = (own[:, :, None] * (1 + RATIOS**2)).reshape(len(means), -1)
    log = -0.5 * ((a - 1) * np.log(v) + whole[:, None] / v)
    log += np.tile(np.log(SHARES), WITHIN_POINTS)
    top = log.max(axis=1, keepdims=True)
    ratio = np.sum(np.exp(log - top), axis=1)
    with_gain = log + 0.5 * gain[:, None] / v
    best = with_gain.max(axis=1, keepdims=True)
    more = np.log(np.sum(np.exp(with_gain - best), axis=1)) + best[:, 0]
    return np.sqrt(np.maximum(2 * (more - np.log(ratio) - top[:, 0]), 0.0))


def hazard(rate: float) -> float:
    """Chance at one look that gives ``rate`` in twelve."""
    return float(-math.expm1(math.log1p(-rate) / 12))


def made_limits(count: int, months: int = MOST_MONTHS, seed: int = 1) -> dict[float, list[float]]:
    """Limits for every look from the first one on, for each of MADE_RATES."""
    sides = [series(count, months, MADE_PAIRS, ratio, seed) for ratio in TRUE_RATIOS]
    alive = {rate: [np.ones(count, bool) for _ in sides] for rate in MADE_RATES}
    made: dict[float, list[float]] = {rate: [] for rate in MADE_RATES}
    for a in range(FIRST_LOOK, months + 1):
        far = [distances(m[:, :a], s[:, :a], MADE_PAIRS) for m, s in sides]
        for rate in MADE_RATES:
            limit = max(
                float(np.quantile(d[ok], 1 - hazard(rate)))
                for d, ok in zip(far, alive[rate], strict=True)
            )
            made[rate].append(limit)
            for d, ok in zip(far, alive[rate], strict=True):
                ok &= d <= limit
        print(a, [round(made[r][-1], 3) for r in MADE_RATES], flush=True)
    return made


def signalled(means: Array, squares: Array, pairs: int, limits: Array) -> NDArray[np.bool_]:
    """Whether each look of each series passes its limit; shape (count, looks)."""
    looks = range(FIRST_LOOK, means.shape[1] + 1)
    return np.stack(
        [distances(means[:, :a], squares[:, :a], pairs) > limits[a - FIRST_LOOK] for a in looks],
        axis=1,
    )


def limits_at(rate: float, months: int) -> Array:
    """The program's limits for looks at four months and more."""
    return np.array([limit_at(a, rate) for a in range(FIRST_LOOK, months + 1)])


# ---- charts ------------------------------------------------------------------------------


def scores(means: Array, squares: Array, pairs: int) -> Array:
    """What ``month_charts.scores`` gives for each of many series, shape (count, months - 1)."""
    place = (np.arange(WITHIN_POINTS) + 0.5) / WITHIN_POINTS
    out = np.empty((len(means), means.shape[1] - 1))
    for i in range(1, means.shape[1]):
        own = squares[:, :i].sum(axis=1)[:, None] / special.chdtri(i * (pairs - 1), 1 - place)
        v = (own[:, :, None] / pairs * (1 + RATIOS**2)).reshape(len(means), -1)
        before = means[:, :i]
        whole = np.sum((before - before.mean(axis=1, keepdims=True)) ** 2, axis=1)
        log = -0.5 * ((i - 1) * np.log(v) + whole[:, None] / v)
        log += np.tile(np.log(SHARES), WITHIN_POINTS)
        share = np.exp(log - special.logsumexp(log, axis=1, keepdims=True))
        z = (means[:, i] - before.mean(axis=1))[:, None] / np.sqrt(v * (1 + 1 / i))
        below, above = (np.sum(share * special.ndtr(s * z), axis=1) for s in (1, -1))
        out[:, i - 1] = np.where(below < above, special.ndtri(below), -special.ndtri(above))
    return np.clip(out, -8, 8)


def chart_signals(z: Array, s: EvidenceSettings) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether the CUSUM and the weighted mean are beyond their limits, shape of ``z``."""
    up, down, mean = (np.zeros(len(z)) for _ in range(3))
    edge = s.average_limit * math.sqrt(s.average_weight / (2 - s.average_weight))
    sums, means = np.zeros(z.shape, bool), np.zeros(z.shape, bool)
    for i, one in enumerate(z.T):
        up, down = np.maximum(0, up + one - s.cusum_k), np.maximum(0, down - one - s.cusum_k)
        mean += s.average_weight * (one - mean)
        sums[:, i] = np.maximum(up, down) > s.cusum_h
        means[:, i] = np.abs(mean) > edge
    return sums, means


# ---- tables ------------------------------------------------------------------------------

RSD, STEP, YEAR = 0.08, 0.08, 12
SPREADS, BEFORE, A_MONTH = (0.0, 0.03, 0.05), (3, 6, 9), (10, 30)
#: Sizes of steps and pairs a month.
STEPS = ((STEP, 10), (0.12, 10), (0.16, 10), (STEP, 30))


def ratio_of(spread: float, pairs: int) -> float:
    """SD between months over a month's own error."""
    return spread * math.sqrt(pairs) / RSD


def false_signals(pairs: int, spread: float, count: int) -> list[float]:
    """Shares of years without a change in which each of them signals, and any of them."""
    s = EvidenceSettings()
    means, squares = series(count, YEAR, pairs, ratio_of(spread, pairs), 21)
    changed = signalled(means, squares, pairs, limits_at(s.change_rate, YEAR)).any(axis=1)
    sums, averages = (x.any(axis=1) for x in chart_signals(scores(means, squares, pairs), s))
    return [float(np.mean(x)) for x in (changed, sums, averages, changed | sums | averages)]


def best_limits(ratio: float, months: int, count: int) -> Array:
    """Limits of the same rate where both variances are known: nothing better is possible."""
    rate = hazard(EvidenceSettings().change_rate)
    means, _ = series(count, months, 2, ratio, 31)
    alive, made = np.ones(count, bool), []
    for a in range(FIRST_LOOK, months + 1):
        far = np.sqrt(largest_gain(means[:, :a])[1] / (1 + ratio**2))
        made.append(float(np.quantile(far[alive], 1 - rate)))
        alive &= far <= made[-1]
    return np.array(made)


def called(pairs: int, spread: float, before: int, count: int, size: float = STEP) -> list[float]:
    """Shares of steps called in the first month, within two and four, and at best within two."""
    s, ratio, months = EvidenceSettings(), ratio_of(spread, pairs), before + 4
    step = math.log1p(size) * math.sqrt(pairs) / RSD
    means, squares = series(count, months, pairs, ratio, 22, (before, step))
    seen = signalled(means, squares, pairs, limits_at(s.change_rate, months))
    first = before + 1 - FIRST_LOOK  # the look of the first month with the step
    within = [float(seen[:, first : first + k].any(axis=1).mean()) for k in (1, 2, 4)]
    limits, best = best_limits(ratio, before + 2, count), np.zeros(count, bool)
    for a in (before + 1, before + 2):
        far = np.sqrt(largest_gain(means[:, :a])[1] / (1 + ratio**2))
        best |= far > limits[a - FIRST_LOOK]
    return [*within, float(best.mean())]


def drifting(pairs: int, spread: float, a_month: float, count: int) -> list[float]:
    """Shares of drifts from the first month on that are called by month 6, 9 and 12."""
    s = EvidenceSettings()
    means, squares = series(count, YEAR, pairs, ratio_of(spread, pairs), 23)
    means += np.arange(YEAR) * a_month * math.sqrt(pairs) / RSD
    seen = signalled(means, squares, pairs, limits_at(s.change_rate, YEAR))
    return [float(seen[:, : a + 1 - FIRST_LOOK].any(axis=1).mean()) for a in (6, 9, 12)]


def write_limits(path: Path, made: dict[float, list[float]]) -> None:
    """Put the limits into the module that holds them, between its two marks."""
    start, end = "# made: start\n", "# made: end\n"
    before, rest = path.read_text(encoding="utf-8").split(start)
    rows = []
    for limits in made.values():
        cells = textwrap.fill(", ".join(f"{x:.2f}" for x in limits), 90)
        rows.append("    (\n" + textwrap.indent(cells, "        ") + ",\n    ),")
    body = f"RATES = ({', '.join(map(str, made))})\nLIMITS = (\n" + "\n".join(rows)
    text = f"{before}{start}{body}\n)  # fmt: skip\n{end}{rest.split(end)[1]}"
    path.write_text(text, encoding="utf-8", newline="\n")


def false_table(count: int) -> list[str]:
    """Years without a change, as Markdown lines."""
    s = EvidenceSettings()
    lines = [
        f"{count} invented years of {YEAR} months without a change, field and laboratory together "
        f"RSD {RSD:.0%}. Signalled at least once in the year: by the looks for a step or a drift "
        f"(change_rate {s.change_rate:g}), by the CUSUM (k {s.cusum_k:g}, h {s.cusum_h:g}) and the "
        f"weighted mean (weight {s.average_weight:g}, limit {s.average_limit:g}) of the months "
        "against what earlier ones say, and by any of them: at most 5 % at each spread.",
        "",
        "| pairs a month | SD between months | step or drift | CUSUM | weighted mean | any |",
        "|---|---|---|---|---|---|",
    ]
    for pairs in (4, *A_MONTH):
        for spread in SPREADS:
            cells = " | ".join(f"{x:.1%}" for x in false_signals(pairs, spread, count))
            lines.append(f"| {pairs} | {spread:.0%} | {cells} |")
            print(lines[-1], flush=True)
    return lines


def step_table(count: int) -> list[str]:
    """Steps called, as Markdown lines."""
    own = RSD / math.sqrt(A_MONTH[0])
    lines = [
        f"{count} invented series for each case, RSD {RSD:.0%}, limits for "
        f"{EvidenceSettings().change_rate:.0%} of false signals in twelve months. Called: "
        "signalled in the first month of the step, within two and within four. 'At best' is what "
        "the same looks would call within two months, at that rate, if the scatter and the spread "
        "between months were both known: nothing that looks at every place of a step can do much "
        "better.",
        "",
        f"A step of {STEP:.0%} with {A_MONTH[0]} pairs a month, within two months in 80 %, is out "
        f"of reach. It is {math.log1p(STEP) / own:.1f} standard errors of a month's mean, and "
        "even where it were known that months differ in nothing else, the column 'at best' hardly "
        "comes to 80 %; with a spread of 3 % it is far below. And the spread is not known: the "
        "months before have to show it, few months hardly tell a spread of 5 % from none, and "
        "within 5 % two such months are nothing strange. As false signals are held to the same "
        "rate at every spread, three months before show no step of this size at all. What is "
        "called within two months in 80 %: steps of twice the size after six months or more that "
        "agree, or this one after nine with three times the pairs. Where the cause of a step is "
        "known, no look is needed: `begins` in `[evidence]` names it.",
        "",
        "| step | pairs a month | SD between months | months before | first month | within 2 | "
        "within 4 | at best within 2 |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for size, pairs in STEPS:
        for spread in SPREADS:
            for before in BEFORE:
                cells = " | ".join(f"{x:.0%}" for x in called(pairs, spread, before, count, size))
                lines.append(f"| {size:+.0%} | {pairs} | {spread:.0%} | {before} | {cells} |")
                print(lines[-1], flush=True)
    return lines


def drift_table(count: int) -> list[str]:
    """Drifts called, as Markdown lines."""
    lines = [
        f"{count} invented years for each case: the bias drifts from the first month on, RSD "
        f"{RSD:.0%}. Called as a step or a drift by the month.",
        "",
        "| pairs a month | SD between months | drift a month | by month 6 | by month 9 | by month "
        "12 |",
        "|---|---|---|---|---|---|",
    ]
    for pairs in A_MONTH:
        for spread in SPREADS:
            for size in (0.01, 0.02):
                cells = " | ".join(f"{x:.0%}" for x in drifting(pairs, spread, size, count))
                lines.append(f"| {pairs} | {spread:.0%} | {size:.0%} | {cells} |")
                print(lines[-1], flush=True)
    return lines


def main() -> None:
    """Write the tables, or the limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--limits", action="store_true", help="make the limits, no tables")
    parser.add_argument("--series", type=int, default=4000, help="of each case in a table")
    parser.add_argument("--made", type=int, default=40_000, help="series behind each limit")
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    if given.limits:
        write_limits(Path("reconcile/statistics/step_limits.py"), made_limits(given.made))
        return
    command = f"python -m tests.validation.month_steps --series {given.series}"
    for mark, title, table in (
        ("steps falsely", "How often months that stay are signalled", false_table),
        ("steps", "How soon a step of the bias is called", step_table),
        ("drifts", "How soon a drift of the bias is called", drift_table),
    ):
        put_table(given.into, mark, title, command, table(given.series))


if __name__ == "__main__":
    main()
