"""What fell and what is to come, and how much of it reaches the pots under their crowns."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from advisor.advice.grouping import bench_order, say
from advisor.advice.hours import day_and_clock, day_span, this_hour, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.exposure.model import Exposure
from advisor.exposure.places import Spot, spot_traits
from advisor.physics.missing import reduce_over

__all__ = ["rain_note"]


def rain_note(situation: Situation, exposure: Exposure) -> list[Advice]:
    """What fell and what is to come: how much of it reaches the pots."""
    weather, limits, garden = situation.weather, situation.tables.limits, situation.holdings.garden
    if weather is None:
        return []
    under_sky = {
        place.id
        for place in situation.holdings.places.values()
        if not spot_traits([Spot(place)], situation.tables).roofed[0, 0]
    }
    trees = bench_order(
        situation, [tree for tree in exposure.tree_ids if situation.states[tree].place_id in under_sky]
    )
    if not trees:
        return []
    now = this_hour(situation)
    end = day_span(garden, situation.day)[1]
    back = now - timedelta(hours=limits.value("water.rain_back_h", "h"))

    def rain(span: tuple[datetime, datetime]) -> tuple[float, float, float]:
        rows = [exposure.row(tree) for tree in trees]
        total = window(weather.start_utc, weather.value("rain_mm"), *span)
        reached = window(exposure.start_utc, exposure.rain_reaching_pot_mm[rows], *span)
        sums = reduce_over(reached, "sum", minimum_coverage=0.0).value
        fell = float(reduce_over(total, "sum", minimum_coverage=0.0).value)
        return fell, float(np.nanmin(sums, initial=np.inf)), float(np.nanmax(sums, initial=-np.inf))

    unknown = _unknown(situation, trees, back, end)
    parts, reasons = [], []
    for span, least, word in (
        ((back, now), limits.value("water.rain_told_mm", "mm"), "fell"),
        ((now, end), limits.value("water.rain_ahead_mm", "mm"), "expected today"),
    ):
        if span[0] >= span[1]:
            continue
        fell, low, high = rain(span)
        if not fell >= least or not np.isfinite(low):
            continue
        some = say(situation, high, "mm")
        if high - low >= 1.0:
            some = f"{say(situation, low, 'mm').split()[0]} to {some}"
        parts.append(f"{say(situation, fell, 'mm')} {word}, assume {some} reach the pots")
        reasons.append(
            Reason(
                f"rain {word}, part that reaches the pots",
                high,
                "mm",
                fell,
                span[1],
                "crowns over the pots",
                situation.tables.physics.source("rain.crown_storage_mm"),
            )
        )
    if not parts:
        return unknown
    return [
        *unknown,
        Advice(
            "water-rain",
            "water",
            "note",
            trees,
            f"Still check under the crowns in spite of the rain: {'; '.join(parts)}",
            situation.now_utc,
            end,
            tuple(reasons),
            sure="a rough share; crowns differ",
            changes_if="a look at the pots",
        ),
    ]


def _unknown(
    situation: Situation, trees: Sequence[str], from_utc: datetime, until_utc: datetime
) -> list[Advice]:
    """Say that pots were reckoned without rain, where too few hours of it are known."""
    weather, limits = situation.weather, situation.tables.limits
    if weather is None or from_utc >= until_utc:
        return []
    hours = window(weather.start_utc, weather.value("rain_mm"), from_utc, until_utc)
    wanted = limits.value("chance.coverage_share", "share")
    known = float(np.isfinite(hours).mean()) if hours.size else 0.0
    if known >= wanted:
        return []
    lacking = int(np.isnan(hours).sum())
    return [
        Advice(
            "water-rain-unknown",
            "water",
            "note",
            tuple(trees),
            f"Look into the pots under the open sky before watering: rain not known in {lacking} h from "
            f"{day_and_clock(situation, from_utc)} on, reckoned as none",
            situation.now_utc,
            until_utc,
            (
                Reason(
                    "hours of rain known",
                    known,
                    "share",
                    wanted,
                    None,
                    "the weather at hand",
                    limits.source("chance.coverage_share"),
                ),
            ),
            sure="cannot tell",
            changes_if="the next weather that arrives",
        )
    ]
