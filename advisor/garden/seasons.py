"""Seasons, the calendar guess of leaf-out, and autumn from day length and cold.

Source of the steps: config/phenology.toml. Day length: FAO-56 eq. 34.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from advisor.garden.model import Garden
from advisor.garden.state_model import Stage
from advisor.garden.warmth import Warmth
from advisor.physics.missing import FloatArray, covered
from advisor.physics.sun import day_length_h
from advisor.units import NumberTable

__all__ = [
    "SEQUENCE",
    "SPRING",
    "How",
    "Modelled",
    "autumn_start",
    "calendar_leaf_out",
    "days_ago",
    "healing_days",
    "in_autumn",
    "season_start",
]

How = Literal["warmth", "days", "calendar", "autumn", "autumn guess", "habit", "start"]


SPRING = (
    Stage.DORMANT, Stage.BUD_SWELL, Stage.BUD_BREAK, Stage.LEAVES_UNFOLDING, Stage.SHOOTS_EXTENDING,
    Stage.LEAVES_HARD,
)  # fmt: skip
SEQUENCE = (*SPRING, Stage.AUTUMN_COLOUR, Stage.LEAF_FALL, Stage.DORMANT)
_WEEK = 7


@dataclass(frozen=True, slots=True)
class Modelled:
    """A stage by model, when it began, and what it rests on."""

    stage: Stage
    since: date | None
    how: How
    warmth_k_d: float = float("nan")
    place: int = 0
    """Index in ``SEQUENCE``."""


def season_start(day: date, southern: bool) -> date:
    """Return the first day of the growing season that holds ``day``: 1 January, 1 July in the south."""
    if not southern:
        return date(day.year, 1, 1)
    return date(day.year if day.month >= 7 else day.year - 1, 7, 1)


def days_ago(seen: date, today: date) -> str:
    """Return ``today``, ``yesterday`` or ``n days ago``."""
    age = (today - seen).days
    return {0: "today", 1: "yesterday"}.get(age, f"{age} days ago")


def calendar_leaf_out(
    start: date, latitude_deg: float, elevation_m: float, leaf_out_gdd5: float | None, numbers: NumberTable
) -> date:
    """Guess the day of leaf-out of a season without temperatures.

    Parameters
    ----------
    start : date
        First day of the season.
    latitude_deg, elevation_m : float
        Of the garden; south negative.
    leaf_out_gdd5 : float or None
        The species' degree days to leaf-out; None takes the reference.
    numbers : NumberTable
        config/phenology.toml.

    Returns
    -------
    date
        Not before the start of the season, not later than 200 days into it.

    Source: bioclimatic law, Hopkins 1918: 4 days a degree of latitude and 4 days 400 ft. Checked:
    tests/garden/test_phenology.py.
    """
    reference = numbers.value("calendar.reference_gdd5", "K d")
    late = (leaf_out_gdd5 if leaf_out_gdd5 is not None else reference) - reference
    days = (
        numbers.value("calendar.leaf_out_day", "day of year")
        + (abs(latitude_deg) - numbers.value("calendar.reference_latitude_deg", "deg"))
        * numbers.value("calendar.per_latitude_d", "d/deg")
        + elevation_m * numbers.value("calendar.per_elevation_d", "d/m")
        + late / numbers.value("calendar.gdd5_per_day", "K d")
    )
    return start + timedelta(days=int(min(max(round(days), 1), 200)) - 1)


def healing_days(begun: date, until: date, garden: Garden, numbers: NumberTable) -> float:
    """Count the days after ``begun`` up to ``until``, those of winter at ``winter.day_counts`` each.

    Winter days are those shorter than ``autumn.fall_day_length_h``; near the equator there are none.

    Source: estimate of the trade. Checked: tests/advice/work_cases/winter_days.toml.
    """
    days = (until - begun).days
    if days <= 0:
        return float(days)
    light = _light(garden, begun + timedelta(days=1), until)
    winter = int((light < numbers.value("autumn.fall_day_length_h", "h")).sum())
    return days - (1.0 - numbers.value("winter.day_counts", "share")) * winter


def autumn_start(day: date, southern: bool, numbers: NumberTable) -> date:
    """Return the day of the season from which colour and leaf fall are taken as autumn."""
    first = round(numbers.value("autumn.first_day_of_season", "d"))
    return season_start(day, southern) + timedelta(days=first)


def _first(mask: NDArray[np.bool_], begin: date, not_before: date) -> date | None:
    """Return the first day on or after ``not_before`` on which the mask, which begins at ``begin``, holds."""
    since = max((not_before - begin).days, 0)
    rows = np.flatnonzero(mask[since:])
    return begin + timedelta(days=since + int(rows[0])) if rows.size else None


def in_autumn(
    day: date,
    summer: Modelled,
    garden: Garden,
    warmth: Warmth | None,
    numbers: NumberTable,
    *,
    evergreen: bool,
) -> Modelled:
    """Carry a stage on through colour, leaf fall and rest.

    Parameters
    ----------
    day : date
    summer : Modelled
        The stage without autumn; returned as it is before autumn begins.
    garden : Garden
    warmth : Warmth or None
        Colour comes with cold met since days are short; where the days are unknown, day length alone
        decides, as a guess.
    numbers : NumberTable
        config/phenology.toml.
    evergreen : bool
        Evergreens only come to rest, by day length; a guess where no temperature is known.

    Returns
    -------
    Modelled
    """
    begin = autumn_start(day, garden.southern, numbers)
    first = max(begin, summer.since or begin)
    if day < first:
        return summer
    h = numbers.value
    light = _light(garden, first, day)
    if evergreen:
        return _rest(first, day, light, warmth, numbers) or summer
    found = summer
    if found.place < SEQUENCE.index(Stage.AUTUMN_COLOUR):
        turned = _turned(begin, day, garden, warmth, numbers)
        how: How = "autumn guess" if turned is None else "autumn"
        if turned is None:
            turned = light < h("autumn.colour_guess_day_length_h", "h")
        colour = _first(turned[-light.size :], first, first)
        if colour is None:
            return summer
        found = Modelled(Stage.AUTUMN_COLOUR, colour, how, place=SEQUENCE.index(Stage.AUTUMN_COLOUR))
    if found.stage is Stage.AUTUMN_COLOUR and found.since is not None:
        night = _past(warmth, "min_c", first - timedelta(days=1), day - timedelta(days=1))
        frozen = np.where(np.isnan(night), np.inf, night) < h("autumn.fall_min_c", "degC")
        coloured = np.arange(light.size) - (found.since - first).days
        frozen &= coloured > 0
        short = light < h("autumn.fall_day_length_h", "h")
        short &= coloured >= round(h("autumn.colour_least_d", "d"))
        fall = _first(frozen | short, first, found.since)
        if fall is None:
            return found
        basis: How = "autumn guess" if found.how == "autumn guess" else "autumn"
        found = Modelled(Stage.LEAF_FALL, fall, basis, place=SEQUENCE.index(Stage.LEAF_FALL))
    bare = (found.since or day) + timedelta(days=round(h("autumn.dormant_after_fall_d", "d")))
    if day < bare:
        return found
    return Modelled(Stage.DORMANT, bare, found.how, place=len(SEQUENCE) - 1)


def _rest(
    first: date, day: date, light: FloatArray, warmth: Warmth | None, numbers: NumberTable
) -> Modelled | None:
    """Rest of an evergreen from the day that is short enough; None before it."""
    begun = _first(light < numbers.value("autumn.evergreen_rest_day_length_h", "h"), first, first)
    if begun is None:
        return None
    week = _past(warmth, "mean_c", day - timedelta(days=_WEEK), day - timedelta(days=1))
    how: How = "autumn" if np.isfinite(week).any() else "autumn guess"
    return Modelled(Stage.DORMANT, begun, how, place=len(SEQUENCE) - 1)


def _light(garden: Garden, first: date, last: date) -> FloatArray:
    """Day length of the days from first to last [h]."""
    days = np.datetime64(first) + np.arange((last - first).days + 1)
    ordinal = (days - days.astype("datetime64[Y]")).astype(np.float64) + 1.0
    return day_length_h(garden.latitude_deg, ordinal)


def _past(warmth: Warmth | None, name: str, first: date, last: date) -> FloatArray:
    """One column of the days from first to last, NaN where nothing is known."""
    if warmth is None:
        return np.full((last - first).days + 1, np.nan)
    return warmth.between(name, first, last)


def _turned(
    begin: date, day: date, garden: Garden, warmth: Warmth | None, numbers: NumberTable
) -> NDArray[np.bool_] | None:
    """Tell for each day from ``begin`` on whether the cold before it has turned the leaves.

    None where too few days are known; missing days are filled from their neighbours.

    Source: form of Delpierre et al. 2009 (cold summed once days are short). Checked:
    tests/garden/test_observed_seasons.py.
    """
    h = numbers.value
    mean = _past(warmth, "mean_c", begin, day - timedelta(days=1))
    if not covered(mean, h("unlogged.coverage", "share")):
        return None
    known = np.flatnonzero(~np.isnan(mean))
    mean = np.interp(np.arange(mean.size), known, mean[known])
    cold = np.maximum(h("autumn.colour_cold_below_c", "degC") - mean, 0.0)
    short = _light(garden, begin, day - timedelta(days=1)) < h("autumn.colour_day_length_h", "h")
    total = np.cumsum(np.where(short, cold, 0.0))
    return np.concatenate([[False], total >= h("autumn.colour_cold_k_d", "K d")])
