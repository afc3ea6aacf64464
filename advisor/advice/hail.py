"""Thunder and hail: hail only where the source's weather code may be read as hail."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from advisor.advice.grouping import advice_id, bench_order, names
from advisor.advice.hours import day_and_clock, hour_at, this_hour, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.places import is_confirmed

__all__ = ["HailSpell", "hail_advice", "hail_measure", "hail_spell", "hail_trees"]

THUNDERSTORM = 95.0
THUNDER_WITH_HAIL = (96.0, 99.0)
"""Codes of present weather: thunderstorm; with hail. Source: WMO-No. 306, table 4677."""


@dataclass(frozen=True, slots=True)
class HailSpell:
    """First and last hour of thunder in a span, and whether the source names hail in it."""

    from_utc: datetime
    until_utc: datetime
    code: float
    hail: bool


def hail_spell(situation: Situation, from_utc: datetime) -> HailSpell | None:
    """Return the first thunder of the hours ahead, or None. Hail only where the source's code may say so."""
    weather = situation.weather
    if weather is None:
        return None
    end = from_utc + timedelta(hours=situation.tables.limits.value("hail.look_h", "h"))
    codes = window(weather.start_utc, weather.value("weather_code"), from_utc, end)
    hail_rows = np.flatnonzero(np.isin(codes, THUNDER_WITH_HAIL))
    named = weather.provenance.model_names_hail and hail_rows.size > 0
    rows = hail_rows if named else np.flatnonzero(np.isin(codes, (THUNDERSTORM, *THUNDER_WITH_HAIL)))
    if not rows.size:
        return None
    first, last = int(rows[0]), int(rows[-1])
    return HailSpell(
        hour_at(weather.start_utc, from_utc, first),
        hour_at(weather.start_utc, from_utc, last + 1),
        float(codes[first]),
        named,
    )


def hail_measure(situation: Situation, spell: HailSpell, trees: Sequence[str], kind: str) -> Advice:
    """Return the measure before hail, as advice or as part of an alert."""
    limits = situation.tables.limits
    ordered = bench_order(situation, trees)
    low, high = limits.value("hail.mesh_low_mm", "mm"), limits.value("hail.mesh_high_mm", "mm")
    return Advice(
        advice_id("shelter-hail" if kind == "shelter" else "alert-hail", ordered),
        "shelter" if kind == "shelter" else "alert",
        "today",
        ordered,
        f"Bring {names(situation, ordered)} under a roof, or a mesh of {low:.0f} to {high:.0f} mm "
        "over them, before "
        f"{day_and_clock(situation, spell.from_utc)}: hail is forecast until "
        f"{day_and_clock(situation, spell.until_utc)}",
        situation.now_utc,
        max(spell.until_utc, situation.now_utc),
        (
            Reason(
                "weather code of the forecast",
                spell.code,
                "1",
                THUNDER_WITH_HAIL[0],
                spell.from_utc,
                "thunderstorm with hail",
                "published: WMO-No. 306, table 4677",
            ),
        ),
        sure="possible: hail is local and seldom where it is forecast",
        changes_if="official warnings and a look at the sky",
        hazard="hail",
    )


def hail_trees(situation: Situation) -> list[str]:
    """Trees with leaves to lose that stand without a roof and are not confirmed safe."""
    roof = situation.tables.limits.value("gale.roof_level", "count")
    found = []
    for tree, state in situation.states.items():
        place = situation.holdings.places.get(state.place_id)
        roofed = place is not None and place.shelter_level >= roof
        leafy = state.sun_leaf_share > 0.0 and (
            state.stage.stage.in_leaf
            or state.stage.stage.tender
            or state.group.habit.startswith(("evergreen", "tropical"))
        )
        if leafy and not roofed and not is_confirmed(situation, "hail", tree):
            found.append(tree)
    return found


def hail_advice(situation: Situation, of: Collection[str] | None = None) -> list[Advice]:
    """Hail where it is named; thunder as a note. ``of``: only for these trees."""
    spell = hail_spell(situation, this_hour(situation))
    trees = [tree for tree in hail_trees(situation) if of is None or tree in of]
    if spell is None or not trees:
        return []
    if spell.hail:
        return [hail_measure(situation, spell, trees, "shelter")]
    ordered = bench_order(situation, trees)
    return [
        Advice(
            "shelter-thunder",
            "shelter",
            "note",
            ordered,
            f"Thunder possible from {day_and_clock(situation, spell.from_utc)}: sudden gusts, perhaps hail; "
            "stay away from ladders and metal frames",
            situation.now_utc,
            max(spell.until_utc, situation.now_utc),
            (
                Reason(
                    "weather code of the forecast",
                    spell.code,
                    "1",
                    THUNDERSTORM,
                    spell.from_utc,
                    "thunderstorm",
                    "published: WMO-No. 306, table 4677",
                ),
            ),
            sure="possible: thunder is local",
            changes_if="official warnings and a look at the sky",
            hazard="hail",
        )
    ]
