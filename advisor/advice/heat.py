"""Heat harm by tree and day: sun together with a hot leaf or dry air for hours, by the tree's own limits.

The margin of a day is the largest number of kelvin by which a run of hours stands above the limits, so
that hotter weather can only raise it. It is negative on harmless days and minus infinity without sun.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import partial
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_members, by_spread, spread_k
from advisor.advice.hours import WholeDays, day_span, hours_at, local_day, this_hour, whole_days, window
from advisor.advice.model import Situation
from advisor.exposure.model import Exposure
from advisor.garden.state_model import Need, TreeState
from advisor.physics.missing import reduce_over, reduce_stretches

__all__ = [
    "HeatDay",
    "HeatHours",
    "HeatLimits",
    "daily_maximum_c",
    "day_danger",
    "day_margin",
    "heat_day",
    "heat_hours",
    "heat_limits",
    "net_share",
    "past_harm",
    "rolling_margin",
    "sun_is_on",
    "take_over_days",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TimeArray = NDArray[np.datetime64]


@dataclass(frozen=True, slots=True)
class HeatDay:
    """Heat on one local day; every array is over the trees of the exposure.

    Attributes
    ----------
    margin_k : how far the worst run of hours stands above the limits [K]; NaN where it cannot be told.
    chance : of harm, 0..1; NaN where it cannot be told.
    danger : chance at or above the grower's threshold; False where unknown.
    starts_utc : first hour of harm, or of the worst run.
    leaf_max_c, vpd_max_kpa, air_max_c : in the sun, NaN without.
    by_air : judged by air temperature only, since leaf or dryness of the air is missing.
    not_used : limits count earlier, since the days before were cool.
    left_only : judged by what is left of today, since the hours before now are not known.
    """

    day: date
    margin_k: FloatArray
    chance: FloatArray
    danger: BoolArray
    starts_utc: tuple[datetime | None, ...]
    leaf_max_c: FloatArray
    vpd_max_kpa: FloatArray
    air_max_c: FloatArray
    by_air: BoolArray
    not_used: BoolArray
    left_only: BoolArray


def net_share(situation: Situation, state: TreeState) -> float:
    """Share of sun that nets and roofs over a tree take away, 0..1."""
    place = situation.holdings.places.get(state.place_id)
    kept = 1.0 if place is None else 1.0 - place.shade_fraction
    return 1.0 - kept * (1.0 - state.extra_shade)


def sun_is_on(situation: Situation, beam_w_m2: FloatArray, elevation_deg: FloatArray) -> FloatArray:
    """1 where the direct beam counts as sunshine, 0 where not, NaN where unknown.

    Parameters
    ----------
    beam_w_m2 : float array, shape (..., n)
        Direct beam on the level.
    elevation_deg : float array, shape (n,)

    Source: WMO-No. 8, sunshine is a beam of 120 W/m2 or more at right angles.
    """
    get = situation.tables.physics.value
    high = elevation_deg > get("sun.lowest_elevation_deg", "deg")
    sine = np.where(high, np.sin(np.radians(np.where(high, elevation_deg, 90.0))), 1.0)
    on = np.where(np.isnan(beam_w_m2), np.nan, beam_w_m2 / sine >= get("sun.beam_limit_w_m2", "W/m2"))
    found: FloatArray = np.where(high, on, np.where(np.isnan(elevation_deg), np.nan, 0.0))
    return found


def rolling_margin(hourly_margin: FloatArray, run_h: float) -> FloatArray:
    """Smallest margin within each run of hours, shape (..., n) to (..., n - run + 1); unknown is -inf."""
    run = max(ceil(run_h), 1)
    known = np.where(np.isnan(hourly_margin), -np.inf, hourly_margin)
    if known.shape[-1] < run:
        return np.full((*known.shape[:-1], 1), -np.inf)
    count = known.shape[-1] - run + 1
    lowest: FloatArray = known[..., :count]
    for later in range(1, run):
        lowest = np.minimum(lowest, known[..., later : later + count])
    return lowest


def daily_maximum_c(situation: Situation, days: list[date]) -> FloatArray:
    """Highest bench temperature of each day, shape (D, T); NaN below the wanted coverage."""
    exposure = situation.exposure
    if exposure is None:
        return np.zeros((len(days), 0))
    known = situation.once("_maxima_c", lambda: _maxima_c(situation, exposure))
    rows = [
        known[day]
        if day in known
        else situation.once(("daily_maximum_c", day), partial(_maximum_c, situation, exposure, day))
        for day in days
    ]
    return np.array(rows, dtype=np.float64).reshape(len(days), len(exposure.tree_ids))


def _maxima_c(situation: Situation, exposure: Exposure) -> Mapping[date, FloatArray]:
    """The answer of ``_maximum_c`` for all days of which each hour is in the table."""
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    days = _whole_days(situation, exposure)
    highest = reduce_stretches(exposure.bench_temperature_c, "max", days.first, days.last, coverage).value
    return dict(zip(days.spans, highest.T, strict=True))


def _whole_days(situation: Situation, exposure: Exposure) -> WholeDays:
    """Return the days that are judged at once: long enough for one run of hours."""
    run_h = situation.tables.limits.value("heat.run_h", "h")
    least_h = max(ceil(run_h), 1)
    return situation.once(
        "_whole_days", lambda: whole_days(situation.holdings.garden, exposure.start_utc, least_h)
    )


def _maximum_c(situation: Situation, exposure: Exposure, day: date) -> FloatArray:
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    span = day_span(situation.holdings.garden, day)
    air = window(exposure.start_utc, exposure.bench_temperature_c, *span)
    return reduce_over(air, "max", minimum_coverage=coverage).value


def _earlier(situation: Situation, days: Sequence[date]) -> BoolArray:
    """True, shape (D, T), for trees whose days before were so cool that limits count earlier.

    ``days`` follow one another.
    """
    limits = situation.tables.limits
    back = round(limits.value("heat.not_used_to_d", "d"))
    found = daily_maximum_c(situation, [days[0] + timedelta(days=n) for n in range(-back, len(days))])
    needed = limits.value("heat.not_used_to_known_d", "d") / back
    fortnights = np.stack([found[n : n + len(days)] for n in range(back)])
    before = reduce_over(fortnights, "mean", axis=0, minimum_coverage=needed).value
    with np.errstate(invalid="ignore"):
        cool: BoolArray = found[back:] - before >= limits.value("heat.not_used_to_k", "K")
    return cool


def _need(need: Need | None) -> float:
    return np.nan if need is None else need.value


@dataclass(frozen=True, slots=True)
class HeatLimits:
    """Limits that hold for each tree today; plus infinity where nothing asks, NaN for unknown air limits."""

    leaf_c: FloatArray
    vpd_kpa: FloatArray
    air_c: FloatArray


def heat_limits(situation: Situation, states: Sequence[TreeState]) -> HeatLimits:
    """Limits of each tree; plus infinity where nothing asks, so that the limit is never reached."""
    numbers = situation.tables.limits
    enough = numbers.value("heat.net_enough_share", "share")
    under_net = numbers.value("heat.vpd_under_net", "1")
    rows = []
    for state in states:
        bare = state.sun_leaf_share <= 0.0
        soft = bare or any({"bare", "tender"} & flag.rule.keeps for flag in state.flags)
        leaf = np.inf if bare else _need(state.needs.leaf_limit_c)
        wanted = state.needs.shade_share
        netted = net_share(situation, state) >= (enough if wanted is None else wanted.value) - 1e-9
        vpd = _need(state.needs.vpd_limit_kpa) * (under_net if netted else 1.0)
        air = state.group.trait("air_caution_c" if soft else "air_protect_c", "degC")
        rows.append((leaf, vpd, np.nan if air is None else air))
    leaf_c, vpd_kpa, air_c = np.array(rows, dtype=np.float64).reshape(len(rows), 3).T
    nothing = np.isnan(leaf_c) & np.isnan(vpd_kpa)
    return HeatLimits(
        np.where(np.isnan(leaf_c), np.inf, leaf_c),
        np.where(np.isnan(vpd_kpa), np.inf, vpd_kpa),
        np.where(nothing, np.nan, air_c),
    )


@dataclass(frozen=True, slots=True)
class HeatHours:
    """Hours of a span; arrays over trees and hours, known shares over trees.

    ``margin`` is how far an hour stands above the limits [K], minus infinity without sun, NaN unknown;
    ``air_margin`` the same by air temperature alone; ``if_sunny`` the same whether there is sun or cloud.
    """

    margin: FloatArray
    known: FloatArray
    air_margin: FloatArray
    air_known: FloatArray
    if_sunny: FloatArray
    sun: FloatArray


@dataclass(frozen=True, slots=True)
class _HeatSeries:
    """All hours of an exposure held against the limits of each tree, to be cut into days.

    ``lit`` is 0 for hours without daylight, of shape (H,); the rest as in ``HeatHours``.
    """

    start_utc: TimeArray
    margin: FloatArray
    air_margin: FloatArray
    if_sunny: FloatArray
    sun: FloatArray
    lit: FloatArray

    def between(self, span: tuple[datetime, datetime]) -> HeatHours:
        """Return the hours of a span; those outside the table are unknown, and could be daylight."""

        def cut(values: FloatArray) -> FloatArray:
            return window(self.start_utc, values, *span)

        margin, air_margin, lit = cut(self.margin), cut(self.air_margin), cut(self.lit) != 0.0
        hours = lit.sum()

        def share(values: FloatArray) -> FloatArray:
            if not hours:
                return np.ones(values.shape[:-1])
            found: FloatArray = (~np.isnan(values) & lit).sum(axis=-1) / hours
            return found

        return HeatHours(
            np.where(lit, margin, -np.inf),
            share(margin),
            air_margin,
            share(air_margin),
            np.where(lit, cut(self.if_sunny), -np.inf),
            cut(self.sun),
        )


def _heat_series(situation: Situation, exposure: Exposure, limits: HeatLimits) -> _HeatSeries:
    elevation = exposure.sun_elevation_deg
    light = elevation > situation.tables.physics.value("sun.lowest_elevation_deg", "deg")
    light |= np.isnan(elevation)
    sun = sun_is_on(situation, exposure.sun_w_m2, elevation)
    rise = situation.tables.limits.value("heat.vpd_rise_kpa", "kPa")

    def above(values: FloatArray, limit: FloatArray, per: float) -> FloatArray:
        column = limit[:, np.newaxis]
        never = np.isinf(column)
        with np.errstate(invalid="ignore"):
            return np.where(never, -np.inf, (values - np.where(never, 0.0, column)) / per)

    leaf = above(exposure.leaf_temperature_c, limits.leaf_c, 1.0)
    vpd = above(exposure.vpd_kpa, limits.vpd_kpa, rise)
    both = np.where(np.isnan(leaf) | np.isnan(vpd), np.nan, np.maximum(leaf, vpd))
    margin = np.where(sun == 0.0, -np.inf, np.where(np.isnan(sun), np.nan, both))
    air = above(exposure.bench_temperature_c, limits.air_c, 1.0)
    air_margin = np.where(sun == 0.0, -np.inf, np.where(light, air, -np.inf))
    return _HeatSeries(exposure.start_utc, margin, air_margin, both, sun, light.astype(np.float64))


def heat_hours(
    situation: Situation, exposure: Exposure, limits: HeatLimits, span: tuple[datetime, datetime]
) -> HeatHours:
    """Hold each hour of a span against the limits of each tree."""
    return _series(situation, exposure, limits).between(span)


def _series(situation: Situation, exposure: Exposure, limits: HeatLimits) -> _HeatSeries:
    asked = ("heat_series", id(exposure), id(limits))
    # the answer holds on to what it was asked of, so that no other object comes to the same ids
    return situation.once(asked, lambda: (_heat_series(situation, exposure, limits), exposure, limits))[0]


def heat_day(situation: Situation, day: date, from_utc: datetime | None = None) -> HeatDay:
    """Judge one local day for every tree of the exposure.

    Parameters
    ----------
    situation : Situation
        With an exposure.
    day : date
        Local day; days of the past are judged by what was, without a chance in between. Today, where too
        little is known of it as a whole, is what is left of it: a source may have no past.
    from_utc : datetime, optional
        Only hours from here on.

    Raises
    ------
    ValueError
        The situation has no exposure.

    Source: sun and (leaf or dry air) for two hours or more, estimates after Hauck et al. 2025 and common
    practice; see config/limits.toml. Checked: tests/advice/test_rule_cases.py.
    """
    exposure = _exposure(situation)
    if from_utc is None and day == situation.day:
        return situation.once(("heat_day", day, None), lambda: _heat_today(situation, exposure))
    return situation.once(("heat_day", day, from_utc), lambda: _heat_day(situation, exposure, day, from_utc))


@dataclass(frozen=True, slots=True)
class _Margins:
    """How one day, or what is left of it, stands against the limits; arrays over the trees."""

    span: tuple[datetime, datetime]
    margin: FloatArray
    if_sunny: FloatArray
    by_air: BoolArray
    earlier: BoolArray
    gain: FloatArray


_OF_DAY = ("margin", "if_sunny", "by_air", "earlier", "gain")
"""Arrays of ``_Margins``, in its order."""


def _margins(situation: Situation, exposure: Exposure, day: date, from_utc: datetime | None) -> _Margins:
    if from_utc is None:
        found = situation.once("_day_margins", partial(_day_margins, situation, exposure)).get(day)
        if found is not None:
            return found
    return situation.once(
        ("_margins", day, from_utc), lambda: _worked_margins(situation, exposure, day, from_utc)
    )


def _worked_margins(
    situation: Situation, exposure: Exposure, day: date, from_utc: datetime | None
) -> _Margins:
    numbers = situation.tables.limits
    span = _span(situation, day, from_utc)
    hours = heat_hours(situation, exposure, _limits(situation, exposure), span)
    coverage = numbers.value("chance.coverage_share", "share") - 1e-9
    run_h = numbers.value("heat.run_h", "h")
    earlier = _earlier(situation, [day])[0]
    gain = np.where(earlier, numbers.value("heat.earlier_k", "K"), 0.0)
    full = hours.known >= coverage
    by_air = ~full & (hours.air_known >= coverage)
    runs = _runs(situation, hours, by_air)
    margin = np.where(full | by_air, runs.max(axis=-1) + gain, np.nan)
    if_sunny = rolling_margin(hours.if_sunny, run_h).max(axis=-1) + gain
    return _Margins(span, margin, if_sunny, by_air, earlier, gain)


def _day_margins(situation: Situation, exposure: Exposure) -> Mapping[date, _Margins]:
    """The answer of ``_worked_margins`` for all days of which each hour is in the table, worked out at once.

    Days that do not follow the ones before, as where a zone skipped one, are left to ``_worked_margins``.
    """
    numbers = situation.tables.limits
    run_h = numbers.value("heat.run_h", "h")
    run = max(ceil(run_h), 1)
    days = _whole_days(situation, exposure)
    names = tuple(days.spans)
    if not names or (names[-1] - names[0]).days + 1 != len(names):
        return {}
    series = _series(situation, exposure, _limits(situation, exposure))
    coverage = numbers.value("chance.coverage_share", "share") - 1e-9
    lit = series.lit != 0.0

    def counted(flags: BoolArray) -> NDArray[np.intp]:
        so_far = np.cumsum(flags, axis=-1, dtype=np.intp)
        return so_far[..., days.last - 1] - so_far[..., days.first] + flags[..., days.first]

    lit_hours = counted(lit)

    def known(values: FloatArray) -> BoolArray:
        share = counted(~np.isnan(values) & lit) / np.maximum(lit_hours, 1)
        return np.asarray((share >= coverage) | (lit_hours == 0))

    def worst(hourly: FloatArray) -> FloatArray:
        runs = rolling_margin(hourly, run_h)
        return reduce_stretches(runs, "max", days.first, days.last - run + 1, minimum_coverage=0.0).value

    earlier = _earlier(situation, names).T
    gain = np.where(earlier, numbers.value("heat.earlier_k", "K"), 0.0)
    full = known(series.margin)
    by_air = np.zeros_like(full) if full.all() else ~full & known(series.air_margin)
    highest = worst(np.where(lit, series.margin, -np.inf))
    if by_air.any():
        highest = np.where(by_air, worst(series.air_margin), highest)
    margin = np.where(full | by_air, highest + gain, np.nan)
    if_sunny = worst(np.where(lit, series.if_sunny, -np.inf)) + gain
    return {
        day: _Margins(span, margin[:, row], if_sunny[:, row], by_air[:, row], earlier[:, row], gain[:, row])
        for row, (day, span) in enumerate(days.spans.items())
    }


def take_over_days(after: Situation, before: Situation, moved: Situation) -> None:
    """Let a situation have the days that were judged at once of another, but for the trees that moved.

    Parameters
    ----------
    after : Situation
        Trees, weather and tables are those of ``before``, and so is all that the trees meet which stay.
    before : Situation
    moved : Situation
        As ``after``, with an exposure of the others alone.

    Raises
    ------
    ValueError
        One of them has no exposure.
    """

    def merged() -> dict[date, _Margins]:
        known, own = (
            one.once("_day_margins", partial(_day_margins, one, _exposure(one))) for one in (before, moved)
        )
        rows = [_exposure(after).row(tree) for tree in _exposure(moved).tree_ids]

        def put(old: NDArray[Any], new: NDArray[Any]) -> NDArray[Any]:
            found = old.copy()
            found[rows] = new
            return found

        return {
            day: _Margins(
                old.span,
                *(put(getattr(old, name), getattr(own[day], name)) for name in _OF_DAY),
            )
            for day, old in known.items()
        }

    after.once("_day_margins", merged)


def _span(situation: Situation, day: date, from_utc: datetime | None) -> tuple[datetime, datetime]:
    begin, end = day_span(situation.holdings.garden, day)
    return (begin if from_utc is None else max(begin, from_utc), end)


def _runs(situation: Situation, hours: HeatHours, by_air: BoolArray) -> FloatArray:
    """Margin of each run of hours, by air temperature alone where the rest is not known."""
    hourly = np.where(by_air[:, np.newaxis], hours.air_margin, hours.margin)
    return rolling_margin(hourly, situation.tables.limits.value("heat.run_h", "h"))


def _limits(situation: Situation, exposure: Exposure) -> HeatLimits:
    states = [situation.states[tree] for tree in exposure.tree_ids]
    return situation.once("heat_limits", lambda: heat_limits(situation, states))


def day_margin(
    situation: Situation, day: date, from_utc: datetime | None = None
) -> tuple[FloatArray, BoolArray]:
    """Return margin [K] of each tree, and whether its limits count earlier, as in ``heat_day``.

    Of today, where too little is known of it, the margin is NaN unless ``from_utc`` asks for what is left.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    found = _margins(situation, _exposure(situation), day, from_utc)
    return found.margin, found.earlier


