"""How long a piece of work is still sensible this season: counted from frost, and from warmth left.

Both counts come from past years of a station where they are known (``season_climate``), else from
estimates: the table by latitude and height, and the course of the year through the recent mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Check
from advisor.advice.season_climate import PastWarmth, past_warmth
from advisor.advice.work_case import WorkCase, band, worst
from advisor.physics.sun import day_length_h
from advisor.units import NumberTable

__all__ = [
    "SeasonLast",
    "SeasonShape",
    "last_sensible",
    "recent_mean_c",
    "season",
    "warmth_left",
    "warmth_left_last_day",
]

FloatArray = NDArray[np.float64]

_YEAR_D = 365.2425
_HALF_YEAR_D = 182
_JUNE_SOLSTICE = 172
_DECEMBER_SOLSTICE = 355
"""Days of the year of the solstices (astronomy; within a day)."""


@dataclass(frozen=True, slots=True)
class SeasonShape:
    """How mean air temperature runs through the year: half its range [K], and its lag after the solstice [d].

    Estimates: smaller at the coast, larger inland.
    """

    amplitude_k: float
    lag_d: float


@dataclass(frozen=True, slots=True)
class SeasonLast:
    """A last sensible day and why; ``chance`` is the share of past years in which it was early enough."""

    day: date
    why: str
    chance: float | None = None
    """None for an estimate."""


def warmth_left(
    latitude_deg: float,
    from_day: date,
    recent_mean_temperature_c: float,
    *,
    base_temperature_c: float,
    day_length_limit_h: float,
    shape: SeasonShape,
) -> float:
    """Degree days still to come before days grow shorter than a limit.

    Parameters
    ----------
    latitude_deg : float
        North positive.
    from_day : date
        First day counted.
    recent_mean_temperature_c : float
        Mean air temperature of the last two weeks before ``from_day``.
    base_temperature_c : float
        Base of the degree days.
    day_length_limit_h : float
        The count ends on the day whose daylight is shorter.
    shape : SeasonShape
        Course of the year by which the mean is carried on.

    Returns
    -------
    float
        Degree days [K d]; 0 when days are shorter already. At most a year is counted.

    Source: estimate (cosine course of the year through the recent mean); day length FAO-56 eq. 34.
    """
    return float(
        _warm_days(
            latitude_deg, from_day, recent_mean_temperature_c, base_temperature_c, day_length_limit_h, shape
        ).sum()
    )


def _warm_days(
    latitude_deg: float,
    from_day: date,
    mean_c: float,
    base_c: float,
    day_length_limit_h: float,
    shape: SeasonShape,
) -> FloatArray:
    """Degree days of each day from ``from_day`` until days fall under the limit."""
    ordinal, light_h = _year_from(latitude_deg, from_day)
    short = light_h < day_length_limit_h
    end = int(np.argmax(short)) if short.any() else ordinal.size
    rise = _course(ordinal, latitude_deg, shape) - _course(ordinal[:1], latitude_deg, shape)
    return np.maximum(0.0, mean_c + rise - base_c)[:end]


@lru_cache(maxsize=64)
def _year_from(latitude_deg: float, from_day: date) -> tuple[NDArray[np.int64], FloatArray]:
    """Days of the year and their daylight [h], for a year from a day: many kinds of work ask for the same."""
    days = np.datetime64(from_day) + np.arange(366)
    ordinal = (days - days.astype("datetime64[Y]")).astype(np.int64) + 1
    light_h = day_length_h(np.full(ordinal.size, latitude_deg), ordinal)
    ordinal.flags.writeable = light_h.flags.writeable = False
    return ordinal, light_h


def _course(ordinal: NDArray[np.int64], latitude_deg: float, shape: SeasonShape) -> FloatArray:
    solstice = _JUNE_SOLSTICE if latitude_deg >= 0.0 else _DECEMBER_SOLSTICE
    phase = 2.0 * math.pi * (ordinal - solstice - shape.lag_d) / _YEAR_D
    return np.asarray(shape.amplitude_k * np.cos(phase), dtype=np.float64)


def warmth_left_last_day(
    latitude_deg: float,
    from_day: date,
    recent_mean_temperature_c: float,
    needed_degree_days: float,
    *,
    base_temperature_c: float,
    day_length_limit_h: float,
    shape: SeasonShape,
) -> date:
    """Return the last day from which the needed degree days are still to come.

    The day before ``from_day`` means that it is past. Parameters as in ``warmth_left``; the mean is
    carried on along the course of the year, so that a later day starts from its own projected mean.
    """
    warm = _warm_days(
        latitude_deg, from_day, recent_mean_temperature_c, base_temperature_c, day_length_limit_h, shape
    )
    still_to_come = warm[::-1].cumsum()[::-1]
    return from_day + timedelta(days=int((still_to_come >= needed_degree_days).sum()) - 1)


def recent_mean_c(case: WorkCase) -> float | None:
    """Mean bench air of the ``mean_days`` before the asked moment; of the forecast where no past is known."""
    now = case.situation.now_utc
    days = timedelta(days=case.need("mean_days"))
    value, _ = case.hours("bench-air", now - days, now).extreme("mean")
    if value is None:
        value, _ = case.hours("bench-air", now, now + days).extreme("mean")
    return value


def season(case: WorkCase) -> Check:
    """Hold the day against both counts: days to first frost, and degree days before days grow short.

    Without any knowledge of the climate: care. Where the frost date is an estimate and near: care.
    """
    readings = [reading for reading in (_frost(case), _warmth(case)) if reading is not None]
    if readings:
        return worst(readings)
    end = case.situation.season_end
    if end.winters and end.first_frost is None:
        return case.check("pass", f"{case.row.text}: {end.text}", source=end.source)
    return case.check("care", f"{case.row.text}: no climate known here; count back from your own first frost")


def _frost(case: WorkCase) -> Check | None:
    number = case.number("frost_back")
    end = case.situation.season_end
    closes = _closes(case)
    if number is None or closes is None:
        return None
    frost = _of_season(closes, case.day)
    left = (frost - case.day).days
    verdict, limit = band(float(left), number, "min")
    near = case.number("near")
    guessed = end.known == "estimate"
    if guessed and verdict == "pass" and near is not None and left < number.value + near.value:
        verdict = "care"
    counted = f"{case.row.text}: {max(left, 0)} days to {_what(case)}"
    if end.winters:
        text = f"{counted}, at least {limit:.0f}; {end.text}"
    else:
        guess = ", estimated" if guessed else ""
        about = f"about {frost.day} {frost:%B}{guess}"
        text = f"{counted} ({about}); at least {limit:.0f}"
    return case.check(
        verdict, text, value=float(left), unit="d", limit=limit, source=f"{number.evidence}: {number.source}"
    )


def _closes(case: WorkCase) -> date | None:
    """Return first frost or, where there is none, the first cool week; None where neither comes."""
    end = case.situation.season_end
    return end.cool_from if end.first_frost is None else end.first_frost


def _what(case: WorkCase) -> str:
    return "the first cool week" if case.situation.season_end.first_frost is None else "first frost"


def _of_season(first_frost: date, day: date) -> date:
    """Return the first frost of the season that ``day`` lies in: a year later for a day of the next one."""
    return first_frost + timedelta(days=365) if (day - first_frost).days > _HALF_YEAR_D else first_frost


def _past(case: WorkCase) -> PastWarmth | None:
    return past_warmth(case.situation, case.need("base"), case.need("day_length"))


def _warmth(case: WorkCase) -> Check | None:
    number = case.number("warmth")
    past = _past(case) if number is not None else None
    if number is not None and past is not None:
        left = past.reached(case.day)
        verdict, limit = band(left, number, "min")
        text = (
            f"{case.row.text}: {past.often} at least {left:.0f} degree days above {case.need('base'):.0f} °C"
            f" were still to come before days fell under {case.need('day_length'):.0f} h ({past.station});"
            f" at least {limit:.0f}"
        )
        return case.check(
            verdict,
            text,
            value=round(left, 1),
            unit="K d",
            limit=limit,
            source=f"{number.evidence}: {number.source}",
        )
    mean = recent_mean_c(case) if number is not None else None
    if number is None or mean is None:
        return None
    garden = case.situation.holdings.garden
    shape = _shape(case.row.numbers)
    ahead = _shift(mean, case, shape)
    left = warmth_left(
        garden.latitude_deg,
        case.day,
        ahead,
        base_temperature_c=case.need("base"),
        day_length_limit_h=case.need("day_length"),
        shape=shape,
    )
    verdict, limit = band(left, number, "min")
    text = (
        f"{case.row.text}: about {left:.0f} degree days above {case.need('base'):.0f} °C before days fall"
        f" under {case.need('day_length'):.0f} h (estimate); at least {limit:.0f}"
    )
    return case.check(
        verdict,
        text,
        value=round(left, 1),
        unit="K d",
        limit=limit,
        source=f"{number.evidence}: {number.source}",
    )


def _shape(numbers: NumberTable) -> SeasonShape:
    return SeasonShape(numbers.value("amplitude", "K"), numbers.value("lag", "d"))


def _shift(mean: float, case: WorkCase, shape: SeasonShape) -> float:
    """Carry the mean of now on to the judged day."""
    latitude = case.situation.holdings.garden.latitude_deg
    now, then = (np.array([day.timetuple().tm_yday]) for day in (case.situation.day, case.day))
    return mean + float((_course(then, latitude, shape) - _course(now, latitude, shape))[0])


def last_sensible(case: WorkCase) -> SeasonLast | None:
    """Return the last sensible day of this season by the row, the earlier of both counts; None if open."""
    found: list[SeasonLast] = []
    end = case.situation.season_end
    frost = case.number("frost_back")
    closes = _closes(case)
    if frost is not None and closes is not None:
        frost_day = _of_season(closes, case.day)
        if end.winters:
            when = f": {end.text}"
        else:
            known = "estimated " if end.known == "estimate" else ""
            when = f", {known}about {frost_day.day} {frost_day:%B}"
        why = f"{frost.value:.0f} days before {_what(case)}{when}"
        late = 1.0 - end.chance if end.winters and end.chance is not None else None
        found.append(SeasonLast(frost_day - timedelta(days=frost.value), why, late))
    warmth = case.number("warmth")
    past = _past(case) if warmth is not None else None
    mean = recent_mean_c(case) if warmth is not None and past is None else None
    if warmth is not None and past is not None:
        why = (
            f"{past.often} {warmth.value:.0f} degree days above {case.need('base'):.0f} °C were still to come"
            f" before days fell under {case.need('day_length'):.0f} h ({past.station})"
        )
        found.append(SeasonLast(past.last_day(warmth.value, case.situation.day), why, 1.0 - past.share))
    elif warmth is not None and mean is not None:
        latitude, limit = case.situation.holdings.garden.latitude_deg, case.need("day_length")
        last = warmth_left_last_day(
            latitude,
            case.situation.day,
            mean,
            warmth.value,
            base_temperature_c=case.need("base"),
            day_length_limit_h=limit,
            shape=_shape(case.row.numbers),
        )
        why = (
            f"{warmth.value:.0f} degree days are still needed before days fall under {limit:.0f} h (estimate)"
        )
        found.append(SeasonLast(last, why))
    return min(found, key=lambda one: one.day) if found else None
