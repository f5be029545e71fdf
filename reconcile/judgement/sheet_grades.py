"""Grades of a sheet's parts against specification limits, as releases judged them."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

from reconcile.base.grades import AGAINST, NOT_DECIDED, NOT_MEASURED, OPEN, Place
from reconcile.base.spreadsheet import csv_text
from reconcile.intake import workspace as ws
from reconcile.judgement.grounds import Grounds
from reconcile.judgement.sheet_content import GradeLine
from reconcile.releases import release

_FILE = "conformity.csv"


def of_releases(
    workspace: ws.Workspace, newest: Grounds, samples: set[str]
) -> tuple[tuple[GradeLine, ...], str]:
    """Every grade of each field result set of these samples, by the newest release; the rule."""
    wanted = {csv_text(s): s for s in samples}
    used = {name for name, _ in newest.releases}
    root = workspace.output / "releases"
    found: dict[tuple[str, ...], dict[str, GradeLine]] = {}
    rule = ""
    for period in sorted((p for p in root.iterdir() if p.is_dir()), reverse=True):
        latest = release.latest(period)
        if latest is None or latest.manifest["release_id"] not in used:
            continue
        path = latest.folder / _FILE
        if not path.is_file():
            continue
        new: dict[tuple[str, ...], dict[str, GradeLine]] = {}
        for row in csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))):
            if row["side"] != "field" or row["sample_id"] not in wanted:
                continue
            sample = wanted[row["sample_id"]]
            rule = rule or row["decision_rule"]
            place = _place(row)
            grades = new.setdefault((sample, row["method"], place), {})
            line = grades.get(row["grade"]) or GradeLine(
                sample, row["method"], row["grade"], row["grade_call"],
                release_id=str(latest.manifest["release_id"]), at_place=place,
            )  # fmt: skip
            grades[row["grade"]] = _with(line, row["element"], row["element_call"])
        for key, lines in new.items():
            found.setdefault(key, lines)
    return tuple(line for key in sorted(found) for line in found[key].values()), rule


def _place(row: dict[str, str]) -> str:
    """The place of a part, as shown; '' where the whole part is meant."""
    at = row.get("position_mm", "")
    return Place(row.get("place", ""), row.get("role", ""), float(at) if at else math.nan).name


def _with(line: GradeLine, element: str, call: str) -> GradeLine:
    against, undecided = line.against, line.undecided
    if call == AGAINST:
        against = (*against, element)
    elif call in (OPEN, NOT_DECIDED, NOT_MEASURED):
        undecided = (*undecided, element)
    return replace(line, against=against, undecided=undecided)
