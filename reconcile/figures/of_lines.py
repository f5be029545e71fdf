"""Figures of the lines through the pairs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from reconcile.base.model.figures import StratumStatistics
from reconcile.figures.definition import Definition, Group, Kind, Number, Place, T
from reconcile.figures.of_pairs import right
from reconcile.reporting import words
from reconcile.statistics.lines import Line


def of_line(
    code: str,
    name: Callable[[], str],
    read: Callable[[T], Line],
    source: str,
    log: bool = False,
    places: Sequence[Sequence[Place]] = ((), (), ()),
) -> Iterator[Definition[T]]:
    """Slope, intercept and residual SD of a line; ``name`` gives its words."""
    kind: Kind = "number" if log else "mass"

    def residual(item: T) -> Number:
        line = read(item)
        return Number(
            float(line.residual_sd), n=int(line.n), method=line.method, reason=line.reason
        )

    def parts(_: T) -> dict[str, str]:
        return {"line": name()}

    slope, intercept, sd = places
    yield Definition(
        f"{code}_slope", "number", lambda item: read(item).slope, "line_slope", parts, slope, source
    )
    yield Definition(
        f"{code}_intercept", kind, lambda item: read(item).intercept, "line_intercept", parts,
        intercept, source,
    )  # fmt: skip
    yield Definition(f"{code}_residual_sd", kind, residual, "line_residual_sd", parts, sd, source)


def _line(
    code: str,
    read: Callable[[StratumStatistics], Line],
    source: str,
    log: bool = False,
    places: Sequence[Sequence[Place]] = ((), (), ()),
) -> Iterator[Definition[StratumStatistics]]:
    return of_line(code, lambda: words.LINE_LABELS[code], read, source, log, places)


_DEMING = "Deming 1943; Linnet 1990, 1993; Fuller 1987"

#: The line that leads, the ratio of error variances, and the other lines.
LINES: Group[StratumStatistics] = Group(
    lambda s: (s,),
    (
        *_line(
            "headline", lambda s: s.headline_line, "the method that the page's rule chose",
            places=(right(10), right(20), right(30)),
        ),
        Definition(
            "error_ratio", "number", lambda s: s.error_ratio, places=right(40),
            source="Fuller 1987, section 1.2",
        ),
        *_line("deming", lambda s: s.fits.deming, _DEMING),
        *_line("weighted_deming", lambda s: s.fits.weighted_deming, _DEMING),
        *_line("passing_bablok", lambda s: s.fits.passing_bablok, "Passing & Bablok 1983"),
        *_line("ols", lambda s: s.fits.ols, "least squares; MacKinnon & White 1985"),
        *_line(
            "ols_lab_on_field", lambda s: s.fits.lab_on_field,
            "least squares; MacKinnon & White 1985",
        ),
        *_line("log_line", lambda s: s.fits.log, "least squares", log=True),
        Definition(
            "log_r_squared", "number", lambda s: Number(float(s.fits.log_r_squared), n=s.n_used),
            source="product moment", decimals=3,
        ),
    ),
)  # fmt: skip
