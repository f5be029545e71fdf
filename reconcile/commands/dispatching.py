"""The list for the laboratory from a result sheet: open samples, and a part drawn at random."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.spreadsheet import to_csv
from reconcile.base.writing import write_whole
from reconcile.commands import planning
from reconcile.commands.forms import place_of, write_labels
from reconcile.intake import workspace as ws
from reconcile.judgement import sheet_life, sheet_scores
from reconcile.judgement.recall import JSON
from reconcile.judgement.sheet_content import ResultSheet, from_bytes
from reconcile.judgement.sheet_counts import for_laboratory
from reconcile.releases import anchors, persons
from reconcile.releases.signing import Key
from reconcile.reporting import numbers, words
from reconcile.reporting.document.custody_form import CustodyForm, SampleLine, custody_form
from reconcile.store.database import Store

COLUMNS = ("sample_id", "why", "inclusion_probability", "dispatch", "sheet")


@dataclass(frozen=True, slots=True)
class Sent:
    """What goes to the laboratory, and the files that go with it."""

    sheet: str
    dispatch: str
    samples: tuple[tuple[str, str, float], ...]  # id, why, chance of being chosen
    paths: tuple[Path, ...]


def choose(sheet: ResultSheet, share: float, seed: str) -> tuple[tuple[str, str, float], ...]:
    """Samples for the laboratory: each that is open, and ``share`` of the others at random.

    The random part is spread over the field values with the same chance for each sample
    (``planning.choose``), so that its shares are those of all samples that were called. Its
    order comes from ``seed``, which nobody knows before the sheet is issued.
    """
    open_ = for_laboratory(sheet.results)
    rest = [s for s in sheet_scores.called(sheet.results) if s not in open_]
    values: dict[str, dict[str, float]] = {}
    levels: dict[str, list[tuple[str, float]]] = {}
    for r in sheet.results:
        values.setdefault(r.mean.sample_id, {})[r.mean.element] = r.value
        levels.setdefault(r.mean.element, []).extend((at.name, at.level) for at in r.levels)
    candidates = [planning.Candidate(s, "", values[s]) for s in rest]
    number = min(len(rest), max(1, math.ceil(share * len(rest) - 1e-9))) if share > 0 else 0
    drawn = planning.choose(candidates, levels, number, seed)
    chosen = [(s, str(why), 1.0) for s, why in sorted(open_.items())]
    return (*chosen, *((c.sample_id, sheet_scores.RANDOM, c.probability) for c in drawn))


def dispatch(
    folder: Path, number: str, dispatch_number: str, by: str, at: str,
    share: float | None = None, key: Key | None = None,
) -> Sent:  # fmt: skip
    """Choose, record the choice with its probabilities, and write list, labels and form.

    Raises ReconcileError where the sheet does not stand or has such a dispatch already.
    """
    if share is not None and not 0 <= share <= 1:
        raise ReconcileError(f"A share of {share:g} is not possible.", "Give it from 0 to 1.")
    if not any(c.isalnum() for c in dispatch_number):
        raise ReconcileError("The dispatch has no number.", "Give it with --dispatch.")
    workspace = ws.load_workspace(folder)
    name = " ".join(dispatch_number.split())
    with Store(workspace.store_file):  # one writer at a time
        sheet_life.finish(workspace, anchors.whole_record(workspace))
        reading = anchors.whole_record(workspace)
        life = sheet_life.known(sheet_life.lives(reading), number)
        if not life.stands:
            raise ReconcileError(
                f"Sheet {life.name} is {life.state}: nothing is sent by it.",
                "'reconcile sheets' shows what stands.",
            )
        sheet = from_bytes(sheet_life.files_of(workspace, life, [JSON])[JSON])
        earlier = [d for d in life.dispatches if d["dispatch"] == name]
        if earlier:
            chosen = tuple((str(s), str(w), float(p)) for s, w, p in earlier[0]["samples"])
        else:
            part = workspace.settings.sheet.check_share if share is None else share
            chosen = choose(sheet, part, life.manifest_sha256)
            if not chosen:
                raise ReconcileError(
                    f"Sheet {life.name} has no sample for the laboratory.",
                    "Give --share above 0 to have some of its calls checked.",
                )
            acting = persons.acting(workspace, by, at, "issue", sheet_life.before(life)[:1])
            content = {
                "act": sheet_life.DISPATCHED, "dispatch": name,
                "samples": [list(each) for each in chosen],
            }  # fmt: skip
            sheet_life.enter(workspace, life, content, acting, key, reading)
    return Sent(life.name, name, chosen, _files(workspace, sheet, name, chosen))


def _files(
    workspace: ws.Workspace, sheet: ResultSheet, name: str,
    chosen: tuple[tuple[str, str, float], ...],
) -> tuple[Path, ...]:  # fmt: skip
    """List, labels and custody form; the form and the labels do not say why a sample goes."""
    samples = [sample for sample, _, _ in chosen]
    listing = place_of(workspace, "dispatch", name).with_suffix(".csv")
    write_whole(listing, to_csv(COLUMNS, ([*c, name, sheet.name] for c in chosen)))
    labels = write_labels(workspace.folder, samples=samples).path
    form = CustodyForm(
        dispatch=name,
        project=sheet.title,
        zone=workspace.settings.workspace.time_zone,
        facts=(
            (words.SHEET_FORM_SAMPLES, str(len(samples))),
            (words.SHEET_FORM_FROM, sheet.name),
        ),
        events=(),
        samples=tuple(SampleLine(sample, "") for sample in sorted(samples)),
        notes=(),
        sources=(words.SHEET_FORM_SOURCE.format(sheet=sheet.name),),
        paper=sheet.paper,
    )
    path = place_of(workspace, "custody-form", name)
    write_whole(path, custody_form(form))
    return listing, labels, path


def told(sent: Sent) -> tuple[str, ...]:
    """What was chosen, in words."""
    why = [kind for _, kind, _ in sent.samples]
    drawn = why.count(sheet_scores.RANDOM)
    chance = next((p for _, kind, p in sent.samples if kind == sheet_scores.RANDOM), math.nan)
    lines = [
        words.DISPATCH_DISPATCH_SHEET.format(
            dispatch=sent.dispatch,
            sheet=sent.sheet,
            count=numbers.count(len(why), "sample", "samples"),
        ),
        words.DISPATCH_TOO_CLOSE_CALL.format(
            count=why.count("too close"),
            count_2=why.count("undecided"),
            drawn=drawn,
            value=f", each with a chance of {numbers.percent(chance)}" if drawn else "",
        ),
    ]
    return (*lines, *(words.WROTE.format(path=path) for path in sent.paths))