def past_harm(situation: Situation, day: date) -> FloatArray:
    """Return for each tree 1 where a day of the past harmed it, 0 where not, NaN where unknown.

    The same answer as the chance of ``heat_day``, for those who look at many days and at nothing else.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    return _harmed(_margins(situation, _exposure(situation), day, None).margin)


def day_danger(situation: Situation, day: date) -> tuple[FloatArray, BoolArray]:
    """Return margin [K] and danger of each tree on a day, as in ``heat_day``: for many days.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    exposure = _exposure(situation)
    margin = _margins(situation, exposure, day, None).margin
    if day < situation.day:
        return margin, past_harm(situation, day) >= act_at(situation)
    if day == situation.day and np.isnan(margin).any():
        found = heat_day(situation, day)
        return found.margin_k, found.danger
    return margin, _dangers(situation, exposure, day, None)[1]


def _exposure(situation: Situation) -> Exposure:
    if situation.exposure is None:
        raise ValueError("heat needs an exposure; there is no weather")
    return situation.exposure


def _harmed(margin_k: FloatArray) -> FloatArray:
    return np.where(np.isnan(margin_k), np.nan, (margin_k >= 0.0).astype(np.float64))


def _heat_day(situation: Situation, exposure: Exposure, day: date, from_utc: datetime | None) -> HeatDay:
    of_day = _margins(situation, exposure, day, from_utc)
    chance, danger = _dangers(situation, exposure, day, from_utc)
    hours = heat_hours(situation, exposure, _limits(situation, exposure), of_day.span)
    runs = _runs(situation, hours, of_day.by_air)

    def seen(values: FloatArray) -> FloatArray:
        return _max_in(window(exposure.start_utc, values, *of_day.span), hours.sun > 0.0)

    air = window(exposure.start_utc, exposure.bench_temperature_c, *of_day.span)
    return HeatDay(
        day,
        of_day.margin,
        chance,
        danger,
        _starts(exposure, of_day.span, runs, of_day.gain),
        seen(exposure.leaf_temperature_c),
        seen(exposure.vpd_kpa),
        _max_in(air, np.ones_like(hours.sun, bool)),
        of_day.by_air,
        of_day.earlier,
        np.zeros(of_day.margin.shape, bool),
    )


