"""Forecasts against what came: the errors themselves, hour by hour, each counted once.

One forecast a UTC day and source is followed (the first; later ones of the day err alike and would only
seem to add evidence). Each of its hours has one slot. A slot is filled when the hour was truly
observed, and never again, so that a pass done twice, or passes done in another order, give the same.

What an hour is compared with is said: a station, or what the same service said of the hour once it was
past. The latter is no observation: it shares the faults of the models.

Error is forecast minus observation, the sign convention of WMO verification; wind and gust errors are
shares of the forecast.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from advisor.units import NumberTable
from advisor.weather.blend import blend, on_axis
from advisor.weather.days import day_bounds_utc, hours_of_day, local_day_of
from advisor.weather.quality import standing
from advisor.weather.table import FloatArray, TimeArray, WeatherTable, stamp_of

__all__ = [
    "AHEAD_H",
    "DAYS",
    "EXTREMES",
    "PAIRED",
    "ROW_H",
    "ComparedWith",
    "ErrorPairs",
    "ErrorRow",
    "add_pairs",
    "base_of",
    "errors_of",
    "forget_before",
    "observed_only",
    "past_as_known_later",
]

ComparedWith = Literal["station", "own-past"]
SlotArray = NDArray[np.int16]

AHEAD_H = 240
"""Hours ahead that are followed."""
ROW_H = AHEAD_H + 24
"""Slots of a row: hours from 00 UTC of the day of fetching."""
DAYS = 11
"""Local days of a row, from the day of fetching."""
PAIRED: Mapping[str, float] = {"air_temperature_c": 0.01, "wind_speed_10m_m_s": 0.001, "wind_gust_m_s": 0.001}
"""Variables followed, with the step to which their errors are kept [K, share]."""
EXTREMES = ("maximum", "minimum")
_EMPTY, _REFUSED, _MOST = -32768, -32767, 32766
_HOUR = np.timedelta64(3600, "s")


def _slots(size: int) -> SlotArray:
    return np.full(size, _EMPTY, dtype=np.int16)


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """Errors of one forecast.

    Attributes
    ----------
    fetched_utc : datetime
        Lead times count from here.
    hourly : mapping of ``PAIRED`` name to int16 array, shape (264,)
        Slot r is the hour that starts r hours after 00 UTC of the day of fetching.
    daily : mapping of ``EXTREMES`` to int16 array, shape (11,)
        Error of the highest and lowest hourly air temperature of the local day of fetching + n.
    """

    fetched_utc: datetime
    hourly: Mapping[str, SlotArray]
    daily: Mapping[str, SlotArray]


@dataclass(frozen=True, slots=True)
class ErrorPairs:
    """Errors of the forecasts of one source.

    Attributes
    ----------
    source : str
        Id of the forecast's source.
    compared_with : {"station", "own-past"}
    reference : str
        Name of the station, empty for the service's own past.
    rows : mapping of UTC day of fetching to ErrorRow
    stands_for_garden : bool
        False for a station so far off that the difference may be the land's: it corrects nothing.
    """

    source: str
    compared_with: ComparedWith
    reference: str = ""
    rows: Mapping[date, ErrorRow] = field(default_factory=dict)
    stands_for_garden: bool = True

    @property
    def counted(self) -> int:
        """Hours of air temperature used."""
        return sum(int((row.hourly["air_temperature_c"] > _REFUSED).sum()) for row in self.rows.values())

    @property
    def refused(self) -> int:
        """Hours of air temperature whose error was too gross to be one of the forecast."""
        return sum(int((row.hourly["air_temperature_c"] == _REFUSED).sum()) for row in self.rows.values())


def base_of(day: date) -> np.datetime64:
    """Return 00 UTC of a day, the hour of slot 0."""
    return np.datetime64(day, "s")


def errors_of(slots: SlotArray, step: float) -> FloatArray:
    """Return errors [K or share] of slots, NaN where empty or refused."""
    return np.where(slots > _REFUSED, slots * step, np.nan)


# --- what counts as observed -------------------------------------------------------------------------


def observed_only(observed: WeatherTable, stuck_h: float) -> WeatherTable:
    """Return ``observed`` with NaN in every hour that was not truly observed.

    Left out: hours at or after the seam, hours that had not ended when the table was fetched, and hours
    in which the air temperature stood still for ``stuck_h`` or longer (the instrument is stuck).
    """
    seen = observed.start_utc + _HOUR <= stamp_of(observed.provenance.fetched_at_utc)
    if observed.seam_utc is not None:
        seen &= observed.start_utc < stamp_of(observed.seam_utc)
    moving = seen & ~standing(observed.value("air_temperature_c"), round(stuck_h))
    values = {
        name: np.where(moving if name == "air_temperature_c" else seen, observed.value(name), np.nan)
        for name in PAIRED
    }
    return replace(observed, values=values, members={})


def past_as_known_later(tables: Sequence[WeatherTable], settled_h: float) -> WeatherTable | None:
    """Return the past as the service told it afterwards: hours ended ``settled_h`` before a fetch.

    Parameters
    ----------
    tables : sequence of WeatherTable
        Forecasts that also hold past hours; the newest wins.
    settled_h : float
        Hours that the service is given until its past no longer changes.

    Returns
    -------
    WeatherTable or None
        None where no table holds such an hour.
    """
    cut = []
    for table in sorted(tables, key=lambda one: one.provenance.fetched_at_utc, reverse=True):
        settled = stamp_of(table.provenance.fetched_at_utc - timedelta(hours=settled_h))
        past = table.between(0, int((table.start_utc + _HOUR <= settled).sum()))
        if np.isfinite(past.value("air_temperature_c")).any():
            cut.append(replace(past, members={}))
    if not cut:
        return None
    first = min(table.start_utc[0] for table in cut)
    last = max(table.start_utc[-1] for table in cut)
    as_utc = [datetime.fromtimestamp(int(at.astype(np.int64)), tz=UTC) for at in (first, last)]
    newest = cut[0].provenance.fetched_at_utc
    joined = blend(cut, as_utc[0], as_utc[1] + timedelta(hours=1), newest)
    return replace(joined, provenance=replace(joined.provenance, fetched_at_utc=newest), seam_utc=None)


# --- counting ------------------------------------------------------------------------------------------


def add_pairs(
    pairs: ErrorPairs,
    forecasts: Iterable[WeatherTable],
    observed: WeatherTable,
    zone: ZoneInfo,
    numbers: NumberTable,
) -> ErrorPairs:
    """Return ``pairs`` with every hour of ``forecasts`` that ``observed`` now knows and that was open.

    Parameters
    ----------
    pairs : ErrorPairs
    forecasts : iterable of WeatherTable
        As fetched; of a UTC day that already has its forecast, another one is not used.
    observed : WeatherTable
        See ``observed_only`` for the hours that count.
    zone : ZoneInfo
        Of the garden, for highest and lowest of its days.
    numbers : NumberTable
        Rows ``forecast_error.*`` of config/physics.toml.

    Returns
    -------
    ErrorPairs
        Doing it twice, or in another order, changes nothing. NaN on either side never counts. Errors
        above ``forecast_error.gross`` are marked refused.
    """
    truth = observed_only(observed, numbers.value("forecast_error.stuck", "h"))
    rows = dict(pairs.rows)
    for forecast in forecasts:
        fetched = forecast.provenance.fetched_at_utc.astimezone(UTC)
        row = rows.get(fetched.date())
        if row is None:
            hourly = {name: _slots(ROW_H) for name in PAIRED}
            row = ErrorRow(fetched, hourly, {name: _slots(DAYS) for name in EXTREMES})
        elif row.fetched_utc != fetched:
            continue
        rows[fetched.date()] = _filled(row, forecast, truth, zone, numbers)
    return replace(pairs, rows=rows)


def _filled(
    row: ErrorRow, forecast: WeatherTable, truth: WeatherTable, zone: ZoneInfo, numbers: NumberTable
) -> ErrorRow:
    axis: TimeArray = base_of(row.fetched_utc.date()) + np.arange(ROW_H) * _HOUR
    lead = (axis - stamp_of(row.fetched_utc)) / _HOUR
    ahead = (lead >= 0.0) & (lead < AHEAD_H)

    def both(name: str) -> tuple[FloatArray, FloatArray]:
        said = np.where(ahead, on_axis(forecast.value(name), forecast.start_utc, axis), np.nan)
        came = np.where(ahead, on_axis(truth.value(name), truth.start_utc, axis), np.nan)
        return said, came

    gross_k = numbers.value("forecast_error.gross", "K")
    said, came = both("air_temperature_c")
    hourly = {"air_temperature_c": _put(row, "air_temperature_c", said - came, gross_k)}
    for name, key in (("wind_speed_10m_m_s", "wind_from"), ("wind_gust_m_s", "gust_from")):
        least = numbers.value(f"forecast_error.{key}", "m/s")
        wind, blew = both(name)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(wind >= least, (wind - blew) / wind, np.nan)
        hourly[name] = _put(row, name, share, numbers.value("forecast_error.gross_share", "share"))
    return ErrorRow(row.fetched_utc, hourly, _extremes(row, axis, said, came, zone, numbers))


def _put(row: ErrorRow, name: str, errors: FloatArray, gross: float) -> SlotArray:
    return _into(row.hourly[name], errors, gross, PAIRED[name])


def _into(slots: SlotArray, errors: FloatArray, gross: float, step: float) -> SlotArray:
    """Return slots with errors in those that were empty."""
    known = np.isfinite(errors)
    steps = np.round(np.where(known, errors, 0.0) / step)
    kept = np.where(np.abs(steps) * step > gross, _REFUSED, np.clip(steps, -_MOST, _MOST)).astype(np.int16)
    return np.where((slots == _EMPTY) & known, kept, slots).astype(np.int16)


def _extremes(
    row: ErrorRow,
    axis: TimeArray,
    said: FloatArray,
    came: FloatArray,
    zone: ZoneInfo,
    numbers: NumberTable,
) -> dict[str, SlotArray]:
    """Errors of highest and lowest of whole local days; hours known on one side only are left out."""
    coverage = numbers.value("forecast_error.day_coverage", "share")
    gross = numbers.value("forecast_error.gross", "K")
    found = {name: np.full(DAYS, np.nan) for name in EXTREMES}
    known = np.isfinite(said - came)
    first = local_day_of(row.fetched_utc, zone)
    for place in range(DAYS):
        if row.daily["maximum"][place] != _EMPTY:
            continue
        day = first + timedelta(days=place)
        begin, end = (stamp_of(bound) for bound in day_bounds_utc(day, zone))
        hours = known & (axis >= begin) & (axis < end)
        count = int(hours.sum())
        if count and count >= coverage * hours_of_day(day, zone):
            found["maximum"][place] = said[hours].max() - came[hours].max()
            found["minimum"][place] = said[hours].min() - came[hours].min()
    step = PAIRED["air_temperature_c"]
    return {name: _into(row.daily[name], found[name], gross, step) for name in EXTREMES}


def forget_before(pairs: ErrorPairs, day: date) -> ErrorPairs:
    """Return ``pairs`` without forecasts fetched before a UTC day."""
    return replace(pairs, rows={at: row for at, row in pairs.rows.items() if at >= day})
