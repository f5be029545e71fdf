"""Put a made table into the validation notes, between its own two marks."""

from __future__ import annotations

from pathlib import Path

HEAD = "# Validation\n\nTables made by the commands that stand above them; none is typed by hand.\n"


def put_table(path: Path, mark: str, title: str, command: str, lines: list[str]) -> None:
    """Write or renew one section; what others wrote stays."""
    start, end = f"<!-- start: {mark} -->", f"<!-- end: {mark} -->"
    body = "\n".join([start, f"## {title}", "", f"`{command}`", "", *lines, end])
    text = path.read_text(encoding="utf-8") if path.exists() else HEAD
    if start in text and end in text:
        before, rest = text.split(start, 1)
        text = before + body + rest.split(end, 1)[1]
    else:
        text = f"{text.rstrip()}\n\n{body}\n"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
