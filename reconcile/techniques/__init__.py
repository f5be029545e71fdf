"""The field techniques: one module each; adding a technique is adding one."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator
from functools import cache
from importlib import import_module

from reconcile.techniques.technique import Judged, Technique

__all__ = ["Judged", "Technique", "element_called", "known", "named", "of", "spellings"]


@cache
def known() -> tuple[Technique, ...]:
    """Every technique, by name: TECHNIQUE of each module beside this one."""
    return tuple(sorted(_found(), key=lambda t: t.name))


def _found() -> Iterator[Technique]:
    for module in pkgutil.iter_modules(__path__):
        made = getattr(import_module(f"{__name__}.{module.name}"), "TECHNIQUE", None)
        if isinstance(made, Technique):
            yield made


def of(name: str) -> Technique | None:
    """The technique of a name as tables hold it, in any case; None where it is not known."""
    return next((t for t in known() if t.name.upper() == name.upper()), None)


def named(aspect: Judged) -> frozenset[str]:
    """Names of the techniques that are judged for one thing."""
    return frozenset(t.name for t in known() if aspect in t.judged)


def spellings() -> dict[str, str]:
    """What people write, in small letters, and the name that is meant."""
    return {text: t.name for t in known() for text in t.spellings}


@cache
def element_called(text: str) -> str:
    """The element that a technique calls so in its headings; '' where none does."""
    return next((t.also_called[text] for t in known() if text in t.also_called), "")
