"""Two mornings' advice side by side: what each tree is told, by kind, and in what it differs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from advisor.advice.hours import day_span
from advisor.advice.model import Advice, Situation, Verdict
from advisor.physics.missing import reduce_over
from advisor.units import NumberTable
from advisor.weather.table import stamp_of

__all__ = ["Difference", "KindChange", "Told", "differences", "told_by_tree"]

_SUITS = ("suits", "suits-with-care")
_HASH = re.compile(r"-[0-9a-f]{8}$")

WhatAndWho = tuple[str, str]
"""Kind of advice, and tree; no tree for advice to the person."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one tree is told of one kind on one morning.

    ``pieces`` maps a measure to the time it holds for; ``litres`` are today's waterings;
    ``shade_h`` are hours of sun from which heat advice takes the tree today; ``verdicts`` are those of
    today by kind of work.
    """

    pieces: Mapping[str, tuple[datetime, datetime]] = field(default_factory=dict)
    litres: float = 0.0
    shade_h: float = 0.0
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class KindChange:
    """How the advice of one kind differs.

    ``trees`` are those that are told anything else; ``more`` and ``fewer`` count measures that appear
    and vanish, tree by tree (for work: kinds of work that come to suit, and cease to); ``other`` counts
    trees that keep their measures at another time, in another amount, or with another verdict.
    """

    trees: frozenset[str]
    more: int
    fewer: int
    other: int


@dataclass(frozen=True, slots=True)
class Difference:
    """Everything in which two mornings differ: kinds that differ, litres and hours in shade."""

    kinds: Mapping[str, KindChange]
    litres: float
    shade_h: float


def _topic(advice: Advice) -> str:
    """Return the measure that an advice id names, without the trees."""
    if len(advice.trees) == 1:
        return advice.id.removesuffix(f"-{advice.trees[0]}")
    return _HASH.sub("", advice.id)


def told_by_tree(
    situation: Situation, advice: Iterable[Advice], verdicts: Mapping[tuple[str, str], Verdict]
) -> dict[WhatAndWho, Told]:
    """Return what each tree is told, by kind and tree.

    Parameters
    ----------
    advice : iterable of Advice
        Alerts among them. Lines on work are left out, since ``verdicts`` says more than three lines.
    verdicts : mapping from (kind of work, tree) to verdict of today
    """
    pieces: dict[WhatAndWho, dict[str, tuple[datetime, datetime]]] = {}
    shade_h: dict[str, float] = {}
    for one in advice:
        if one.kind == "work":
            continue
        for tree in one.trees or ("",):
            pieces.setdefault((one.kind, tree), {})[_topic(one)] = (one.from_utc, one.until_utc)
            if one.kind == "shade" and one.hazard == "heat" and tree:
                shade_h[tree] = max(shade_h.get(tree, 0.0), _sun_h(situation, tree, one.until_utc))
    found = {
        (kind, tree): Told(
            measures,
            litres=_litres(situation, tree) if kind == "water" else 0.0,
            shade_h=shade_h.get(tree, 0.0) if kind == "shade" else 0.0,
        )
        for (kind, tree), measures in pieces.items()
    }
    by_tree: dict[str, dict[str, Verdict]] = {}
    for (work, tree), verdict in verdicts.items():
        by_tree.setdefault(tree, {})[work] = verdict
    found |= {("work", tree): Told(verdicts=works) for tree, works in by_tree.items()}
    return found


def _sun_h(situation: Situation, tree: str, from_utc: datetime) -> float:
    """Hours of direct sun on the tree from ``from_utc`` to the end of the day, as it stands now."""
    exposure = situation.exposure
    if exposure is None or tree not in exposure.tree_ids:
        return 0.0
    end = day_span(situation.holdings.garden, situation.day)[1]
    inside = (exposure.start_utc >= stamp_of(from_utc)) & (exposure.start_utc < stamp_of(end))
    share = exposure.direct_sun_share[exposure.row(tree)][inside]
    return float(reduce_over(share, "sum", minimum_coverage=0.0).value) if share.size else 0.0


def _litres(situation: Situation, tree: str) -> float:
    """Litres that the pot is given at today's watering times still to come."""
    exposure = situation.exposure
    if exposure is None or tree not in exposure.tree_ids:
        return 0.0
    end = day_span(situation.holdings.garden, situation.day)[1]
    today = (exposure.slot_utc >= stamp_of(situation.now_utc)) & (exposure.slot_utc < stamp_of(end))
    given = exposure.waterings_l[exposure.row(tree)][today]
    known = given[np.isfinite(given)]
    return float(reduce_over(known, "sum").value) if known.size else 0.0


def differences(
    before: Mapping[WhatAndWho, Told], after: Mapping[WhatAndWho, Told], numbers: NumberTable
) -> Difference:
    """Return in what two mornings differ by more than ``[changed]`` of config/sensitivity.toml."""
    hours = timedelta(hours=numbers.value("changed.hours", "h"))
    share = numbers.value("changed.litres_share", "share")
    trees: dict[str, set[str]] = {}
    counts: dict[str, list[int]] = {}
    nothing = Told()
    litres = shade_h = 0.0
    for kind, tree in sorted({*before, *after}):
        old, new = before.get((kind, tree), nothing), after.get((kind, tree), nothing)
        litres += new.litres - old.litres
        shade_h += new.shade_h - old.shade_h
        held, holds = _measures(old), _measures(new)
        more, fewer = len(holds - held), len(held - holds)
        other = old.verdicts != new.verdicts or any(
            abs(at - was) >= hours
            for measure in old.pieces.keys() & new.pieces.keys()
            for was, at in zip(old.pieces[measure], new.pieces[measure], strict=True)
        )
        other |= abs(new.litres - old.litres) > share * max(new.litres, old.litres)
        if more or fewer or other:
            trees.setdefault(kind, set()).add(tree)
            count = counts.setdefault(kind, [0, 0, 0])
            count[0] += more
            count[1] += fewer
            count[2] += not (more or fewer)
    kinds = {kind: KindChange(frozenset(trees[kind]), *counts[kind]) for kind in trees}
    return Difference(kinds, litres, shade_h)


def _measures(told: Told) -> set[str]:
    return {*told.pieces, *(work for work, verdict in told.verdicts.items() if verdict in _SUITS)}
