"""Where in a file something stands, as data; the words are joined when it is shown."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file: as far as it is known."""

    file: str
    sheet: str = ""
    row: int = 0  # 1-based line of the file or row of the sheet; 0 where it is no single row
    column: str = ""

    @property
    def text(self) -> str:
        """The place as shown; nothing takes it apart again."""
        return ", ".join(
            part
            for part in (
                self.file,
                f"sheet '{self.sheet}'" if self.sheet else "",
                f"row {self.row}" if self.row else "",
                f"column '{self.column}'" if self.column else "",
            )
            if part
        )
