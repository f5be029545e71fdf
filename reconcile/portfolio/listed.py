"""``portfolio.toml``: which sites there are, and how they are run and compared."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.parts import Count, Fraction, Name, Part, Positive, Words
from reconcile.intake import workspace as ws
from reconcile.intake.settings_faults import line_of
from reconcile.intake.toml_lines import lines_of
from reconcile.intake.workspace import Workspace

FILE = "portfolio.toml"


class PortfolioSettings(Part):
    """How the sites are run and compared."""

    title: Words = Field("Sites beside each other", description="title of the portfolio's report")
    output: Annotated[str, Field(min_length=1, max_length=250)] = Field(
        "portfolio", description="folder for portfolio releases, relative to this file"
    )
    catalogue: Annotated[str, Field(max_length=500)] = Field(
        "", description="folder or address (s3://…, gs://…) of the catalogue; empty: in the output"
    )
    workers: Count | None = Field(
        None, description="sites at once; else one for each core, at most 8"
    )
    runner: Literal["processes", "dask"] = Field(
        "processes", description="what sites run on: processes of this machine, or Dask"
    )
    tries: Count = Field(2, description="how often a site is begun whose worker was killed")
    wait_minutes: Annotated[float, Field(strict=True, ge=0, le=10_000)] = Field(
        10.0, description="how long a site that another run holds is waited for, minutes"
    )
    days_ahead: Count = Field(
        30, description="what ends within so many days is told: factors, calibrations and the like"
    )
    laboratory_days: Count = Field(
        30, description="days after which a dispatch without laboratory results is overdue"
    )
    false_discoveries: Fraction = Field(
        0.05, description="share of false ones among instruments and laboratories that are named"
    )
    level: Annotated[float, Field(strict=True, ge=0.5, le=0.9999)] = Field(
        0.95, description="confidence level of intervals"
    )
    largest_difference: Positive = Field(
        0.10, description="difference from peers that matters, as a fraction"
    )


class SiteEntry(Part):
    """One site."""

    folder: Name = Field(description="folder with reconcile.toml, relative to this file")


class PortfolioFile(Part):
    """The whole ``portfolio.toml``."""

    portfolio: PortfolioSettings = PortfolioSettings()
    site: tuple[SiteEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class Listed:
    """One site of the list; ``fault`` says why it can't be run, and stops no other."""

    name: str  # as its settings state it; the folder's where they can't be read
    folder: Path
    workspace: Workspace | None
    fault: ReconcileError | None = None


@dataclass(frozen=True, slots=True)
class Portfolio:
    """The list, its settings and where its results go."""

    folder: Path
    settings: PortfolioSettings
    sites: tuple[Listed, ...]

    @property
    def output(self) -> Path:
        """Folder of portfolio releases."""
        return (self.folder / self.settings.output).resolve()

    @property
    def releases(self) -> Path:
        """Portfolio releases, one folder a month."""
        return self.output / "releases"

    @property
    def workers(self) -> int:
        """Sites at once."""
        return self.settings.workers or min(8, os.cpu_count() or 1)


def load(path: Path) -> Portfolio:
    """Read ``portfolio.toml`` (the file or its folder) and the settings of its sites.

    Raises ReconcileError where the list itself can't stand: a fault in it, no site, or one name
    for two folders. A site whose own settings have a fault stands in the list with it.
    """
    file = path / FILE if path.is_dir() else path
    if not file.is_file():
        raise ReconcileError(
            f"No {FILE} in {path}.",
            "Write one with a [[site]] for each site: folder = \"north\", relative to the file.",
        )  # fmt: skip
    text = ws.text_of_settings(file)
    try:
        found = PortfolioFile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ReconcileError(f"{file.name} can't be read: {error}.", "Mend that line.") from error
    except ValidationError as error:
        lines = lines_of(text)
        told = [
            f"  - {line_of(e['loc'], lines)}{'.'.join(map(str, e['loc']))}: {e['msg']}"
            for e in error.errors()[:30]
        ]
        raise ReconcileError(
            f"{file.name} has entries that can't stand:\n" + "\n".join(told),
            "Mend the entries named above.",
        ) from error
    if not found.site:
        raise ReconcileError(
            f"{file.name} lists no site.", 'Write a [[site]] with folder = "…" for each.'
        )
    root = file.parent.resolve()
    sites = tuple(_site((root / entry.folder).resolve()) for entry in found.site)
    by_name: dict[str, Listed] = {}
    for site in sites:
        other = by_name.setdefault(site.name, site)
        if other is not site and site.workspace is not None and other.workspace is not None:
            raise ReconcileError(
                f"Two sites have the name '{site.name}': {other.folder} and {site.folder}.",
                "Give one of them another 'site' under [workspace] of its reconcile.toml, or take "
                "it out of the list.",
            )
    return Portfolio(root, found.portfolio, sites)


def _site(folder: Path) -> Listed:
    try:
        workspace = ws.load_workspace(folder)
    except ReconcileError as error:
        return Listed(folder.name, folder, None, error)
    if not workspace.site:
        unnamed = ReconcileError(
            f"The site in {folder} has no name.",
            f'Write site = "{workspace.slug}" under [workspace] of its reconcile.toml.',
        )
        return Listed(folder.name, folder, None, unnamed)
    return Listed(workspace.site, workspace.folder, workspace)


def chosen(portfolio: Portfolio, names: tuple[str, ...]) -> tuple[Listed, ...]:
    """The sites of these names, all where none is named; raises ReconcileError for unknown ones."""
    known = {site.name for site in portfolio.sites}
    if unknown := sorted(set(names) - known):
        raise ReconcileError(
            f"No site of the list has the name '{unknown[0]}'.",
            f"The list has {', '.join(sorted(known))}.",
        )
    return tuple(s for s in portfolio.sites if not names or s.name in names)
