"""A page for the screen as one file: style and script inside it, nothing from anywhere else."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from reconcile.reporting import words
from reconcile.reporting.plots.svg import escaped


def page(title: str, release_id: str, language: str, body: str) -> bytes:
    """The whole file around a body that is markup; equal texts give equal bytes.

    The page's own rules (Content-Security-Policy) let nothing run or load but the style and script
    in it, named by their digests.
    """
    style, script = _own_file("page.css"), _own_file("page.js")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    text = (
        f'<!DOCTYPE html>\n<html lang="{escaped(language)}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escaped(title)} · {escaped(release_id)}</title>\n"
        f"<style>{style}</style>\n</head>\n<body>\n<main>\n"
        + body
        + f"\n</main>\n<footer><p><strong>{words.END} {escaped(release_id)}</strong></p></footer>"
        f"\n<script>{script}</script>\n</body>\n</html>\n"
    )
    return text.encode("utf-8", "backslashreplace")


def _own_file(name: str) -> str:
    return resources.files("reconcile.reporting.render").joinpath(name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
