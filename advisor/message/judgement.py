"""The verdict on the advice, as values, and the sums of several.

Several replays stand one under the other with their sums below; which of them the numbers in config were
tuned on, and which only reported on, is kept with each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from advisor.weather.verification import Brier, Contingency, relative_value

__all__ = ["Judged", "Role", "ShadeScore", "WarningScore", "WaterScore", "with_totals"]

Role = Literal["tuning", "reported", "both"]


@dataclass(frozen=True, slots=True)
class WarningScore:
    """One speaker against one reading of what happened.

    ``lead_h`` has one value for each event warned of; ``values`` one for each ratio of cost over loss.
    """

    hazard: str
    truth: str
    by: str
    table: Contingency
    events: int
    lead_h: tuple[float, ...]
    mails: int
    ratios: tuple[float, ...]
    values: tuple[float, ...]
    brier: Brier | None = None

    @property
    def key(self) -> tuple[str, ...]:
        """What the rows of several replays are summed by."""
        return (self.hazard, self.truth, self.by)


@dataclass(frozen=True, slots=True)
class WaterScore:
    """Pots of one size (or ``all``), watered in one way. Hours are pot-hours."""

    way: str
    size: str
    pots: int
    hours: int
    dry_h: float
    unknown_h: float
    litres: float
    waterings: int

    @property
    def key(self) -> tuple[str, ...]:
        """What the rows of several replays are summed by."""
        return (self.size, self.way)


@dataclass(frozen=True, slots=True)
class ShadeScore:
    """Hours with the leaf at or above its limit, and of sun with a hot leaf or in dry air, over all trees.

    ``unknown_h`` counts hours without a leaf temperature, ``tree_days`` days of a tree kept in shade.
    """

    way: str
    leaf_hours: float
    harmful_sun_h: float
    unknown_h: float
    tree_days: int

    @property
    def key(self) -> tuple[str, ...]:
        """What the rows of several replays are summed by."""
        return (self.way,)


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict on one replay, or the sum of some.

    ``counts`` says how many days were judged and what is missing, in words, in the order shown.
    """

    name: str
    role: Role
    first_day: str
    last_day: str
    trees: int
    counts: dict[str, int]
    warnings: tuple[WarningScore, ...]
    water: tuple[WaterScore, ...]
    shade: tuple[ShadeScore, ...]
    notes: tuple[str, ...] = ()


# --- sums ---------------------------------------------------------------------------------------


def _warning_sum(rows: Sequence[WarningScore]) -> WarningScore:
    table = rows[0].table
    for row in rows[1:]:
        table = table + row.table
    briers = [row.brier for row in rows if row.brier is not None]
    days = sum(brier.days for brier in briers)
    squares = sum(brier.score * brier.days for brier in briers if brier.days)
    return replace(
        rows[0],
        table=table,
        events=sum(row.events for row in rows),
        lead_h=tuple(sorted(lead for row in rows for lead in row.lead_h)),
        mails=sum(row.mails for row in rows),
        values=tuple(float(value) for value in relative_value(table, rows[0].ratios)),
        brier=Brier(squares / days if days else math.nan, days, sum(brier.left_out for brier in briers))
        if briers
        else None,
    )


def _water_sum(rows: Sequence[WaterScore]) -> WaterScore:
    return replace(
        rows[0],
        pots=sum(row.pots for row in rows),
        hours=sum(row.hours for row in rows),
        dry_h=sum(row.dry_h for row in rows),
        unknown_h=sum(row.unknown_h for row in rows),
        litres=sum(row.litres for row in rows),
        waterings=sum(row.waterings for row in rows),
    )


def _shade_sum(rows: Sequence[ShadeScore]) -> ShadeScore:
    return replace(
        rows[0],
        leaf_hours=sum(row.leaf_hours for row in rows),
        harmful_sun_h=sum(row.harmful_sun_h for row in rows),
        unknown_h=sum(row.unknown_h for row in rows),
        tree_days=sum(row.tree_days for row in rows),
    )


Score = TypeVar("Score", WarningScore, WaterScore, ShadeScore)


def _summed(parts: Iterable[tuple[Score, ...]], add: Callable[[Sequence[Score]], Score]) -> tuple[Score, ...]:
    grouped: dict[tuple[str, ...], list[Score]] = {}
    for rows in parts:
        for row in rows:
            grouped.setdefault(row.key, []).append(row)
    return tuple(add(rows) for rows in grouped.values())


def _total(judged: Sequence[Judged], name: str, role: Role) -> Judged:
    counts: dict[str, int] = {}
    for one in judged:
        for word, count in one.counts.items():
            counts[word] = counts.get(word, 0) + count
    return Judged(
        name=name,
        role=role,
        first_day=min(one.first_day for one in judged),
        last_day=max(one.last_day for one in judged),
        trees=sum(one.trees for one in judged),
        counts=counts,
        warnings=_summed((one.warnings for one in judged), _warning_sum),
        water=_summed((one.water for one in judged), _water_sum),
        shade=_summed((one.shade for one in judged), _shade_sum),
    )


def with_totals(judged: Sequence[Judged]) -> tuple[Judged, ...]:
    """Return the verdicts, and below them the sums of the reported, of the tuned on, and of all."""
    roles = {one.role for one in judged}
    found = list(judged)
    both: tuple[Role, Role] = ("reported", "tuning")
    for role in both:
        some = [one for one in judged if one.role == role]
        if len(some) > 1 or (some and len(roles) > 1):
            found.append(_total(some, f"total, {role}", role))
    if len(roles) > 1:
        found.append(_total(judged, "total, all", "both"))
    return tuple(found)
