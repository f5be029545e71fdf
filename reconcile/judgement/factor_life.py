"""The life of a correction factor: proposed, approved by a second person, ended.

Every change is an event in the chained record; a state is never stored, it follows from
the events. A proposal carries the whole factor, so that what was approved is what is
applied, whatever becomes of other files.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reconcile.base import strata
from reconcile.base.errors import ReconcileError
from reconcile.base.methods import Moisture
from reconcile.base.model.release import Reconciliation
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, APPROVED, CorrectionFactor
from reconcile.intake import workspace as ws
from reconcile.intake.settings_listed import NOT_GIVEN
from reconcile.intake.workspace import Workspace
from reconcile.releases import anchors, persons, record, release, signing
from reconcile.releases.signing import Key
from reconcile.store.database import Store

if TYPE_CHECKING:
    from schemas.common import MOISTURE_BASES
else:  # ours, whatever else has that name where the program runs
    from reconcile.schemas.common import MOISTURE_BASES

EVENT = "factor event"
PROPOSED = "proposed"
SUPERSEDED, EXPIRED, WITHDRAWN = "superseded", "expired", "withdrawn"
_ENDS = (SUPERSEDED, EXPIRED, WITHDRAWN)
#: States in which a factor that a later revision finds again is open to approval anew.
_OPEN_AGAIN = (PROPOSED, SUPERSEDED)
_BASES = ("", "pooled", *MOISTURE_BASES)
#: Every pair of bases, by which the text of a factor of an earlier version is looked up.
_MOISTURES = tuple(Moisture(field, lab) for field in _BASES for lab in _BASES)


@dataclass(frozen=True, slots=True)
class Life:
    """One factor with what happened to it."""

    factor: CorrectionFactor  # its status is the state
    period: str
    revision: int
    release_id: str
    author: str  # who prepared the release that proposed it
    author_person: str  # that person's id in the register of people; "" where it had none
    data_until: str  # latest time in the data of that release; "" where none is known
    verdict: str  # of its stratum in that release
    verdict_reason: str
    approver: str = ""  # of the last approval; a factor that was superseded keeps it
    reason: str = ""  # of the last change
    at: str = ""  # when the last change was made, as its person said
    by_factor: str = ""  # the factor that superseded it

    @property
    def state(self) -> str:
        """proposed, approved, superseded, expired or withdrawn."""
        return self.factor.status


# ---- a factor as plain values ---------------------------------------------------------


def as_plain(factor: CorrectionFactor) -> dict[str, Any]:
    """The factor as JSON values; what is not a number becomes None."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        if isinstance(value, (list, tuple)):
            return [plain(item) for item in value]
        return None if isinstance(value, float) and not math.isfinite(value) else value

    result: dict[str, Any] = plain(dataclasses.asdict(factor))
    return result | {"stratum": strata.as_plain(factor.stratum)}


