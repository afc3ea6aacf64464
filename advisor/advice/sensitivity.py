"""How much the advice hangs on each number: tree-mornings told otherwise within the range it may lie in.

A row's score counts the tree-mornings whose advice is another one at either end of its range, weighted by
kind as ``[weight]`` of config/sensitivity.toml says. One number is varied at a time; what two do together
is not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from advisor.advice.compare import Difference, KindChange
from advisor.garden.table_rows import matches_row
from advisor.garden.tables import MeasureRow
from advisor.units import Number, NumberTable

__all__ = ["EndEffect", "RowEffect", "Sensitivity", "Tally", "ends_of", "how_to_measure", "row_effect"]


@dataclass(frozen=True, slots=True)
class EndEffect:
    """What becomes of the advice at one end of the range, over all mornings."""

    value: float
    changes: Mapping[str, KindChange]
    """By kind; ``trees`` holds trees that were told otherwise on some morning."""
    days: Mapping[str, int]
    """Tree-mornings told otherwise, by kind."""
    litres: float
    """More or less water in today's waterings, all trees and mornings together."""
    shade_h: float
    """More or fewer hours of sun from which trees are taken."""


@dataclass(frozen=True, slots=True)
class RowEffect:
    """What one number does to the advice."""

    row: str
    number: Number
    score: float
    days: Mapping[str, int]
    """Tree-mornings told otherwise at either end, by kind."""
    ends: tuple[EndEffect, ...]
    measure: str
    """How to better the number."""


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """The whole answer: rows with the highest score first, then by name."""

    mornings: tuple[datetime, ...]
    """Mornings that were worked through."""
    asked_mornings: int
    trees: int
    rows: tuple[RowEffect, ...]
    no_range: tuple[str, ...]
    """Rows that were read and could not be varied: they state no range."""
    failures: tuple[str, ...]
    complete: bool
    """False when it was interrupted: what is known so far."""


@dataclass(slots=True)
class Tally:
    """Differences of one row, gathered morning by morning; the order in which they come does not count."""

    by_end: dict[float, list[tuple[datetime, Difference]]] = field(default_factory=dict)

    def add(self, value: float, morning: datetime, difference: Difference) -> None:
        """Note how the advice of a morning differs at ``value``."""
        self.by_end.setdefault(value, []).append((morning, difference))


def ends_of(number: Number) -> tuple[float, ...]:
    """Return the ends of the stated range that differ from the value; none where no range is stated."""
    return tuple(sorted({end for end in (number.low, number.high) if end is not None} - {number.value}))


def how_to_measure(row: str, measures: Sequence[MeasureRow]) -> str:
    """Return how a number can be bettered: the text of the first pattern that matches."""
    for measure in measures:
        if any(matches_row(row, pattern) for pattern in measure.rows):
            return measure.text
    return ""


def row_effect(row: str, number: Number, tally: Tally, numbers: NumberTable, measure: str) -> RowEffect:
    """Sum a row's differences up."""
    told: dict[str, set[tuple[datetime, str]]] = {}
    ends = []
    for value in ends_of(number):
        mornings = sorted(tally.by_end.get(value, []), key=lambda one: one[0])
        at_end: dict[str, set[tuple[datetime, str]]] = {}
        counts: dict[str, list[int]] = {}
        for morning, difference in mornings:
            for kind, change in difference.kinds.items():
                at_end.setdefault(kind, set()).update((morning, tree) for tree in change.trees)
                count = counts.setdefault(kind, [0, 0, 0])
                for place, more in enumerate((change.more, change.fewer, change.other)):
                    count[place] += more
        for kind, mornings_told in at_end.items():
            told.setdefault(kind, set()).update(mornings_told)
        ends.append(
            EndEffect(
                value,
                {
                    kind: KindChange(frozenset(tree for _, tree in at_end[kind]), *counts[kind])
                    for kind in sorted(at_end)
                },
                {kind: len(at_end[kind]) for kind in sorted(at_end)},
                sum(difference.litres for _, difference in mornings),
                sum(difference.shade_h for _, difference in mornings),
            )
        )
    days = {kind: len(told[kind]) for kind in sorted(told)}
    score = sum(numbers.value(f"weight.{kind}", "1") * count for kind, count in days.items())
    return RowEffect(row, number, float(score), days, tuple(ends), measure)
