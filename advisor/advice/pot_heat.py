"""Heat in the pot: the ball as a whole, and the part of the roots that lies hot at the sunny side.

A warm rim alone is ordinary: on a 25 degC day the sunlit rim of a black pot reaches 45 degC round a
core of 35. What counts is the ball for hours, or about a third of the roots above the injury mark.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from math import ceil

import numpy as np
from numpy.typing import NDArray

from advisor.advice.heat import rolling_margin
from advisor.advice.hours import day_span, hour_at, whole_days, window
from advisor.advice.model import Situation
from advisor.physics.missing import reduce_over, reduce_stretches

__all__ = ["PotDay", "hot_root_share", "past_pots", "pot_day"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class PotDay:
    """Pots on one local day; arrays over the trees of the exposure.

    Attributes
    ----------
    harm : ball or roots beyond their limits for long enough. rim_mark : only the rim passed its mark.
    known : enough hours known. core_max_c, rim_max_c, hot_share : highest of the day.
    starts_utc : first hour of harm.
    """

    harm: BoolArray
    rim_mark: BoolArray
    known: BoolArray
    core_max_c: FloatArray
    rim_max_c: FloatArray
    hot_share: FloatArray
    starts_utc: tuple[datetime | None, ...]


def _half(rim_c: FloatArray, core_c: FloatArray, limit_c: float) -> FloatArray:
    """Share of half a round ball at or above a limit, temperature linear from rim to core."""
    span = np.where(rim_c == core_c, 1.0, rim_c - core_c)
    with np.errstate(invalid="ignore"):
        depth = np.clip((rim_c - limit_c) / span, 0.0, 1.0)
        from_rim = 1.0 - (1.0 - depth) ** 2
        inner = np.clip((core_c - limit_c) / -span, 0.0, 1.0) ** 2
        share = np.where(
            (rim_c >= limit_c) & (core_c >= limit_c),
            1.0,
            np.where(rim_c >= limit_c, from_rim, np.where(core_c >= limit_c, inner, 0.0)),
        )
    found: FloatArray = np.where(np.isnan(rim_c) | np.isnan(core_c), np.nan, share)
    return found


def hot_root_share(
    rim_sunlit_c: FloatArray, rim_shaded_c: FloatArray, core_c: FloatArray, limit_c: float
) -> FloatArray:
    """Share of the ball at or above a temperature, 0..1.

    Parameters
    ----------
    rim_sunlit_c, rim_shaded_c, core_c : float array, shape (...)
        The three nodes of the pot. NaN stays NaN.
    limit_c : float

    Returns
    -------
    float array, same shape

    Source: geometry of a cylinder with a linear profile from rim to core in each half; estimate.
    """
    found: FloatArray = 0.5 * (_half(rim_sunlit_c, core_c, limit_c) + _half(rim_shaded_c, core_c, limit_c))
    return found


def pot_day(situation: Situation, day: date, from_utc: datetime | None = None) -> PotDay:
    """Judge the pots of one local day, from ``from_utc`` on where given.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        raise ValueError("pot heat needs an exposure; there is no weather")
    begin, end = day_span(situation.holdings.garden, day)
    span = (begin if from_utc is None else max(begin, from_utc), end)
    core, rim, shaded = (
        window(exposure.start_utc, values, *span)
        for values in (exposure.pot_core_c, exposure.pot_rim_c, exposure.pot_rim_shaded_c)
    )
    share = hot_root_share(rim, shaded, core, limits.value("pot.root_c", "degC"))
    core_runs = rolling_margin(core - limits.value("pot.core_c", "degC"), limits.value("pot.core_run_h", "h"))
    root_runs = rolling_margin(
        share - limits.value("pot.root_share", "share"), limits.value("pot.root_run_h", "h")
    )
    coverage = limits.value("chance.coverage_share", "share")
    core_max = reduce_over(core, "max", minimum_coverage=coverage)
    rim_max = reduce_over(rim, "max", minimum_coverage=coverage)
    known = np.isfinite(core_max.value) & np.isfinite(rim_max.value)
    harm = known & ((core_runs >= 0.0).any(axis=-1) | (root_runs >= 0.0).any(axis=-1))
    with np.errstate(invalid="ignore"):
        mark = known & ~harm & (rim_max.value >= limits.value("pot.rim_note_c", "degC"))
    first = np.minimum(_first_harm(core_runs), _first_harm(root_runs))
    starts = (hour_at(exposure.start_utc, span[0], int(row)) if np.isfinite(row) else None for row in first)
    return PotDay(
        harm,
        mark,
        known,
        core_max.value,
        rim_max.value,
        reduce_over(share, "max", minimum_coverage=coverage).value,
        tuple(starts),
    )


def past_pots(situation: Situation, day: date) -> FloatArray:
    """Return for each tree 1 where a past day harmed its pot or marked its rim, 0 where not, NaN unknown.

    The same answer as ``pot_day``, for those who look at many days and at nothing else.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    found = situation.once("_past_pots", partial(_past_pots, situation)).get(day)
    if found is not None:
        return found
    pots = pot_day(situation, day)
    return np.where(pots.known, (pots.harm | pots.rim_mark).astype(np.float64), np.nan)


def _past_pots(situation: Situation) -> Mapping[date, FloatArray]:
    """Answers for all days before today of which each hour is in the table, worked out at once."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        raise ValueError("pot heat needs an exposure; there is no weather")
    core_h, root_h = limits.value("pot.core_run_h", "h"), limits.value("pot.root_run_h", "h")
    days = whole_days(situation.holdings.garden, exposure.start_utc, least_h=ceil(max(core_h, root_h, 1.0)))
    names = [day for day in days.spans if day < situation.day]
    if not names:
        return {}
    first, last = days.first[: len(names)], days.last[: len(names)]
    core, rim, shaded = (
        values[:, : last[-1]]
        for values in (exposure.pot_core_c, exposure.pot_rim_c, exposure.pot_rim_shaded_c)
    )
    share = hot_root_share(rim, shaded, core, limits.value("pot.root_c", "degC"))
    coverage = limits.value("chance.coverage_share", "share")

    def highest(values: FloatArray, minimum_coverage: float, run: int = 1) -> FloatArray:
        return reduce_stretches(values, "max", first, last - run + 1, minimum_coverage).value

    def harmed(margin: FloatArray, run_h: float) -> BoolArray:
        return np.asarray(highest(rolling_margin(margin, run_h), 0.0, max(ceil(run_h), 1)) >= 0.0)

    core_max, rim_max = highest(core, coverage), highest(rim, coverage)
    harm = harmed(core - limits.value("pot.core_c", "degC"), core_h)
    harm |= harmed(share - limits.value("pot.root_share", "share"), root_h)
    with np.errstate(invalid="ignore"):
        harm |= rim_max >= limits.value("pot.rim_note_c", "degC")
    known = np.isfinite(core_max) & np.isfinite(rim_max)
    return dict(zip(names, np.where(known, harm.astype(np.float64), np.nan).T, strict=True))


def _first_harm(runs: FloatArray) -> FloatArray:
    """Row of the first run with harm, infinity without one."""
    harm = runs >= 0.0
    return np.where(harm.any(axis=-1), harm.argmax(axis=-1), np.inf)
