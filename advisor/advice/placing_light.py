"""Light to grow by: how much full sun each place gives on the coming days, and what a tree in leaf lacks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from advisor.advice.heat import sun_is_on
from advisor.advice.hours import day_span, window
from advisor.advice.model import Situation
from advisor.exposure.places import Spot, place_sun, spot_traits, sun_of
from advisor.garden.model import Place
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over

__all__ = ["Light", "Wanted", "full_sun", "sun_wanted"]

FloatArray = NDArray[np.float64]
BARRING = "bare", "tender"
HARDENING = "hardening"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Hours of full sun a day that a tree in leaf wants, whose wish that is and who says so.

    ``dense_share``: under a net or roof of this share and more, sun is no full sun to this tree.
    """

    hours: float
    set_by: str
    source: str
    dense_share: float


@dataclass(frozen=True, slots=True)
class Light:
    """Hours of full sun on each coming day.

    Attributes
    ----------
    by_place : mapping of place id to float array, shape (D,)
        After horizon, cloud, net and roof; NaN unknown.
    best : float array, shape (D,)
        What the sunniest place gives.
    shade : mapping of place id to float
        Share of the sun that the place takes away.
    grows : float array, shape (D,)
        1 on days warm enough to grow, else 0; 0 where unknown.
    """

    by_place: Mapping[str, FloatArray]
    best: FloatArray
    shade: Mapping[str, float]
    grows: FloatArray

    def sun_h(self, wanted: Wanted, place_id: str, extra_shade: float) -> FloatArray:
        """Hours of full sun on each day that count for a tree there, shape (D,); NaN unknown."""
        shaded = 1.0 - (1.0 - self.shade[place_id]) * (1.0 - extra_shade)
        counts = 0.0 if shaded >= wanted.dense_share - 1e-9 else 1.0 - extra_shade
        return self.by_place[place_id] * counts

    def lack_h(self, wanted: Wanted | None, place_id: str, extra_shade: float) -> float:
        """Hours of full sun that a tree lacks there over the coming days; 0 where unknown."""
        if wanted is None:
            return 0.0
        has = self.sun_h(wanted, place_id, extra_shade)
        lack = np.clip(np.minimum(wanted.hours, self.best) - has, 0.0, None)
        return float(np.nansum(lack * self.grows))


def sun_wanted(situation: Situation, state: TreeState) -> Wanted | None:
    """Return the sun that a tree wants to grow by; None without leaves and for states that want shade."""
    limits, needs = situation.tables.limits, state.needs
    evergreen = state.group.habit.startswith(("evergreen", "tropical"))
    if state.sun_leaf_share <= 0.0 or not (state.stage.stage.in_leaf or evergreen):
        return None
    if needs.shade_share is not None or needs.sun_until_solar_h is not None:
        return None
    if any(set(BARRING) & flag.rule.keeps for flag in state.flags) or state.flag(HARDENING) is not None:
        return None
    lover = "sun-lover" in state.group.marks
    row = "placing.sun_lover_h" if lover else "placing.usual_sun_h"
    dense = limits.value("shade.deep_share", "share") if lover else np.inf
    hours = limits.value(row, "h")
    if needs.direct_sun_h is not None:
        hours = min(hours, needs.direct_sun_h.value)
    return Wanted(hours, state.group.name, limits.source(row), dense)


def full_sun(situation: Situation, places: Sequence[Place], days: Sequence[date]) -> Light | None:
    """Return the sun of the coming days in each place; None without weather."""
    weather, garden, tables = situation.weather, situation.holdings.garden, situation.tables
    if weather is None or not weather.hours or not places:
        return None
    begin, end = day_span(garden, days[0])[0], day_span(garden, days[-1])[1]
    near = weather.between(weather.index_at(begin), weather.index_at(end))
    if not near.hours:
        return None
    sun = sun_of(near, garden, tables)
    beam = near.value("shortwave_w_m2") - near.value("diffuse_w_m2")
    on = sun_is_on(situation, beam, sun.elevation_deg.mean(axis=-1))
    spots = [Spot(place) for place in places]
    traits = spot_traits(spots, tables)
    hourly = place_sun(spots, traits, sun).direct_share * traits.beam_share * on
    coverage = tables.limits.value("chance.coverage_share", "share")

    def each_day(values: FloatArray, how: str) -> FloatArray:
        cut = [window(near.start_utc, values, *day_span(garden, day)) for day in days]
        return np.array(
            [
                reduce_over(one, "max" if how == "max" else "sum", minimum_coverage=coverage).value
                for one in cut
            ]
        )

    hours = each_day(hourly, "sum").T
    warmest = each_day(near.value("air_temperature_c"), "max")
    with np.errstate(invalid="ignore"):
        grows = warmest >= tables.limits.value("placing.grow_from_c", "degC")
    best = np.max(hours, axis=0, initial=0.0, where=np.isfinite(hours))
    return Light(
        {place.id: hours[row] for row, place in enumerate(places)},
        best,
        {place.id: place.shade_fraction for place in places},
        grows.astype(np.float64),
    )
