"""The one exception that carries a message for the analyst."""

from __future__ import annotations

from reconcile.base.characters import visible


class ReconcileError(Exception):
    """Something the analyst can act on.

    ``message`` names the file, sheet, row or column, what was found and what was
    expected; ``advice`` says what to do next. The command line prints both and
    no traceback.
    """

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice

    def __str__(self) -> str:
        # logs and libraries print an error as it tells itself
        return visible(f"{self.message} {self.advice}".strip(), keep_newlines=True)


class BusyError(ReconcileError):
    """Another run holds the workspace: what waiting mends."""


class UnreachableError(BusyError):
    """A storage can't be reached: waiting may mend it too."""
