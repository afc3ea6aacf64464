"""What happened: the true weather carried to every tree in its own place and state, day by day.

The same exposure, limits and rules as in the advice, but over the weather that came. So this judges the
advice and the warnings, not the physics under them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.frost import judge_night
from advisor.advice.heat import heat_day
from advisor.advice.hours import day_span, night_span, window
from advisor.advice.model import SeasonEnd, Situation
from advisor.exposure.model import Exposure
from advisor.exposure.thermometer import with_corrections
from advisor.garden.practice import practised
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, reduce_over
from advisor.service.judging_states import exposure_through, states_through
from advisor.store.replayed_folder import Replayed
from advisor.weather.days import local_day_of
from advisor.weather.table import TimeArray, stamp_of

__all__ = ["HazardTruth", "Truth", "work_out_truth"]

BoolArray = NDArray[np.bool_]
BEFORE_DAYS = 15
"""Days worked out before the first judged one: the heat that trees are used to."""
_HOUR = np.timedelta64(3600, "s")


@dataclass(frozen=True, slots=True)
class HazardTruth:
    """One hazard over D days (frost: nights, by the day on which they begin) and T trees.

    Attributes
    ----------
    harm : float array, shape (D, T)
        1 where the tree was harmed by its own limits, 0 where not, NaN where it cannot be told.
    margin_k : float array, shape (D, T)
        How far beyond the limits.
    begins_utc : datetime64 array, shape (D, T)
        First hour of harm; NaT without.
    extreme_c : float array, shape (D,)
        Highest (frost: lowest) screen air temperature; NaN below the wanted coverage.
    """

    harm: FloatArray
    margin_k: FloatArray
    begins_utc: TimeArray
    extreme_c: FloatArray


@dataclass(frozen=True, slots=True)
class Truth:
    """What happened in the garden of one replay.

    Attributes
    ----------
    days : judged local days, length D.
    exposure : of the true weather, every tree in its own place and state; it begins before the first day.
    moments : rows of the exposure from which on ``states`` hold.
    """

    replayed: Replayed
    tables: Tables
    days: tuple[date, ...]
    exposure: Exposure
    moments: tuple[int, ...]
    states: tuple[Mapping[str, TreeState], ...]
    heat: HazardTruth
    frost: HazardTruth

    def states_at(self, at_utc: datetime) -> Mapping[str, TreeState]:
        """States that held at an instant."""
        row = int((stamp_of(at_utc) - self.exposure.start_utc[0]) // _HOUR)
        return self.states[max(bisect_right(self.moments, row) - 1, 0)]

    def noon_states(self, day: date) -> list[TreeState]:
        """States at noon of a local day, in the order of the exposure."""
        begin, end = day_span(self.replayed.holdings.garden, day)
        found = self.states_at(begin + (end - begin) / 2)
        return [found[tree] for tree in self.exposure.tree_ids]

    def rows(self, from_utc: datetime, until_utc: datetime) -> slice:
        """Rows of the exposure that start within a span."""
        origin, hours = self.exposure.start_utc[0], self.exposure.start_utc.size
        first, last = (-int((origin - stamp_of(at)) // _HOUR) for at in (from_utc, until_utc))
        return slice(min(max(first, 0), hours), min(max(last, 0), hours))

    def situation(self, states: Mapping[str, TreeState], after_utc: datetime) -> Situation:
        """The situation in which rules look back on what was."""
        return _situation(self.replayed, self.tables, self.exposure, states, after_utc)


def work_out_truth(replayed: Replayed, tables: Tables) -> Truth:
    """Carry the true weather to the trees, in places as thermometers have them, and hold it to their limits.

    Parameters
    ----------
    replayed : Replayed
    tables : Tables
        As loaded; they are read by the garden's own practice, as for the advice.
    """
    garden, days = replayed.holdings.garden, replayed.days
    tables = practised(tables, garden.practice)
    known_utc = day_span(garden, days[-1])[1]
    holdings = with_corrections(replayed.holdings, replayed.weather, tables, known_utc)
    replayed = replace(replayed, holdings=holdings)
    begin = day_span(garden, days[0] - timedelta(days=BEFORE_DAYS))[0]
    end = night_span(garden, days[-1])[1]
    weather = replayed.weather
    first, last = max(weather.index_at(begin), 0), min(max(weather.index_at(end), 0), weather.hours)
    span = weather.between(first, max(last, first + 1))
    moments, states = states_through(replayed, tables, span)
    exposure = exposure_through(replayed, tables, span, moments, states)
    nothing = np.zeros((0, 0))
    empty = HazardTruth(nothing, nothing, nothing.astype("datetime64[s]"), np.zeros(0))
    truth = Truth(replayed, tables, days, exposure, moments, states, empty, empty)
    return replace(truth, heat=_heat(truth), frost=_frost(truth))


def _situation(
    replayed: Replayed,
    tables: Tables,
    exposure: Exposure,
    states: Mapping[str, TreeState],
    after_utc: datetime,
) -> Situation:
    zone = replayed.holdings.garden.zone
    return Situation(
        now_utc=after_utc,
        day=local_day_of(after_utc, zone),
        holdings=replayed.holdings,
        tables=tables,
        states=states,
        weather=replayed.weather,
        exposure=exposure,
        members=None,
        caution=replayed.settings.caution,
        season_end=SeasonEnd(None, "none", "", ""),
        weather_age_h=None,
    )


# --- hazards -----------------------------------------------------------------------------------------------


def _harm(margin_k: FloatArray) -> FloatArray:
    return np.where(np.isnan(margin_k), np.nan, (margin_k >= 0.0).astype(np.float64))


def _extreme(truth: Truth, span: tuple[datetime, datetime], *, highest: bool) -> float:
    weather = truth.replayed.weather
    air = window(weather.start_utc, weather.value("air_temperature_c"), *span)
    coverage = truth.tables.limits.value("chance.coverage_share", "share")
    return float(reduce_over(air, "max" if highest else "min", minimum_coverage=coverage).value)


def _heat(truth: Truth) -> HazardTruth:
    garden, trees = truth.replayed.holdings.garden, len(truth.exposure.tree_ids)
    margin = np.full((len(truth.days), trees), np.nan)
    begins = np.full(margin.shape, np.datetime64("NaT", "s"))
    extreme = np.full(len(truth.days), np.nan)
    for row, day in enumerate(truth.days):
        span = day_span(garden, day)
        states = truth.states_at(span[0] + (span[1] - span[0]) / 2)
        judged = heat_day(truth.situation(states, span[1] + timedelta(hours=1)), day)
        margin[row] = judged.margin_k
        for tree, at in enumerate(judged.starts_utc):
            if at is not None and judged.margin_k[tree] >= 0.0:
                begins[row, tree] = stamp_of(at)
        extreme[row] = _extreme(truth, span, highest=True)
    return HazardTruth(_harm(margin), margin, begins, extreme)


def _frost(truth: Truth) -> HazardTruth:
    garden, exposure = truth.replayed.holdings.garden, truth.exposure
    margin = np.full((len(truth.days), len(exposure.tree_ids)), np.nan)
    begins = np.full(margin.shape, np.datetime64("NaT", "s"))
    extreme = np.full(len(truth.days), np.nan)
    for row, eve in enumerate(truth.days):
        span = night_span(garden, eve)
        states = truth.states_at(day_span(garden, eve)[1])
        night = judge_night(truth.situation(states, span[1].astimezone(UTC)), eve)
        both = np.fmax(night.shoot_margin_k, night.root_margin_k)
        margin[row] = np.where(night.unknown & ~(both >= 0.0), np.nan, both)
        extreme[row] = _extreme(truth, span, highest=False)
        if not (both >= 0.0).any():
            continue
        bench = window(exposure.start_utc, exposure.bench_temperature_c, *span)
        roots = np.fmin(
            window(exposure.start_utc, exposure.pot_core_c, *span),
            window(exposure.start_utc, exposure.pot_rim_shaded_c, *span),
        )
        for tree in np.flatnonzero(both >= 0.0):
            needs = states[exposure.tree_ids[tree]].needs
            cold = np.zeros(bench.shape[-1], dtype=bool)
            with np.errstate(invalid="ignore"):
                if needs.frost_limit_c is not None:
                    cold |= bench[tree] <= needs.frost_limit_c.value
                if needs.root_limit_c is not None:
                    cold |= roots[tree] <= needs.root_limit_c.value
            begins[row, tree] = stamp_of(span[0]) + int(np.argmax(cold)) * _HOUR
    return HazardTruth(_harm(margin), margin, begins, extreme)
