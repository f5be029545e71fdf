"""A whole page for a browser: one file, its style and script inside, nothing from outside.

The page's own rules (Content-Security-Policy) let nothing run or load but that style and that
script, named by their digests.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from reconcile.reporting import words
from reconcile.reporting.plots.svg import escaped

_ROOM = "reconcile.reporting.render"


def page(title: str, release_id: str, language: str, body: str) -> bytes:
    """The page around ``body``, which is markup of our own; equal texts give equal bytes.

    With a release its id stands in the title and at the end.
    """
    style, script = _own_file("page.css"), _own_file("page.js")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    end = f"{words.END} {release_id}"
    foot = f"<footer><p><strong>{escaped(end)}</strong></p></footer>" if release_id else ""
    named = f"{title} · {release_id}" if release_id else title
    text = (
        f'<!DOCTYPE html>\n<html lang="{escaped(language)}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escaped(named)}</title>\n"
        f'<style>{style}</style>\n</head>\n<body id="top">\n'
        f'<a class="skip" href="#main">{words.SKIP}</a>\n<main id="main">\n{body}\n</main>\n'
        f'<a class="totop" href="#top">{words.TO_TOP}</a>\n{foot}\n'
        f"<script>{script}</script>\n</body>\n</html>\n"
    )
    return text.encode("utf-8", "backslashreplace")


def _own_file(name: str) -> str:
    return resources.files(_ROOM).joinpath(name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
