"""Empty lines for the persons who take responsibility."""

from __future__ import annotations

from reconcile.base.model import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document.blocks import Form, Section, Text


def section(r: Reconciliation) -> list[Section]:
    """One line per role, to be signed by hand."""
    return [sign_off(r.prepared_by, r.prepared_for, r.release_id)]


def sign_off(prepared_by: str, prepared_for: str, release_id: str) -> Section:
    """The lines with the names that are known, and the end of the document."""
    known = {words.SIGN_OFF_ROLES[0]: prepared_by, words.SIGN_OFF_ROLES[3]: prepared_for}
    form = Form(
        words.SIGN_OFF_HEADINGS,
        tuple((role, known.get(role, "")) for role in words.SIGN_OFF_ROLES),
        (0.24, 0.30, 0.16, 0.30),
    )
    end = Text(f"{words.END} {release_id}", "h3", on_screen=False)  # the page has its footer
    blocks = (Text(words.SIGN_OFF_INTRO, "small"), form, end)
    return Section("sign-off", words.SIGN_OFF, blocks, whole=True)
