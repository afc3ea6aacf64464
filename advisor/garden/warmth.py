"""Warmth by local day: degree days, means and extremes of the place where a tree stands.

A day of which less than 0.9 of the hours are known is missing. Days after today come from the forecast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from advisor.physics.degree_days import chill_days, degree_days_hourly
from advisor.physics.missing import FloatArray, as_float, reduce_over

__all__ = ["DAY_COVERAGE", "Stay", "Warmth", "joined", "spliced", "warmth_from_hours", "warmth_side_by_side"]

DAY_COVERAGE = 0.9
"""Share of a day's hours that must be known. Source: WMO-No. 1203 allows few missing hours (from memory)."""

_HOUR = np.timedelta64(3600, "s")


@dataclass(frozen=True, slots=True, eq=False)
class Warmth:
    """Daily warmth of a place, days without a gap in the axis.

    Attributes
    ----------
    days : tuple of date, length D
        Local days.
    degree_days_5, degree_days_10 : float array, shape (D,)
        [K d] over 5 and over 10 degC, from hourly values.
    mean_c, max_c, min_c : float array, shape (D,)
    chill_days : float array, shape (D,)
        1 where the mean is at or below 5 degC.
    """

    days: tuple[date, ...]
    degree_days_5: FloatArray
    degree_days_10: FloatArray
    mean_c: FloatArray
    max_c: FloatArray
    min_c: FloatArray
    chill_days: FloatArray

    def index(self, day: date) -> int | None:
        """Return the row of a local day, or None outside the table."""
        if not self.days:
            return None
        row = (day - self.days[0]).days
        return row if 0 <= row < len(self.days) else None

    def _span(self, values: FloatArray, first_day: date, last_day: date) -> FloatArray:
        """Return the values of first to last day inclusive, NaN outside the table."""
        length = max((last_day - first_day).days + 1, 0)
        out = np.full(length, np.nan)
        if not self.days or not length:
            return out
        offset = (first_day - self.days[0]).days
        begin, end = max(0, offset), min(len(self.days), offset + length)
        if begin < end:
            out[begin - offset : end - offset] = values[begin:end]
        return out

    def between(self, name: str, first_day: date, last_day: date) -> FloatArray:
        """Return one column from first to last day inclusive; NaN where missing or outside."""
        return self._span(as_float(getattr(self, name)), first_day, last_day)

    def warmth_between(self, first_day: date, last_day: date, base: float = 5.0) -> tuple[float, float]:
        """Degree days of the days from first to last, both included.

        Parameters
        ----------
        first_day, last_day : date
            Local days. An empty span gives (0, 1).
        base : float
            5 or 10 [degC].

        Returns
        -------
        tuple of float
            Sum over the known days [K d], not scaled up, and the share of days known; the sum is NaN
            where no day is known.

        Raises
        ------
        ValueError
            Another base.
        """
        names = {5.0: "degree_days_5", 10.0: "degree_days_10"}
        if base not in names:
            raise ValueError(f"degree days are kept over 5 and 10 degC, not {base!r}")
        if last_day < first_day:
            return 0.0, 1.0
        found = reduce_over(self.between(names[base], first_day, last_day), "sum", minimum_coverage=0.0)
        return float(found.value), float(found.coverage)


@dataclass(frozen=True, slots=True)
class Stay:
    """A stay in a place: from a local day until before the next stay's; None: from ever."""

    since: date | None
    place_id: str


def _from_columns(first_day: date, columns: Mapping[str, FloatArray]) -> Warmth:
    length = int(columns["mean_c"].size)
    return Warmth(
        tuple(first_day + timedelta(days=row) for row in range(length)),
        columns["degree_days_5"],
        columns["degree_days_10"],
        columns["mean_c"],
        columns["max_c"],
        columns["min_c"],
        columns["chill_days"],
    )


_COLUMNS = ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days")


def _midnight(day: date, zone: ZoneInfo) -> np.datetime64:
    local = datetime.combine(day, time(0), tzinfo=zone)
    return np.datetime64(local.astimezone(UTC).replace(tzinfo=None), "s")


def warmth_from_hours(start_utc: NDArray[np.datetime64], temperature_c: FloatArray, zone: ZoneInfo) -> Warmth:
    """Sum hours up to local days.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Start of each hour, ascending; hours may be absent.
    temperature_c : float array, shape (H,)
        Mean of the hour at the place; NaN is missing.
    zone : ZoneInfo
        The garden's.

    Returns
    -------
    Warmth
        From the first to the last local day touched. A day has 23, 24 or 25 hours, as the zone says;
        a day at the edge of the table counts the hours it lacks as missing.

    Raises
    ------
    ValueError
        The two arrays differ in length.

    Source: degree days as the daily sum of hourly excess (definition). Checked:
    tests/garden/test_warmth.py.
    """
    values = as_float(temperature_c)
    if np.shape(start_utc) != values.shape or values.ndim != 1:
        raise ValueError(f"{np.shape(start_utc)} hours but {values.shape} temperatures; both must be (H,)")
    return warmth_side_by_side(start_utc, values[np.newaxis], zone)[0]


