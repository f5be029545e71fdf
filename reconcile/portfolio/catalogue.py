"""The catalogue: the tables of all sites' releases as Parquet, to be asked in one statement.

It is made from releases alone and can be thrown away and made again. Each table of a release lies
in ``<table>/site=…/period=…/release=…/data.parquet`` (hive folders), on a local folder or on object
storage through ``pyarrow.fs``. Beside them ``catalogue.json``, written last, names what it holds:
whoever reads only what it names never meets a release that is half there.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from urllib.parse import quote

import pyarrow as pa
import pyarrow.fs as pafs
import pyarrow.parquet as pq

from reconcile.base.errors import ReconcileError
from reconcile.intake import months
from reconcile.portfolio.listed import Portfolio
from reconcile.releases import kept_rows, release

LIST = "catalogue.json"
_FOLDER = "catalogue"
#: Columns that hold numbers, whatever stands in them; all others are text, so that a table has the
#: same columns for every site and month.
_NUMBERS = frozenset(
    {
        "value", "low", "high", "standard_error", "n", "confidence", "intercept", "slope",
        "variance_intercept", "covariance", "variance_slope", "residual_sd", "field_low_mg_kg",
        "field_high_mg_kg", "error_before", "error_after", "valid_from_mg_kg", "valid_to_mg_kg",
        "pairs_used", "pairs_put_back", "pairs", "seen", "seen_low", "seen_high", "entered", "kept",
        "lost", "balance", "field_mean_mg_kg", "field_se_mg_kg", "field_sd_mg_kg", "field_n",
        "field_spots", "lab_mean_mg_kg", "lab_se_mg_kg", "lab_n", "lab_low_mg_kg", "lab_high_mg_kg",
    }
)  # fmt: skip
_SITE = "site"


@dataclass(frozen=True, slots=True)
class Held:
    """What the catalogue holds after it was made."""

    address: str
    releases: tuple[str, ...]
    written: int  # files that were not there
    removed: int  # files of no release that is listed
    without: tuple[tuple[str, str], ...]  # sites or releases that do not stand in it, and why


def make(portfolio: Portfolio) -> Held:
    """Write what is missing, take away what no release stands behind, and list the rest.

    The latest release of every month of every site. Raises ReconcileError where the address can't
    be written.
    """
    address = portfolio.settings.catalogue or str(portfolio.output / _FOLDER)
    try:
        files, root = _opened(address, portfolio.folder)
        return _made(portfolio, address, files, root)
    except (OSError, pa.ArrowException) as error:
        raise ReconcileError(
            f"The catalogue {address} can't be written: {error}.",
            "Nothing half-written is listed; make it again when the place can be reached.",
        ) from error


def _opened(address: str, beside: Path) -> tuple[pafs.FileSystem, str]:
    if "://" in address:
        files, root = pafs.FileSystem.from_uri(address)
        return files, root
    return pafs.LocalFileSystem(), (beside / address).resolve().as_posix()


def _made(portfolio: Portfolio, address: str, files: pafs.FileSystem, root: str) -> Held:
    before = _files_below(files, root)
    listed: list[dict[str, object]] = []
    stand: set[str] = set()
    written = 0
    without: list[tuple[str, str]] = []
    for site in portfolio.sites:
        if site.workspace is None:
            without.append((site.name, site.fault.message if site.fault else ""))
            continue
        for period in months.with_releases(site.workspace):
            try:
                tables = _tables(site.workspace.releases(period))
            except ReconcileError as error:
                without.append((f"{site.name} {period}", error.message))
                continue
            if tables is None:
                continue
            release_id, contents = tables
            places = []
            for name, content in sorted(contents.items()):
                place = (
                    f"{Path(name).stem}/site={quote(site.name)}/period={quote(period)}"
                    f"/release={quote(release_id)}/data.parquet"
                )
                places.append(place)
                if place not in before:
                    _write(files, f"{root}/{place}", _parquet(content))
                    written += 1
            stand |= set(places)
            listed.append(
                {"site": site.name, "period": period, "release": release_id, "files": places}
            )
    text = json.dumps({"releases": listed}, indent=1, ensure_ascii=False) + "\n"
    _write(files, f"{root}/{LIST}", text.encode())  # names only what is whole
    gone = sorted(before - stand - {LIST})
    for place in gone:
        files.delete_file(f"{root}/{place}")
    return Held(
        address, tuple(str(entry["release"]) for entry in listed), written, len(gone),
        tuple(without),
    )  # fmt: skip


def _files_below(files: pafs.FileSystem, root: str) -> set[str]:
    found = files.get_file_info(pafs.FileSelector(root, allow_not_found=True, recursive=True))
    return {
        info.path[len(root) :].lstrip("/")
        for info in found
        if info.type == pafs.FileType.File
    }  # fmt: skip


def _tables(folder: Path) -> tuple[str, dict[str, bytes]] | None:
    """The id of the latest release and its tables; raises ReconcileError where one was altered."""
    found = release.latest(folder)
    if found is None:
        return None
    release_id = str(found.manifest["release_id"])
    contents = {}
    for entry in found.manifest["outputs"]:
        name = entry["name"]
        if Path(name).suffix == ".csv":
            contents[name] = kept_rows.unaltered(found.folder, found.manifest, name)
        elif name == kept_rows.PACKED:
            pairs = kept_rows.unaltered_pairs(found.folder, found.manifest)
            contents[kept_rows.CSV] = pairs
    return release_id, contents


def _parquet(content: bytes) -> bytes:
    rows = list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))
    head, body = rows[0], rows[1:]
    columns = {
        name: _column(name, [row[i] for row in body])
        for i, name in enumerate(head)
        if name != _SITE  # the folder says it
    }
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out, compression="zstd")
    return out.getvalue()


def _column(name: str, cells: Sequence[str]) -> pa.Array:
    if name in _NUMBERS:
        return pa.array([_number(cell) for cell in cells], pa.float64())
    return pa.array([cell or None for cell in cells], pa.string())


def _number(cell: str) -> float | None:
    try:
        return float(cell) if cell else None
    except ValueError:
        return None


def _write(files: pafs.FileSystem, path: str, content: bytes) -> None:
    """Whole or not at all: on object storage an object appears when it is complete; on a folder
    the file is written beside its place and moved there."""
    files.create_dir(str(PurePosixPath(path).parent), recursive=True)
    beside = f"{path}.unfinished" if isinstance(files, pafs.LocalFileSystem) else path
    with files.open_output_stream(beside) as stream:
        stream.write(content)
    if beside != path:
        files.move(beside, path)


def shown(held: Held) -> Iterable[str]:
    """What was done, a line each."""
    yield f"{len(held.releases)} releases in {held.address}: {held.written} files written, " \
          f"{held.removed} taken away."  # fmt: skip
    for what, why in held.without:
        yield f"Without {what}: {why}"
