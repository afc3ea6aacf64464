"""Pots that run empty between two watering times, even watered through at the first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from advisor.advice.grouping import advice_id, bench_order, listed, names
from advisor.advice.hours import clock, day_and_clock, day_span
from advisor.advice.model import Advice, Reason, Situation
from advisor.exposure.model import Exposure
from advisor.weather.table import stamp_of, utc_of

__all__ = ["short_lived"]

_HOUR = np.timedelta64(3600, "s")


def short_lived(situation: Situation, exposure: Exposure, trees: Sequence[str]) -> list[Advice]:
    """Name the pots that run all but empty between two of today's watering times although full.

    More water does not help them, only a look in between, less sun, or a tray of water to stand in. Those
    that run empty within the last hour before the next time are left to it.
    """
    limits = situation.tables.limits
    limit = limits.value("water.gone_share", "share")
    full = 1.0 - limits.value("water.least_share", "share")
    slack = timedelta(hours=limits.value("water.first_h", "h"))
    end = day_span(situation.holdings.garden, situation.day)[1]
    fails: dict[str, tuple[datetime, datetime, datetime]] = {}
    slots = [utc_of(stamp) for stamp in exposure.slot_utc]
    for column, at in enumerate(slots):
        if at >= end:
            break
        until = slots[column + 1] if column + 1 < len(slots) else None
        if until is None:
            break
        inside = (exposure.start_utc >= stamp_of(at)) & (exposure.start_utc < stamp_of(until - slack))
        for tree in trees:
            row = exposure.row(tree)
            if tree in fails or not (
                exposure.waterings_l[row, column] > 0.0 or _full(exposure, row, at, full)
            ):
                continue
            dry = np.flatnonzero(inside & (exposure.water_left_share[row] <= limit))
            if dry.size:
                fails[tree] = (utc_of(exposure.start_utc[dry[0]]), at, until)
    if not fails:
        return []
    ordered = bench_order(situation, fails)
    soonest = min(fails, key=lambda tree: fails[tree][0])
    _, after, until = fails[soonest]
    garden = situation.holdings.garden
    by = listed(sorted({clock(garden, fails[tree][0]) for tree in ordered}))
    text = (
        f"Stand {names(situation, ordered)} in shade or in a shallow tray of water from "
        f"{day_and_clock(situation, after)} to {clock(garden, until)}, or water once more by {by}: "
        "even watered through, the pot does not last until the next watering time"
    )
    reasons = tuple(
        Reason(
            f"water left in {situation.states[tree].tree.name} after watering at "
            f"{clock(garden, fails[tree][1])}",
            float(exposure.water_left_share[exposure.row(tree)][_row(exposure, fails[tree][0])]),
            "share",
            limit,
            fails[tree][0],
            "its small pot for so much leaf",
            limits.source("water.gone_share"),
        )
        for tree in sorted(ordered, key=lambda tree: fails[tree][0])
    )
    return [
        Advice(
            advice_id("water-between", ordered),
            "water",
            "today",
            ordered,
            text,
            after,
            until,
            reasons,
            sure="by the pot balance",
            changes_if="a larger pot, another watering time, or a cloudier day",
            hazard="dry",
        )
    ]


def _full(exposure: Exposure, row: int, at_utc: datetime, full_share: float) -> bool:
    """True where a pot is so full at a time that watering would gain nothing."""
    before = _row(exposure, at_utc) - 1
    return 0 <= before < exposure.start_utc.size and bool(
        exposure.water_left_share[row, before] >= full_share
    )


def _row(exposure: Exposure, at_utc: datetime) -> int:
    return int((stamp_of(at_utc) - exposure.start_utc[0]) // _HOUR)