def _dangers(
    situation: Situation, exposure: Exposure, day: date, from_utc: datetime | None
) -> tuple[FloatArray, BoolArray]:
    """Chance and danger of a day, as in ``HeatDay``."""

    def judged() -> tuple[FloatArray, BoolArray]:
        of_day = _margins(situation, exposure, day, from_utc)
        chance = _chance(situation, day, of_day, _limits(situation, exposure))
        with np.errstate(invalid="ignore"):
            return chance, np.asarray(chance >= act_at(situation))

    return situation.once(("_dangers", day, from_utc), judged)


def _heat_today(situation: Situation, exposure: Exposure) -> HeatDay:
    """Judge today as a whole; of trees for which that is unknown, what is left of it."""
    whole = _heat_day(situation, exposure, situation.day, None)
    if not np.isnan(whole.margin_k).any():
        return whole
    left = heat_day(situation, situation.day, this_hour(situation))
    only = np.isnan(whole.margin_k) & ~np.isnan(left.margin_k)
    return HeatDay(
        situation.day,
        np.where(only, left.margin_k, whole.margin_k),
        np.where(only, left.chance, whole.chance),
        np.where(only, left.danger, whole.danger),
        tuple(
            later if is_left else first
            for first, later, is_left in zip(whole.starts_utc, left.starts_utc, only, strict=True)
        ),
        np.where(only, left.leaf_max_c, whole.leaf_max_c),
        np.where(only, left.vpd_max_kpa, whole.vpd_max_kpa),
        np.where(only, left.air_max_c, whole.air_max_c),
        np.where(only, left.by_air, whole.by_air),
        whole.not_used,
        only,
    )


