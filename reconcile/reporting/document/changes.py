"""Differences from the release before."""

from __future__ import annotations

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document.blocks import Block, Column, Section, Table, Text


def section(r: Reconciliation) -> list[Section]:
    """What is otherwise than before, each with both values."""
    blocks: tuple[Block, ...]
    if not r.supersedes:
        blocks = (Text(words.FIRST_RELEASE),)
    elif not r.changes:
        blocks = (Text(words.NO_CHANGE.format(release=r.supersedes)),)
    else:
        shares = (0.4, 0.3, 0.3)
        columns = tuple(map(Column, words.CHANGE_HEADINGS, shares))
        blocks = (
            Text(f"{words.FACTS['supersedes']}: {r.supersedes}", "small"),
            Table(columns, [(c.what, c.before, c.after) for c in r.changes]),
        )
    return [Section("changes", words.CHANGES, blocks)]
