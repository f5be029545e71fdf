"""What a field XRF owes every day: a blank, and a check of its energy scale.

US EPA Method 6200 (2007): section 9.2, the energy calibration check at the beginning of each
day; section 9.3, instrument and method blanks at least daily.
"""

from __future__ import annotations

import pandas as pd

from reconcile import techniques
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.techniques import Judged

_DAYS_NAMED = 6
_ENERGY = "energy"


def judge_daily(
    timeline: pd.DataFrame, checks: pd.DataFrame, thresholds: Thresholds
) -> tuple[Finding, ...]:
    """Days without a blank, without an energy check, and with one that failed.

    ``timeline``: technique, instrument, day, sample_kind, moisture_basis of every field row of
    samples and controls; rows without a day are passed over. ``checks``: instrument, check,
    outcome, at, day. Energy checks are asked for only where some are recorded; metal needs no
    blank.
    """
    asked = timeline["technique"].isin(techniques.named(Judged.DAILY))
    known = timeline.loc[asked & timeline["day"].ne("")]
    found = list(_blanks(known)) if thresholds.field_blank_daily else []
    energy = checks.loc[checks["check"].eq(_ENERGY)]
    return (*found, *(_energy(known, energy) if len(energy) else ()))


def _blanks(known: pd.DataFrame) -> list[Finding]:
    wet = known.loc[known["moisture_basis"].ne("not applicable")]
    found = []
    for instrument, rows in wet.groupby(wet["instrument"].fillna(""), sort=True):
        days = sorted(set(rows.loc[rows["sample_kind"].eq("sample"), "day"]))
        without = [
            d for d in days if d not in set(rows.loc[rows["sample_kind"].eq("blank"), "day"])
        ]
        if without:
            found.append(
                Finding(
                    "quality", "note", str(instrument) or _of(rows),
                    f"No blank was read on {len(without)} of {len(days)} days with {_of(rows)} "
                    f"readings ({_named(without)}).",
                    advice="Read a blank of clean material every day; nothing may stand above the "
                    "detection limit (US EPA Method 6200, section 9.3).",
                    code=FindingCode.FIELD_BLANK_MISSING,
                )
            )  # fmt: skip
    return found


def _energy(known: pd.DataFrame, energy: pd.DataFrame) -> list[Finding]:
    found = []
    for instrument, rows in known.groupby(known["instrument"].fillna(""), sort=True):
        own = energy.loc[energy["instrument"].eq(instrument)].sort_values("at", kind="stable")
        days = sorted(set(rows.loc[rows["sample_kind"].eq("sample"), "day"]))
        last = own.drop_duplicates("day", keep="last").set_index("day")["outcome"]
        without = [day for day in days if day not in last.index]
        failed = [day for day in days if last.get(day) == "failed"]
        if without:
            found.append(
                Finding(
                    "quality", "warning", str(instrument) or _of(rows),
                    f"No energy check is recorded for {len(without)} of {len(days)} days with "
                    f"readings ({_named(without)}).",
                    advice="Check the energy scale at the beginning of every day (US EPA Method "
                    "6200, section 9.2) and record it.",
                    code=FindingCode.ENERGY_CHECK_MISSING,
                )
            )  # fmt: skip
        if failed:
            found.append(
                Finding(
                    "quality", "serious", str(instrument) or _of(rows),
                    f"The last energy check failed on {_named(failed)}, and samples were read.",
                    advice="Read the samples of that day again after a check that passes, or "
                    "leave them out by entry.",
                    code=FindingCode.ENERGY_CHECK_FAILED,
                )
            )  # fmt: skip
    return found


def _of(rows: pd.DataFrame) -> str:
    """The technique of the rows, all of one instrument."""
    return str(rows["technique"].iloc[0])


def _named(days: list[str]) -> str:
    more = len(days) - _DAYS_NAMED
    return ", ".join(days[:_DAYS_NAMED]) + (f" and {more} more" if more > 0 else "")
