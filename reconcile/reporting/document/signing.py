"""Empty lines for the persons who take responsibility."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.release import Reconciliation, SignOff
from reconcile.reporting import words
from reconcile.reporting.document.blocks import Column, Form, Section, Table, Text


def section(r: Reconciliation) -> list[Section]:
    """What persons said; without that, one line per role, to be signed by hand."""
    if r.acts:
        return [given(r.acts, r.release_id)]
    return [sign_off(r.prepared_by, r.prepared_for, r.release_id)]


def on_cover(r: Reconciliation) -> list[tuple[str, str]]:
    """Who signed when: one line for each act."""
    return [
        (
            words.SIGN_OFF_ACTS[a.act],
            words.SIGN_OFF_ON_COVER.format(by=a.by, role=a.role, at=a.at),
        )
        for a in r.acts
    ]


def given(acts: Sequence[SignOff], release_id: str) -> Section:
    """What persons said of a release, and the end of the document."""
    what, name, role, when, said, key = words.SIGN_OFF_ACT_HEADINGS
    table = Table(
        (
            Column(what, 0.16), Column(name, 0.18, given=True), Column(role, 0.16, given=True),
            Column(when, 0.23, given=True), Column(said, 0.19, given=True), Column(key, 0.08),
        ),
        [
            (words.SIGN_OFF_ACTS[a.act], a.by, a.role, a.at, a.text, words.YES_NO[a.signed])
            for a in acts
        ],
        compact=True, sortable=False,
    )  # fmt: skip
    end = Text(f"{words.END} {release_id}", "h3", on_screen=False)
    blocks = (Text(words.SIGN_OFF_GIVEN, "small"), table, end)
    return Section("sign-off", words.SIGN_OFF, blocks, whole=True)


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
