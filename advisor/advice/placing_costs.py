"""What each option would cost each tree over the coming days, in hours of harm by its own limits.

Hours are expected ones: each hour beyond a limit counts by its chance, so that a tenth of a kelvin more or
less changes a cost by little. Hazards of the day (heat, sun beyond what the state allows, a hot ball) make a
tree leave its place. Those it is carried in for when they come (cold nights, gales, long rain) do not, but
of two places the one that spares them is the better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_spread, spread_k
from advisor.advice.frost import judge_night
from advisor.advice.gale import judge_wind
from advisor.advice.heat import day_margin, heat_hours, heat_limits, rolling_margin
from advisor.advice.hours import day_span, this_hour, window
from advisor.advice.model import Situation
from advisor.advice.sunburn import SunBeyond, sun_beyond
from advisor.advice.wet import drinks_little
from advisor.exposure.model import Exposure
from advisor.physics.missing import reduce_over

__all__ = ["Harm", "harm_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Harm:
    """What the doubles of a situation would meet; arrays over the doubles.

    Attributes
    ----------
    leaf_h : expected hours of heat or of sun beyond what the state allows, all days together; NaN unknown.
    weighed_h : the same, each hour weighed by how far it lies beyond the limit.
    worst_k : how far the worst run of hours lies beyond the limits [K]; minus infinity without sun.
    pot_h : expected hours of a ball too hot, all days together.
    danger_d : days on which the tree would be in danger.
    first_danger : in danger on the first day.
    passing_h : cold nights, gales and wet days, in hours of harm.
    days : number of days looked at.
    """

    leaf_h: FloatArray
    weighed_h: FloatArray
    worst_k: FloatArray
    pot_h: FloatArray
    danger_d: FloatArray
    first_danger: BoolArray
    passing_h: FloatArray
    days: int


def harm_of(situation: Situation, doubles: Situation, owner: Sequence[str], days: Sequence[date]) -> Harm:
    """Work out what the doubles would meet over some days.

    Parameters
    ----------
    situation : Situation
        As it is now: how used to heat the trees are.
    doubles : Situation
        From ``placing_elsewhere.elsewhere``.
    owner : sequence of str
        The tree of each double, in the order of the doubles' exposure.
    days : sequence of date
        Local days, the first one today or later.
    """
    own, exposure = situation.exposure, doubles.exposure
    assert own is not None  # noqa: S101 - placing asks only with an exposure
    assert exposure is not None  # noqa: S101
    rows = [own.row(tree) for tree in owner]
    count, limits = len(rows), situation.tables.limits
    leaf, weighed, pot, danger_days = (np.zeros(count) for _ in range(4))
    worst = np.full(count, -np.inf)
    first = np.zeros(count, dtype=bool)
    for number, day in enumerate(days):
        span = _from_now(situation, day)
        used = day_margin(situation, day)[1][rows]
        gain = np.where(used, limits.value("heat.earlier_k", "K"), 0.0)
        margin = _heat_margin(doubles, exposure, span) + gain[:, np.newaxis]
        spread = _spread(situation, span)
        heat = by_spread(margin, spread)
        beyond = _beyond(doubles, exposure, day, margin.shape[-1])
        with np.errstate(invalid="ignore"):
            danger = by_spread(margin.max(axis=-1), spread) >= act_at(situation)
            danger |= beyond.sum(axis=-1) >= limits.value("shade.excess_h", "h")
        leaf = leaf + np.maximum(heat, beyond).sum(axis=-1)
        weighed = weighed + np.maximum(heat * _weight(situation, margin), beyond).sum(axis=-1)
        worst = np.fmax(worst, margin.max(axis=-1))
        pot = pot + _hot_ball(situation, exposure, span)
        danger_days = danger_days + danger
        first |= danger & (number == 0)
    passing = _cold(doubles, days) + _wet(doubles, exposure, days)
    if days[0] == situation.day:
        passing = passing + _blow(doubles)
    return Harm(leaf, weighed, worst, pot, danger_days, first, passing, len(days))


def _from_now(situation: Situation, day: date) -> tuple[datetime, datetime]:
    begin, end = day_span(situation.holdings.garden, day)
    return max(begin, this_hour(situation)), end


def _spread(situation: Situation, span: tuple[datetime, datetime]) -> float:
    return spread_k(situation, span[0] + (span[1] - span[0]) / 2)


def _heat_margin(doubles: Situation, exposure: Exposure, span: tuple[datetime, datetime]) -> FloatArray:
    """How far the worst run that each hour is part of lies beyond the limits [K]; NaN unknown."""
    numbers = doubles.tables.limits
    states = [doubles.states[tree] for tree in exposure.tree_ids]
    limits = doubles.once("heat_limits", lambda: heat_limits(doubles, states))
    hours = heat_hours(doubles, exposure, limits, span)
    coverage = numbers.value("chance.coverage_share", "share") - 1e-9
    full = hours.known >= coverage
    known = full | (hours.air_known >= coverage)
    hourly = np.where(full[:, np.newaxis], hours.margin, hours.air_margin)
    runs = rolling_margin(hourly, numbers.value("heat.run_h", "h"))
    return np.where(known[:, np.newaxis], _within_runs(runs, hourly.shape[-1]), np.nan)


def _weight(situation: Situation, margin_k: FloatArray) -> FloatArray:
    """How much an hour counts by how far it lies beyond the limit: twice for every so many kelvin."""
    get = situation.tables.limits.value
    doubled = margin_k / get("placing.double_k", "K")
    return np.asarray(2.0 ** np.clip(doubled, 0.0, get("placing.most_doubled", "count")))


def _within_runs(runs: FloatArray, hours: int) -> FloatArray:
    """Margin of the worst run that each hour is part of, shape (..., n - run + 1) to (..., n)."""
    run = hours - runs.shape[-1] + 1
    ends = np.full((*runs.shape[:-1], run - 1), -np.inf)
    padded = np.concatenate([ends, runs, ends], axis=-1)
    found: FloatArray = np.lib.stride_tricks.sliding_window_view(padded, run, axis=-1).max(axis=-1)
    return found


def _beyond(doubles: Situation, exposure: Exposure, day: date, hours: int) -> FloatArray:
    """Share of each of the last ``hours`` of a day with sun beyond what a state allows; NaN unknown."""
    found = np.zeros((len(exposure.tree_ids), hours))
    for row, tree in enumerate(exposure.tree_ids):
        sun = sun_beyond(doubles, tree, day)
        if isinstance(sun, SunBeyond):
            found[row] = sun.beyond[sun.beyond.size - hours :]
        elif sun is None:
            found[row] = np.nan
    return found


def _hot_ball(situation: Situation, exposure: Exposure, span: tuple[datetime, datetime]) -> FloatArray:
    core = window(exposure.start_utc, exposure.pot_core_c, *span)
    over = core - situation.tables.limits.value("pot.core_c", "degC")
    chance = by_spread(np.where(np.isnan(over), -np.inf, over), _spread(situation, span))
    return np.asarray(chance.sum(axis=-1))


# --- hazards that trees are carried in for ---------------------------------------------------------------


def _cold(doubles: Situation, days: Sequence[date]) -> FloatArray:
    each = doubles.tables.limits.value("placing.night_h", "h")
    found = np.zeros(len(doubles.states))
    for day in days:
        night = judge_night(doubles, day)
        worse = np.fmax(night.shoot_chance, night.root_chance)
        found = found + np.nan_to_num(worse) * each
    return found


def _blow(doubles: Situation) -> FloatArray:
    limits, begin = doubles.tables.limits, this_hour(doubles)
    blow = judge_wind(doubles, begin, begin + timedelta(hours=limits.value("gale.look_h", "h")))
    chance = np.fmax(np.nan_to_num(blow.tatter_chance), np.nan_to_num(blow.fall_chance))
    return chance * limits.value("placing.blow_h", "h")


def _wet(doubles: Situation, exposure: Exposure, days: Sequence[date]) -> FloatArray:
    limits = doubles.tables.limits
    little = np.array([drinks_little(doubles, doubles.states[tree]) for tree in exposure.tree_ids])
    wet = np.zeros(little.size)
    for day in days:
        rain = window(
            exposure.start_utc, exposure.rain_reaching_pot_mm, *day_span(doubles.holdings.garden, day)
        )
        total = reduce_over(rain, "sum", minimum_coverage=0.0).value
        with np.errstate(invalid="ignore"):
            wet += total >= limits.value("wet.day_mm", "mm")
    return np.where(little, wet * limits.value("placing.wet_h", "h"), 0.0)
