"""What the settings of a workspace say, and which defaults hold beside them."""

from __future__ import annotations

from pathlib import Path

from reconcile.base.shown import open_console, safe
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.intake.settings_held import Held, held
from reconcile.intake.settings_listed import NOT_GIVEN
from reconcile.intake.toml_lines import lines_of
from reconcile.intake.workspace import (
    SETTINGS_FILE,
    load_workspace,
    text_of_settings,
)
from reconcile.reporting import numbers, words


def holding(folder: Path) -> tuple[Held, ...]:
    """Every setting that holds in a workspace. Raises ReconcileError where one can't stand."""
    return held(load_workspace(folder).settings, lines_of(text_of_settings(folder)))


def show(folder: Path, every: bool) -> None:
    """Print how many are stated, and with ``every`` all of them with value, origin, meaning."""
    console = open_console()
    settings = holding(folder)
    stated = sum(s.line > 0 for s in settings)
    if every:
        table = _table(words.SETTINGS_SETTINGS_THAT_HOLD, "setting", "value", "from", "meaning")
        for setting in settings:
            origin = (
                words.SETTINGS_LINE.format(settings_file=SETTINGS_FILE, line=setting.line)
                if setting.line
                else "default"
            )
            _row(table, setting.name, _shown(setting.value), origin, setting.meaning)
        console.print(table)
    console.print(
        safe(
            words.SETTINGS_CAN_STAND_STATED.format(
                settings_file=SETTINGS_FILE,
                count=numbers.count(stated, "setting is", "settings are"),
                value=len(settings) - stated,
            )
            + ("" if every else words.SETTINGS_SHOW_LISTS_THEM)
        )
    )


def _shown(value: object) -> str:
    if value is None or value == "":
        return NOT_GIVEN
    if isinstance(value, tuple | dict):
        return ", ".join(map(str, value)) or "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)
