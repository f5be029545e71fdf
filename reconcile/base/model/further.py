"""Results of a stratum that not every stratum has, by typed keys."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

if TYPE_CHECKING:
    from reconcile.statistics.agreement import (
        Concordance,
        LevelLimits,
    )
    from reconcile.statistics.censoring import (
        CensoredLine,
        DetectTable,
        KaplanMeier,
        OrderStatistics,
    )
    from reconcile.statistics.clusters import Clustered
    from reconcile.statistics.components import ThreeMethods
    from reconcile.statistics.decisions import DataQualityLevel, MethodCriteria
    from reconcile.statistics.error_model import ErrorModel
    from reconcile.statistics.lines import Diagnostics, ErrorStructure, Line
    from reconcile.statistics.result import Estimate
from reconcile.base.model.singles import PartlyPooled, Pooling, Scatter, WithoutPair

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Key(Generic[T]):
    """The name of a further result, and its type; the name stands in statistics.json."""

    name: str


class Further:
    """Keys of the further results of a stratum."""

    ERROR_MODEL: Key[ErrorModel] = Key("errors of the pairs")
    BATCHES_BACK: Key[Estimate] = Key("with failed batches put back")
    CUSTODY_BACK: Key[Estimate] = Key("with broken custody put back")
    ALL_BACK: Key[Estimate] = Key("with every exclusion put back")
    DIAGNOSTICS: Key[Diagnostics] = Key("diagnostics")
    DETECTION: Key[DetectTable] = Key("detection")
    STRUCTURE: Key[ErrorStructure] = Key("error structure of the field mean")
    YORK: Key[Line] = Key("York line")
    LEVEL_LIMITS: Key[LevelLimits] = Key("limits of agreement by level")
    LOG_CONCORDANCE: Key[Concordance] = Key("concordance of logarithms")
    WITHOUT_PAIR: Key[WithoutPair] = Key("without the most influential pair")
    QUALITY_LEVEL: Key[DataQualityLevel] = Key("data-quality level")
    METHOD_CRITERIA: Key[MethodCriteria] = Key("criteria of US EPA Method 6200")
    CENSORED_LINE: Key[CensoredLine] = Key("line with censored pairs kept")
    LAB_KAPLAN_MEIER: Key[KaplanMeier] = Key("lab values by Kaplan and Meier")
    FIELD_KAPLAN_MEIER: Key[KaplanMeier] = Key("field values by Kaplan and Meier")
    LAB_ORDER_STATISTICS: Key[OrderStatistics] = Key("lab values by regression on order statistics")
    FIELD_ORDER_STATISTICS: Key[OrderStatistics] = Key(
        "field values by regression on order statistics"
    )
    SCATTER: Key[Scatter] = Key("shots, spots and samples")
    THREE_METHODS: Key[ThreeMethods] = Key("three methods without a truth")
    POOLING: Key[Pooling] = Key("pooling of strata")
    CLUSTERS: Key[Clustered] = Key("pairs in clusters")
    PARTLY_POOLED: Key[PartlyPooled] = Key("bias beside like strata")


KAPLAN_MEIER = {"lab": Further.LAB_KAPLAN_MEIER, "field": Further.FIELD_KAPLAN_MEIER}

ORDER_STATISTICS = {"lab": Further.LAB_ORDER_STATISTICS, "field": Further.FIELD_ORDER_STATISTICS}

#: The ratio with pairs put back that a reason keeps out, the narrower reason first.
PUT_BACK = (Further.BATCHES_BACK, Further.CUSTODY_BACK, Further.ALL_BACK)


@dataclass(frozen=True, slots=True)
class Results:
    """Further results by their keys, in the order in which they were found."""

    items: tuple[tuple[Key[Any], Any], ...] = ()

    def __iter__(self) -> Iterator[tuple[Key[Any], Any]]:
        return iter(self.items)

    def get(self, key: Key[T]) -> T | None:
        """The result of a key; None where this stratum has none."""
        return next((value for each, value in self.items if each == key), None)

    def having(self, *found: tuple[Key[Any], Any]) -> Results:
        """The same with more."""
        return Results((*self.items, *found))
