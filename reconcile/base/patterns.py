"""Patterns of file names in the settings: relative, below the workspace, of one meaning."""

from __future__ import annotations

from pathlib import PurePosixPath, PureWindowsPath

_LONGEST_NAME = 255  # bytes that file systems take for one name


def checked(pattern: str) -> str:
    """The pattern; raises ValueError that says what is wrong with it."""
    if not pattern.strip() or pattern != pattern.strip():
        raise ValueError("write a file name or a pattern such as field/*.csv, without outer blanks")
    windows = PureWindowsPath(pattern)
    if PurePosixPath(pattern).is_absolute() or windows.drive or windows.root:
        raise ValueError(f"'{pattern}' must be relative to reconcile.toml: copy the files there")
    parts = PurePosixPath(pattern).parts
    if not parts or ".." in (*parts, *windows.parts):
        raise ValueError(f"'{pattern}' must name files below the folder of reconcile.toml")
    if any("**" in part and part != "**" for part in parts):
        raise ValueError(
            f"'{pattern}': '**' stands for folders and must stand alone, as in **/*.csv"
        )
    if parts[-1] == "**":
        raise ValueError(f"'{pattern}' means folders, not files: write '{pattern}/*'")
    if any(len(part.encode("utf-8", "replace")) > _LONGEST_NAME for part in parts):
        raise ValueError("a file name is longer than any file system takes")
    return pattern