def _chance(situation: Situation, day: date, of_day: _Margins, limits: HeatLimits) -> FloatArray:
    """Chance of harm: certain for the past, by members where they reach, else by the usual error."""
    margin, span = of_day.margin, of_day.span
    if day < local_day(situation.holdings.garden, situation.now_utc):
        return _harmed(margin)
    though_clouded = _though_clouded(situation, day, of_day)
    noon = span[0] + (span[1] - span[0]) / 2
    chance = np.fmax(by_spread(margin, spread_k(situation, noon)), though_clouded)
    if situation.members is None:
        return chance
    numbers = situation.tables.limits
    coverage = numbers.value("chance.coverage_share", "share")
    hours = heat_hours(situation, situation.members, limits, span)
    runs = rolling_margin(hours.margin, numbers.value("heat.run_h", "h"))
    of_members = np.where(hours.known >= coverage - 1e-9, runs.max(axis=-1) + of_day.gain, np.nan)
    shares = by_members(of_members, coverage)
    shares = np.fmax(shares, though_clouded)
    return np.where(np.isnan(shares) | of_day.by_air | np.isnan(margin), chance, shares)


def _though_clouded(situation: Situation, day: date, of_day: _Margins) -> FloatArray:
    """Least chance of harm today where after a day of harm cloud alone stands between; else 0, NaN unknown.

    A forecast of cloud fails too often to call off what an air as hot and dry as yesterday's asks for.
    """
    yesterday = day - timedelta(days=1)
    if situation.exposure is None or day != local_day(situation.holdings.garden, situation.now_utc):
        return np.zeros(of_day.margin.shape)
    before = _margins(situation, situation.exposure, yesterday, None).margin
    with np.errstate(invalid="ignore"):
        hangs_on_cloud = (before >= 0.0) & (of_day.if_sunny >= 0.0) & (of_day.margin < 0.0)
    share = situation.tables.limits.value("heat.clouded_share", "share")
    return np.where(np.isnan(of_day.margin), np.nan, np.where(hangs_on_cloud, share, 0.0))


def _max_in(values: FloatArray, mask: BoolArray) -> FloatArray:
    return reduce_over(np.where(mask, values, np.nan), "max", minimum_coverage=0.0).value


def _starts(
    exposure: Exposure, span: tuple[datetime, datetime], runs: FloatArray, gain: FloatArray
) -> tuple[datetime | None, ...]:
    """First hour of harm of each tree, else of its worst run; None where no run is known."""
    harm = runs + gain[:, np.newaxis] >= 0.0
    rows = np.where(harm.any(axis=-1), harm.argmax(axis=-1), runs.argmax(axis=-1))
    known = np.asarray(np.isfinite(runs).any(axis=-1))
    return hours_at(exposure.start_utc, span[0], rows, known)
