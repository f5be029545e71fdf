"""The one exception that carries a message for the analyst."""

from __future__ import annotations


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
        return f"{self.message} {self.advice}".strip()


class BusyError(ReconcileError):
    """Another run holds the workspace: what waiting mends."""
