"""Values known only to lie below or above a limit; nothing is ever substituted for them."""

from __future__ import annotations

from reconcile.statistics.detection import DetectTable, detect_table

__all__ = ["DetectTable", "detect_table"]