def warmth_side_by_side(
    start_utc: NDArray[np.datetime64], temperature_c: FloatArray, zone: ZoneInfo
) -> tuple[Warmth, ...]:
    """``warmth_from_hours`` of several places, whose hours are laid out by local days but once.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
    temperature_c : float array, shape (P, H)
    zone : ZoneInfo

    Returns
    -------
    tuple of Warmth, length P

    Raises
    ------
    ValueError
        The arrays differ in their hours.
    """
    stamps = np.asarray(start_utc).astype("datetime64[s]")
    values = as_float(temperature_c)
    if stamps.ndim != 1 or values.ndim != 2 or values.shape[1] != stamps.size:
        raise ValueError(f"{stamps.shape} hours but {values.shape} temperatures; want (H,) and (P, H)")
    if not stamps.size:
        empty = np.empty(0)
        return tuple(Warmth((), empty, empty, empty, empty, empty, empty) for _ in values)
    first, last = (_local_day(stamp, zone) for stamp in (stamps[0], stamps[-1]))
    days = [first + timedelta(days=step) for step in range((last - first).days + 1)]
    edges = np.array([_midnight(day, zone) for day in [*days, last + timedelta(days=1)]])
    lengths = np.round((edges[1:] - edges[:-1]) / _HOUR).astype(int)
    width = int(lengths.max())
    row = np.searchsorted(edges, stamps, side="right") - 1
    slot = np.minimum(((stamps - edges[row]) // _HOUR).astype(int), width - 1)
    hours = np.full((values.shape[0], len(days), width), np.nan)
    hours[:, row, slot] = values
    real = (np.arange(width) < lengths[:, None]).astype(np.float64)
    mean = reduce_over(hours, "mean", minimum_coverage=DAY_COVERAGE, weights=real).value
    missing = np.isnan(mean)

    def whole(how: Literal["max", "min"]) -> FloatArray:
        return np.where(missing, np.nan, reduce_over(hours, how, minimum_coverage=0.0).value)

    def warm(base: float) -> FloatArray:
        # Mean excess times the day: an unknown hour counts like the mean of the known ones.
        share = reduce_over(
            degree_days_hourly(hours, base) * 24.0, "mean", minimum_coverage=DAY_COVERAGE, weights=real
        )
        return share.value

    columns = {
        "degree_days_5": warm(5.0),
        "degree_days_10": warm(10.0),
        "mean_c": mean,
        "max_c": whole("max"),
        "min_c": whole("min"),
        "chill_days": chill_days(mean),
    }
    return tuple(
        _from_columns(first, {name: column[place] for name, column in columns.items()})
        for place in range(values.shape[0])
    )


def _local_day(stamp: np.datetime64, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(int(stamp.astype(np.int64)), tz=UTC).astimezone(zone).date()


def _laid_out(parts: Sequence[tuple[Warmth, date | None, date | None]]) -> Warmth | None:
    """Lay tables over one another on one axis, each within its days [from, until); known days win."""
    spans = [warmth for warmth, _, _ in parts if warmth.days]
    if not spans:
        return None
    first = min(warmth.days[0] for warmth in spans)
    last = max(warmth.days[-1] for warmth in spans)
    columns = {name: np.full((last - first).days + 1, np.nan) for name in _COLUMNS}
    axis = np.arange((last - first).days + 1)
    for warmth, since, until in parts:
        inside = np.ones(axis.size, dtype=bool)
        if since is not None:
            inside &= axis >= (since - first).days
        if until is not None:
            inside &= axis < (until - first).days
        for name in _COLUMNS:
            found = warmth.between(name, first, last)
            take = inside & ~np.isnan(found)
            columns[name][take] = found[take]
    return _from_columns(first, columns)


def joined(past: Warmth | None, forecast: Warmth | None) -> Warmth | None:
    """Join observed and forecast days: where both know a day the observed one stands."""
    parts = [(part, None, None) for part in (forecast, past) if part is not None]
    return _laid_out(parts) if parts else None


def spliced(warmth_by_place: Mapping[str, Warmth | None], stays: Sequence[Stay]) -> Warmth | None:
    """The warmth a tree met on its way through places.

    Parameters
    ----------
    warmth_by_place : mapping from place id to Warmth or None
        A place that is absent or None has no temperatures: its days are missing.
    stays : sequence of Stay, oldest first
        The day of a move counts for the new place.

    Returns
    -------
    Warmth or None
        None when no place of the stays has temperatures.
    """
    parts: list[tuple[Warmth, date | None, date | None]] = []
    for number, stay in enumerate(stays):
        until = stays[number + 1].since if number + 1 < len(stays) else None
        warmth = warmth_by_place.get(stay.place_id)
        if warmth is not None:
            parts.append((warmth, stay.since, until))
    if len(parts) == 1 and parts[0][1:] == (None, None):
        return parts[0][0]
    return _laid_out(parts) if parts else None
