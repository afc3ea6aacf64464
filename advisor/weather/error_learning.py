"""From the errors themselves to what is told of them: statistics by class, and the check of a correction.

A correction is shown to help only on days that it was not learned from: the bias of the earlier days is
taken off the later ones, class by class. It is made only from a station's record; the service's own
past shares the faults that are to be corrected.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from advisor.units import NumberTable
from advisor.weather.error_pairs import (
    AHEAD_H,
    DAYS,
    EXTREMES,
    PAIRED,
    ROW_H,
    ErrorPairs,
    base_of,
    errors_of,
)
from advisor.weather.forecast_error import (
    HOUR_CLASSES,
    HOURS_A_CLASS,
    LEAD_EDGES_H,
    LEADS,
    Correction,
    ErrorStat,
    ForecastError,
    trust,
)
from advisor.weather.table import FloatArray, TimeArray, stamp_of

__all__ = ["Laid", "corrections_of", "kept", "laid_out", "statistics", "summarise"]

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
_HOUR = np.timedelta64(3600, "s")
_Z = 0.6745
"""Makes the median absolute deviation of a normal distribution its standard deviation."""


@dataclass(frozen=True, slots=True)
class Laid:
    """Errors of all forecasts side by side: arrays of shape (forecast, slot).

    Attributes
    ----------
    fetched_utc : tuple of datetime
    start_utc : datetime64[s] array
        Start of the hour.
    errors : mapping of name to float array [K or share], NaN where not known
    lead_class, hour_class : int array
        -1 outside the lead times followed.
    day : int array
        Ordinal of the local date of the hour.
    daily : mapping of ``maximum`` and ``minimum`` to float array, shape (forecast, day)
    daily_lead, daily_day : int array, shape (forecast, day)
        Lead class of the local noon; ordinal of the date.
    """

    fetched_utc: tuple[datetime, ...]
    start_utc: TimeArray
    errors: dict[str, FloatArray]
    lead_class: IntArray
    hour_class: IntArray
    day: IntArray
    daily: dict[str, FloatArray]
    daily_lead: IntArray
    daily_day: IntArray


def _class_of(lead_h: FloatArray) -> IntArray:
    found = np.searchsorted(LEAD_EDGES_H, lead_h, side="right") - 1
    return np.where((lead_h >= 0.0) & (lead_h < AHEAD_H), found, -1).astype(np.int64)


def laid_out(pairs: ErrorPairs, zone: ZoneInfo) -> Laid:
    """Return the errors of ``pairs`` as arrays, with the class of each."""
    rows = [pairs.rows[day] for day in sorted(pairs.rows)]
    bases = [base_of(day) for day in sorted(pairs.rows)]
    first = bases[0] if bases else np.datetime64(0, "s")
    hours = int((bases[-1] - first) // _HOUR) + ROW_H if bases else 0
    begin = datetime.fromtimestamp(int(first.astype(np.int64)), tz=UTC)
    local = [(begin + timedelta(hours=hour)).astimezone(zone) for hour in range(hours)]
    hour_class = np.array([at.hour // HOURS_A_CLASS for at in local], dtype=np.int64)
    ordinal = np.array([at.toordinal() for at in local], dtype=np.int64)
    place = np.array([int((base - first) // _HOUR) for base in bases], dtype=np.int64).reshape(-1, 1)
    slot = place + np.arange(ROW_H)
    fetched = np.array([stamp_of(row.fetched_utc) for row in rows], dtype="datetime64[s]").reshape(-1, 1)
    lead_h = (first + slot * _HOUR - fetched) / _HOUR
    days = [row.fetched_utc.astimezone(zone).toordinal() for row in rows]
    noon_s = {
        day: (datetime.fromordinal(day) + timedelta(hours=12)).replace(tzinfo=zone).timestamp()
        for day in {first_day + n for first_day in days for n in range(DAYS)}
    }
    noon_h = np.array(
        [
            [(noon_s[day + n] - row.fetched_utc.timestamp()) / 3600.0 for n in range(DAYS)]
            for day, row in zip(days, rows, strict=True)
        ],
        dtype=np.float64,
    )
    step = PAIRED["air_temperature_c"]
    return Laid(
        tuple(row.fetched_utc for row in rows),
        first + slot * _HOUR,
        {
            name: errors_of(np.array([row.hourly[name] for row in rows]).reshape(-1, ROW_H), size)
            for name, size in PAIRED.items()
        },
        _class_of(lead_h),
        hour_class[slot] if hours else slot,
        ordinal[slot] if hours else slot,
        {
            name: errors_of(np.array([row.daily[name] for row in rows]).reshape(-1, DAYS), step)
            for name in EXTREMES
        },
        _class_of(noon_h.reshape(-1, DAYS)),
        np.array(days, dtype=np.int64).reshape(-1, 1) + np.arange(DAYS),
    )


# --- statistics ----------------------------------------------------------------------------------------


def kept(errors: FloatArray, most: float, least_spread: float) -> BoolArray:
    """Return True for errors that are no outliers; NaN is False.

    Parameters
    ----------
    errors : float array, shape (n,)
    most : float
        Largest modified z-score.
    least_spread : float
        Below this the spread is not taken to be, so that equal values do not make all others outliers.

    Source: Iglewicz and Hoaglin 1993: 0.6745 |x - median| / MAD. Checked:
    tests/weather/test_forecast_error.py.
    """
    known = np.isfinite(errors)
    if not known.any():
        return known
    middle = np.median(errors[known])
    width = max(float(np.median(np.abs(errors[known] - middle))), _Z * least_spread)
    with np.errstate(invalid="ignore"):
        near: BoolArray = known & (_Z * np.abs(errors - middle) <= most * width)
    return near


def statistics(errors: FloatArray, days: IntArray, most: float, least_spread: float) -> ErrorStat:
    """Return count, days, bias and spread of the errors that are no outliers, shapes (n,)."""
    near = kept(errors, most, least_spread)
    count = int(near.sum())
    if not count:
        return ErrorStat(0, 0, np.nan, np.nan)
    used = errors[near]
    return ErrorStat(count, int(np.unique(days[near]).size), float(used.mean()), float(used.std()))


@dataclass(frozen=True, slots=True)
class _Trim:
    most: float
    least_k: float
    least_share: float

    @classmethod
    def of(cls, numbers: NumberTable) -> _Trim:
        return cls(
            numbers.value("forecast_error.outlier", "1"),
            numbers.value("forecast_error.least_spread", "K"),
            numbers.value("forecast_error.least_spread_share", "share"),
        )


def summarise(pairs: ErrorPairs, zone: ZoneInfo, numbers: NumberTable) -> ForecastError | None:
    """Return what ``pairs`` say, or None where no hour was compared yet.

    Parameters
    ----------
    pairs : ErrorPairs
    zone : ZoneInfo
        Of the garden.
    numbers : NumberTable
        Rows ``forecast_error.*`` of config/physics.toml.
    """
    if not pairs.counted:
        return None
    laid, trim = laid_out(pairs, zone), _Trim.of(numbers)

    def by_lead(errors: FloatArray, lead: IntArray, day: IntArray, least: float) -> tuple[ErrorStat, ...]:
        return tuple(
            statistics(errors[lead == place], day[lead == place], trim.most, least) for place in range(LEADS)
        )

    air = laid.errors["air_temperature_c"]
    hourly = tuple(
        tuple(
            statistics(air[cell], laid.day[cell], trim.most, trim.least_k)
            for cell in (_cell(laid, lead, place) for place in range(HOUR_CLASSES))
        )
        for lead in range(LEADS)
    )
    known = laid.day[np.isfinite(air) & (laid.lead_class >= 0)]
    return ForecastError(
        source=pairs.source,
        compared_with=pairs.compared_with,
        reference=pairs.reference,
        first_day=date.fromordinal(int(known.min())),
        last_day=date.fromordinal(int(known.max())),
        hourly=hourly,
        by_lead=by_lead(air, laid.lead_class, laid.day, trim.least_k),
        maximum=by_lead(laid.daily["maximum"], laid.daily_lead, laid.daily_day, trim.least_k),
        minimum=by_lead(laid.daily["minimum"], laid.daily_lead, laid.daily_day, trim.least_k),
        wind=by_lead(laid.errors["wind_speed_10m_m_s"], laid.lead_class, laid.day, trim.least_share),
        gust=by_lead(laid.errors["wind_gust_m_s"], laid.lead_class, laid.day, trim.least_share),
        corrections=corrections_of(laid, numbers)
        if pairs.compared_with == "station" and pairs.stands_for_garden
        else ((None,) * HOUR_CLASSES,) * LEADS,
        refused=pairs.refused,
    )


def _cell(laid: Laid, lead: int, place: int) -> BoolArray:
    found: BoolArray = (laid.lead_class == lead) & (laid.hour_class == place)
    return found


# --- the check of a correction ---------------------------------------------------------------------------


def corrections_of(laid: Laid, numbers: NumberTable) -> tuple[tuple[Correction | None, ...], ...]:
    """Return for each lead and hour class the correction that was shown to help, or None."""
    air, trim = laid.errors["air_temperature_c"], _Trim.of(numbers)
    return tuple(
        tuple(
            _shown(air[cell], laid.day[cell], trim, numbers)
            for cell in (_cell(laid, lead, place) for place in range(HOUR_CLASSES))
        )
        for lead in range(LEADS)
    )


def _shown(errors: FloatArray, days: IntArray, trim: _Trim, numbers: NumberTable) -> Correction | None:
    near = kept(errors, trim.most, trim.least_k)
    errors, days = errors[near], days[near]
    each = np.unique(days)
    tested = round(each.size * numbers.value("forecast_error.test_part", "share"))
    learned = each.size - tested
    if tested < numbers.value("forecast_error.test_days", "d") or learned < numbers.value(
        "forecast_error.learn_days", "d"
    ):
        return None
    earlier = days < each[learned]
    taken = _drawn(errors[earlier], learned, numbers)
    before = float(np.abs(errors[~earlier]).mean())
    after = float(np.abs(errors[~earlier] - taken).mean())
    gain_k = numbers.value("forecast_error.gain", "K")
    if before - after < max(gain_k, numbers.value("forecast_error.gain_part", "share") * before):
        return None
    most = numbers.value("forecast_error.correction_most", "K")
    now = float(np.clip(_drawn(errors, int(each.size), numbers), -most, most))
    return Correction(now, int(each.size), before, after) if now * taken > 0.0 else None


def _drawn(errors: FloatArray, days: int, numbers: NumberTable) -> float:
    """Bias drawn towards zero."""
    return trust(days, numbers) * float(errors.mean())
