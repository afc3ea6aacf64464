"""A horizon from words: "sun from 8 to 14 in June", turned into what must stand in the way at other hours.

At the azimuths that the sun passes in the hours said nothing hides it. At those it passes before or after
stands an obstacle just high enough to hide it in that month, and goes on round to the side that the sun never
reaches. A lower sun of other months is hidden there too; a higher one may pass over it. Where the sun rises
straight up, near the equator, height tells the hours apart instead, and other months are a guess.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from advisor.garden.model import SunHours
from advisor.physics.missing import FloatArray
from advisor.physics.sun import sun_position
from advisor.weather.table import stamp_of

__all__ = ["horizon_from_hours"]

BoolArray = NDArray[np.bool_]

YEAR, DAY = 2025, 21
"""A year between leap years, whose sun stands for every year's, and the day of the month that is told."""
DAYS_AROUND = range(1, 29)
BINS = 720
"""Azimuths are told apart to half a degree: two or three minutes of the sun's way."""
BESIDE = 2
EDGE_DEG = 1e-3
MARGIN_DEG = 1.0
"""Obstacles stand so far above the sun that they hide, and below the one they let pass: years differ."""


@lru_cache(maxsize=64)
def horizon_from_hours(hours: SunHours) -> tuple[tuple[float, float], ...]:
    """Return the horizon of a place that has sun in certain hours of one month.

    Parameters
    ----------
    hours : SunHours

    Returns
    -------
    tuple of (azimuth, elevation)
        [degrees], sorted, as a surveyed horizon would be given; steps stand as two points close together.
        Empty where nothing hides the sun; hidden to the zenith all round where no sun falls into the hours.

    Source: sun positions as in ``physics.sun`` on the 21st of the month, the obstacle raised to what the
    other days of the month ask for; the shape is an estimate. Checked: tests/exposure/test_described_sun.py.
    """
    told, around = _Seen(hours, [DAY]), _Seen(hours, DAYS_AROUND)
    if not told.lit.any():
        return ((0.0, 90.0),)
    top = np.zeros(BINS)
    sides = ((told.before, around.before), (told.after, around.after))
    for own, others in sides:
        inside = own & ~told.lit
        height = np.max(around.hidden_deg, initial=0.0, where=inside & ~around.lit) if inside.any() else 0.0
        height = max(height, np.max(told.hidden_deg, initial=0.0, where=inside)) + MARGIN_DEG
        new = others & ~told.seen & ~around.lit
        top[inside | new] = min(float(height), 90.0)
    lowest = np.where(told.lit, told.lit_deg - MARGIN_DEG, around.lit_deg)
    both = (told.lit | (around.lit & ~told.seen)) & (around.before | around.after)
    top[both] = np.clip(np.minimum(_beside(around.hidden_deg), lowest), 0.0, 90.0)[both]
    return _points(_carried_on(top, told.seen | around.seen))


class _Seen:
    """What the sun of some days does in each azimuth bin.

    Attributes
    ----------
    lit, before, after : it passes there in the hours said, before them, after them.
    hidden_deg : its highest place there outside the hours said, 0 without.
    lit_deg : its lowest place there within them, infinite without.
    """

    def __init__(self, hours: SunHours, days: Iterable[int]) -> None:
        self.hidden_deg, self.lit_deg = np.zeros(BINS), np.full(BINS, np.inf)
        self.lit, self.before, self.after = (np.zeros(BINS, dtype=bool) for _ in range(3))
        for day in days:
            bins, elevation, minutes, first, last = _path(hours, day)
            shines = (minutes >= first) & (minutes < last)
            self.lit[bins[shines]] = True
            self.before[bins[minutes < first]] = True
            self.after[bins[minutes >= last]] = True
            np.maximum.at(self.hidden_deg, bins[~shines], elevation[~shines])
            np.minimum.at(self.lit_deg, bins[shines], elevation[shines])

    @property
    def seen(self) -> BoolArray:
        return np.asarray(self.lit | self.before | self.after)


def _path(hours: SunHours, day: int) -> tuple[NDArray[np.int64], FloatArray, FloatArray, float, float]:
    """Azimuth bin and elevation of the sun while up, minutes of the day, and those of the hours said."""
    zone, at = ZoneInfo(hours.timezone), date(YEAR, hours.month, day)
    midnight = datetime.combine(at, time(), tzinfo=zone).astimezone(UTC)

    def minute(clock: time, on: date) -> float:
        return (datetime.combine(on, clock, tzinfo=zone).astimezone(UTC) - midnight).total_seconds() / 60.0

    minutes = np.arange(round(minute(time(), at + timedelta(days=1))), dtype=np.float64) + 0.5
    instants = stamp_of(midnight) + (minutes * 60.0).astype("timedelta64[s]")
    sun = sun_position(instants, hours.latitude_deg, hours.longitude_deg, hours.elevation_m)
    up = sun.apparent_elevation_deg > 0.0
    bins = np.floor(sun.azimuth_deg[up] / 360.0 * BINS).astype(np.int64) % BINS
    first, last = minute(hours.from_time, at), minute(hours.until_time, at)
    return bins, sun.apparent_elevation_deg[up], minutes[up], first, last


def _beside(values: FloatArray) -> FloatArray:
    """Largest value within a degree of azimuth: the paths of two days are less than that apart."""
    return np.max([np.roll(values, step) for step in range(-BESIDE, BESIDE + 1)], axis=0)  # type: ignore[no-any-return]


def _carried_on(top: FloatArray, seen: BoolArray) -> FloatArray:
    """Give azimuths that the sun never passes in that month the height of the nearest that it does."""
    known = np.flatnonzero(seen)
    apart = np.abs(np.arange(BINS)[:, np.newaxis] - known[np.newaxis, :])
    nearest = known[np.argmin(np.minimum(apart, BINS - apart), axis=1)]
    return np.where(seen, top, top[nearest])


def _points(top: FloatArray) -> tuple[tuple[float, float], ...]:
    """Steps as points: on either side of each edge one."""
    found = []
    for number in range(BINS):
        if top[number] != top[number - 1]:
            edge = number * 360.0 / BINS
            found += [((edge - EDGE_DEG) % 360.0, float(top[number - 1])), (edge, float(top[number]))]
    return tuple(sorted(found))