def from_plain(values: dict[str, Any]) -> CorrectionFactor:
    """The factor of ``as_plain`` or of an entry of a release's factors.json.

    Raises ReconcileError where a part is missing or of another kind.
    """
    try:
        numbers = {
            field.name: math.nan if values[field.name] is None else float(values[field.name])
            for field in dataclasses.fields(CorrectionFactor)
            if field.type == "float" and field.name in values
        }
        (aa, ab), (ba, bb) = values["covariance"]
        texts = {
            name: str(values[name])
            for name in (
                "factor_id", "form", "pairs_hash", "basis", "status", "reason", "valid_from",
                "valid_until",
            )
            if name in values
        }  # fmt: skip
        return CorrectionFactor(
            stratum=strata.from_plain(values["stratum"], _MOISTURES),
            covariance=((float(aa), float(ab)), (float(ba), float(bb))),
            residual_relative=bool(values["residual_relative"]),
            n=int(values["n"]),
            months=int(values.get("months", 0)),
            **texts,  # type: ignore[arg-type]
            **numbers,  # type: ignore[arg-type]
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ReconcileError(
            f"A correction factor can't be read ({type(error).__name__}: {error}).",
            "Take factors.json of a release as it was written.",
        ) from error


def load(path: Path) -> tuple[CorrectionFactor, ...]:
    """The factors of a release's factors.json."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        entries = content["factors"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ReconcileError(
            f"{path} can't be read as a list of factors.",
            "Name factors.json of a release, as it was written.",
        ) from error
    return tuple(from_plain(entry) for entry in entries)


# ---- events and what follows from them ------------------------------------------------


def lives(reading: record.Reading) -> dict[str, Life]:
    """Every factor of the record by its id, in the order of its proposal."""
    found: dict[str, Life] = {}
    for entry in reading.entries:
        if entry.kind != EVENT:
            continue
        content = entry.content
        act, number = str(content["act"]), str(content["factor_id"])
        if act == PROPOSED:
            before = found.get(number)
            if before is None or before.state in _OPEN_AGAIN:
                found[number] = _proposed(content, before)
            continue
        life = found.get(number)
        if life is None or life.state in _ENDS:
            continue
        found[number] = replace(
            life,
            factor=replace(life.factor, status=act),
            approver=str(content["by"]) if act == APPROVED else life.approver,
            reason=str(content.get("reason", "")),
            at=str(content.get("at", "")),
            by_factor=str(content.get("by_factor", "")),
        )
    return found


def _proposed(content: dict[str, Any], before: Life | None) -> Life:
    """The life that a proposal begins; an approval before stays named, for results of its time."""
    return Life(
        replace(from_plain(content["factor"]), status=PROPOSED),
        str(content["period"]), int(content["revision"]), str(content["release_id"]),
        str(content["author"]), str(content.get("author_person", "")),
        str(content.get("data_until", "")), str(content["verdict"]),
        str(content["verdict_reason"]),
        approver=before.approver if before is not None else "",
    )  # fmt: skip


def of_workspace(workspace: Workspace) -> dict[str, Life]:
    """Every factor of a workspace; raises ReconcileError where the record was altered
    or shortened."""
    return lives(anchors.whole_record(workspace))


def in_force(lives: Iterable[Life], first_day: str, last_day: str) -> tuple[Life, ...]:
    """The factors that were approved for values of these days (ISO dates, both included).

    A factor that expired or was superseded afterwards counts: it stood for these values. Of
    each stratum the newest one counts, a withdrawn one never.
    """
    newest: dict[str, Life] = {}
    for life in lives:
        f = life.factor
        stood = life.state != WITHDRAWN and life.approver
        if not stood or not f.valid_from or not f.valid_until:
            continue
        if f.valid_from > last_day or f.valid_until < first_day:
            continue
        known = newest.get(f.stratum.key)
        if known is None or (life.period, life.revision) > (known.period, known.revision):
            newest[f.stratum.key] = replace(life, factor=replace(f, status=APPROVED))
    return tuple(newest[key] for key in sorted(newest))


def events_of_release(
    known: dict[str, Life], reconciliation: Reconciliation, author_person: str = ""
) -> list[tuple[str, dict[str, Any]]]:
    """What a release adds to the record: its proposals and the ends that follow from it.

    Only a factor whose verdict accepts field results is proposed; one that a later revision
    of its month finds again is proposed again, by that revision. A release ends nothing but
    what is over: a factor whose last day is before the period's first day has expired. A
    proposal supersedes nothing before it is approved, so that months may be run in any order.
    """
    additions: list[tuple[str, dict[str, Any]]] = []
    for result in reconciliation.results:
        factor = result.factor
        if factor is None or factor.form == "none":
            continue
        usable = result.verdict.decision in (ACCEPTED, ACCEPTED_CORRECTED)
        if usable and _is_news(known.get(factor.factor_id), reconciliation):
            additions.append(
                (
                    EVENT,
                    {
                        "act": PROPOSED, "factor_id": factor.factor_id,
                        "factor": as_plain(replace(factor, status=PROPOSED)),
                        "release_id": reconciliation.release_id,
                        "period": reconciliation.period, "revision": reconciliation.revision,
                        "author": reconciliation.prepared_by,
                        "author_person": author_person,
                        "data_until": reconciliation.data_until,
                        "verdict": result.verdict.decision,
                        "verdict_reason": result.verdict.reason,
                    },
                )
            )  # fmt: skip
    if ws.is_month(reconciliation.period):
        additions += [
            _end(EXPIRED, life, f"it stood until {life.factor.valid_until}")
            for life in known.values()
            if life.state not in _ENDS
            and life.factor.valid_until
            and life.factor.valid_until < f"{reconciliation.period}-01"
        ]
    return additions


def _is_news(life: Life | None, reconciliation: Reconciliation) -> bool:
    """Whether a release has to propose a factor: nobody has, or an earlier revision only."""
    if life is None:
        return True
    return (
        life.state in _OPEN_AGAIN
        and life.period == reconciliation.period
        and life.revision < reconciliation.revision
    )


def _earlier(one: Life, other: Life) -> bool:
    """Whether one was certainly proposed for an earlier month, or an earlier revision of it.

    Periods that are no months have no order.
    """
    if one.period == other.period:
        return one.revision < other.revision
    return ws.is_month(one.period) and ws.is_month(other.period) and one.period < other.period


def _end(act: str, life: Life, reason: str, by_factor: str = "") -> tuple[str, dict[str, Any]]:
    content = {"act": act, "factor_id": life.factor.factor_id, "reason": reason, "by": "program"}
    return EVENT, content | ({"by_factor": by_factor} if by_factor else {})


def approve(
    folder: Path, factor_id: str, by: str, reason: str, at: str, key: Key | None = None
) -> Life:
    """Approve a proposed factor; earlier ones of its stratum, approved or not, are superseded.

    Only an approval supersedes, and only what is earlier: proposals of later months stay open.
    Raises ReconcileError where the approver may be the author, a reason is missing, the
    time is not after the data, the factor is not open to approval, its verdict does not allow
    it, its month was issued again without it, a factor of a later month is approved for its
    stratum, or the register gives the approver a key and ``key`` is not that.
    """
    workspace = ws.load_workspace(folder)
    _check_reason(reason)
    with Store(workspace.store_file):  # one writer at a time
        known = of_workspace(workspace)
        life = _known(known, factor_id)
        acting = persons.acting(workspace, by, at, "approve", _before_approval(life))
        if life.state != PROPOSED:
            raise ReconcileError(
                f"Factor {factor_id} is {life.state}; only a proposed factor can be approved.",
                "See 'reconcile factors'.",
            )
        _check_second_person(workspace, life, acting)
        if life.factor.form == "none":
            raise ReconcileError(
                f"Factor {factor_id} changes no value (form 'none'): there is nothing to approve.",
                "Use field results as read where the verdict accepts them.",
            )
        if life.verdict not in (ACCEPTED, ACCEPTED_CORRECTED):
            raise ReconcileError(
                f"Factor {factor_id} can't be approved: the verdict of its release is "
                f"'{life.verdict}'. {life.verdict_reason}",
                "Mend the cause and run the month again; a factor does not overrule a verdict.",
            )
        _check_newest(workspace, life)
        stratum = life.factor.stratum
        keys = {stratum.key, strata.key_unnamed(stratum)}
        others = [
            other
            for number, other in known.items()
            if number != factor_id and other.factor.stratum.key in keys
        ]
        for other in others:
            if other.state == APPROVED and _earlier(life, other):
                raise ReconcileError(
                    f"Factor {other.factor.factor_id} of {other.period}, revision "
                    f"{other.revision}, is approved for the same stratum, and {factor_id} of "
                    f"{life.period}, revision {life.revision}, is earlier.",
                    "Withdraw the later one first if the earlier is to stand in its place.",
                )
        additions = [(EVENT, _act(workspace, APPROVED, factor_id, acting, reason, key))]
        additions += [
            _end(SUPERSEDED, other, f"{factor_id} was approved", factor_id)
            for other in others
            if other.state == APPROVED or (other.state == PROPOSED and _earlier(other, life))
        ]
        record.extend(workspace.output / record.RECORD, additions)
    return of_workspace(workspace)[factor_id]


def _check_newest(workspace: Workspace, life: Life) -> None:
    """Refuse a factor whose month was issued again since without proposing it."""
    newest = max(
        (
            int(entry.content["revision"])
            for entry in record.read(workspace.output / record.RECORD).entries
            if entry.kind == "release" and entry.content["period"] == life.period
        ),
        default=life.revision,
    )
    if newest > life.revision:
        raise ReconcileError(
            f"{life.period} was issued again since: revision {newest} does not propose factor "
            f"{life.factor.factor_id} of revision {life.revision}.",
            "Read what changed in the newer release; approve the factor that it proposes, if any.",
        )


def withdraw(
    folder: Path, factor_id: str, by: str, reason: str, at: str, key: Key | None = None
) -> Life:
    """End a proposed or approved factor before its time, with a reason."""
    workspace = ws.load_workspace(folder)
    _check_reason(reason)
    with Store(workspace.store_file):
        life = _known(of_workspace(workspace), factor_id)
        acting = persons.acting(workspace, by, at, "withdraw", _before_withdrawal(life))
        if life.state in _ENDS:
            raise ReconcileError(f"Factor {factor_id} is {life.state} already.")
        record.extend(
            workspace.output / record.RECORD,
            [(EVENT, _act(workspace, WITHDRAWN, factor_id, acting, reason, key))],
        )
    return of_workspace(workspace)[factor_id]


def _act(
    workspace: Workspace, act: str, factor_id: str, acting: persons.Acting, reason: str,
    key: Key | None,
) -> dict[str, Any]:  # fmt: skip
    content = {"act": act, "factor_id": factor_id, "reason": reason} | acting.as_content()
    head = record.read(workspace.output / record.RECORD).head
    return signing.signed(content, acting, key, head)


def _check_reason(reason: str) -> None:
    if not any(c.isalnum() for c in reason):
        raise ReconcileError("No reason was given.", "Say what was looked at, with --reason.")


def _before_approval(life: Life) -> tuple[persons.Moment, ...]:
    """A factor can't be looked at before the data that it rests on were there."""
    text = life.data_until or life.factor.valid_from  # older proposals do not state their data
    moment = _moment(text)
    what = f"the last result that release {life.release_id} rests on"
    return ((moment, what),) if moment is not None else ()


def _before_withdrawal(life: Life) -> tuple[persons.Moment, ...]:
    moment = _moment(life.at) if life.state == APPROVED else None
    approved = ((moment, "the approval of the factor"),) if moment is not None else ()
    return (*_before_approval(life), *approved)


def _moment(text: str) -> datetime | None:
    """A time of the record; older entries hold dates, or nothing that can be read."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _check_second_person(workspace: Workspace, life: Life, acting: persons.Acting) -> None:
    """The approver is nobody who prepared the factor, then or in another revision."""
    if not persons.words_of(life.author):
        raise ReconcileError(
            f"Release {life.release_id} does not say who prepared it, so nobody can show to "
            "be another person.",
            "Set prepared_by under [report] in reconcile.toml and run the month again.",
        )
    register = persons.register_of(workspace)
    for author in (life.author, *_other_authors(workspace, life)):
        if not register.there:
            if persons.may_be_one_person(acting.by, author):
                raise ReconcileError(
                    f"'{acting.by}' may be the person who prepared the factor ('{author}').",
                    "Have another person look at the factor and approve it, under their full "
                    f"name. Two people whose names are alike: enter both in {register.path}.",
                )
            continue
        found = register.named_in(author)
        if author == life.author and not found:
            raise ReconcileError(
                f"The register of people ({register.path}) does not hold '{author}', who prepared "
                f"release {life.release_id}.",
                "Enter that person, so that it shows that the approver is another.",
            )
        if acting.person in {p.id for p in found} | {life.author_person}:
            raise ReconcileError(
                f"{acting.by} prepared the factor, as '{author}'.",
                "Have another person look at the factor and approve it.",
            )


def _other_authors(workspace: Workspace, life: Life) -> tuple[str, ...]:
    """Who prepared the other revisions of the factor's month, as these say."""
    found: list[str] = []
    for manifest in sorted(workspace.releases(life.period).glob(f"r*/{release.MANIFEST}")):
        try:
            content = json.loads(manifest.read_text(encoding="utf-8"))
            author = str(content["settings"]["report.prepared_by"])
        except (OSError, ValueError, KeyError, TypeError):
            continue  # what is wrong with a manifest is told by 'verify'
        if author != NOT_GIVEN and author not in (life.author, *found):
            found.append(author)
    return tuple(found)


def _known(known: dict[str, Life], factor_id: str) -> Life:
    if factor_id not in known:
        raise ReconcileError(
            f"No factor '{factor_id}' stands in the record of this workspace.",
            "'reconcile factors' lists them.",
        )
    return known[factor_id]


def listed(folder: Path) -> tuple[Sequence[Life], str]:
    """Every factor of the workspace in ``folder``, and the head of the record."""
    workspace = ws.load_workspace(folder)
    head = record.read(workspace.output / record.RECORD).head
    return _in_order(of_workspace(workspace).values()), head


def _in_order(found: Iterable[Life]) -> list[Life]:
    return sorted(
        found, key=lambda x: (x.factor.stratum.key, x.period, x.revision, x.factor.factor_id)
    )
