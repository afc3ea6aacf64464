"""Missing variables worked out from those that are there, and marked as derived.

What is given is never overwritten. Rules, in order:

- humidity from dew point and air, dew point from humidity and air, in the hours where the other is known;
- pressure from the height of the place;
- gusts from the wind by a factor;
- shortwave in hours with known cloud from clear sky and cloud; in the other hours from the temperature
  range of their day (by mean solar time), if enough of that day's temperatures are known;
- direct and diffuse parts from the shortwave, both together, in hours where either is missing;
- reference evapotranspiration from the values of the same row, in hours where it is not given.

An hour whose inputs are missing stays missing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from advisor.physics.air import (
    dew_point_c,
    pressure_kpa_from_elevation,
    relative_humidity_pct,
    saturation_vapour_pressure_kpa,
    vapour_pressure_kpa,
)
from advisor.physics.evapotranspiration import reference_et_hourly_mm
from advisor.physics.missing import reduce_over
from advisor.physics.radiation import (
    clear_share_from_temperature_range,
    extraterrestrial_daily_mj_m2,
    extraterrestrial_hourly_mj_m2,
    shortwave_from_cloud_w_m2,
    split_shortwave,
)
from advisor.physics.sun import HourlySun, clear_sky_w_m2, hourly_sun
from advisor.physics.wind import wind_at_height_m_s
from advisor.units import NumberTable
from advisor.weather.quality import QualityNumbers, checked, in_range
from advisor.weather.table import VARIABLES, FloatArray, WeatherTable

__all__ = ["DeriveNumbers", "complete"]

_MJ_M2_PER_W_M2_H = 0.0036


@dataclass(frozen=True, slots=True)
class DeriveNumbers:
    """Numbers of the rules.

    Attributes
    ----------
    gust_factor : float
        Gust over hourly wind at 10 m.
    range_coefficient : float
        Of FAO-56 eq. 50, inland or near a coast.
    range_coverage : float
        Share 0..1 of a day's temperatures that must be known for its range to count.
    """

    gust_factor: float
    range_coefficient: float
    range_coverage: float

    @classmethod
    def from_numbers(cls, numbers: NumberTable) -> DeriveNumbers:
        """Read the rows under ``weather.``; ``SettingsError`` where one is missing."""
        return cls(
            numbers.value("weather.gust_factor", "1"),
            numbers.value("weather.range_coefficient", "1"),
            numbers.value("weather.extreme_coverage_share", "share"),
        )


class _Filling:
    """Values being completed, with a record of what was filled and how."""

    def __init__(self, table: WeatherTable) -> None:
        self.table = table
        self.values = dict(table.values)
        self.derived = list(table.provenance.derived)
        self.notes = list(table.provenance.notes)

    def get(self, name: str) -> FloatArray:
        found = self.values.get(name)
        return np.full(self.table.hours, np.nan) if found is None else found

    def put(self, name: str, estimate: FloatArray, how: str, where: NDArray[np.bool_] | None = None) -> None:
        """Put ``estimate`` into the missing hours of ``name`` (or into ``where``)."""
        own = self.get(name)
        gap = np.isnan(own) if where is None else where
        filled = gap & np.isfinite(estimate)
        count = int(filled.sum())
        if not count:
            return
        self.values[name] = np.where(filled, estimate, own)
        if name not in self.derived:
            self.derived.append(name)
        note = f"derived: {name}, {count} h {how}"
        if note not in self.notes:
            self.notes.append(note)

    def done(self) -> WeatherTable:
        missing = tuple(
            sorted(
                name
                for name in VARIABLES
                if name not in self.values or not np.isfinite(self.values[name]).any()
            )
        )
        origin = replace(
            self.table.provenance,
            derived=tuple(name for name in self.derived if name not in missing),
            missing=missing,
            notes=tuple(self.notes),
        )
        return replace(self.table, values=self.values, provenance=origin)


def complete(
    table: WeatherTable,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
    *,
    derive: DeriveNumbers,
    quality: QualityNumbers,
) -> WeatherTable:
    """Return ``table`` checked and with what can be worked out; the rules are at the head of this module.

    Parameters
    ----------
    table : WeatherTable
        As joined, with members or without.
    latitude_deg, longitude_deg, elevation_m : float
        Of the garden.
    derive, quality : DeriveNumbers, QualityNumbers
        Numbers of the rules and of the checks that go before them (``quality.checked``): nonsense
        would breed nonsense.

    Returns
    -------
    WeatherTable
        Every name that was filled, wholly or in part, is in ``provenance.derived`` and its hours are in
        the notes; every canonical name without a single value is in ``provenance.missing``. A member
        with its own shortwave gets its own direct and diffuse parts, and each member its own
        evapotranspiration. Doing it twice changes nothing.
    """
    if not table.hours:
        return table
    outside = extraterrestrial_hourly_mj_m2(table.start_utc, latitude_deg, longitude_deg) / _MJ_M2_PER_W_M2_H
    sun = hourly_sun(table.start_utc, latitude_deg, longitude_deg, elevation_m)
    fill = _Filling(checked(table, quality, outside))
    air = fill.get("air_temperature_c")
    from_dew_point = np.minimum(relative_humidity_pct(air, fill.get("dew_point_c")), 100.0)
    fill.put("relative_humidity_pct", from_dew_point, "from dew point")
    from_humidity = dew_point_c(vapour_pressure_kpa(air, fill.get("relative_humidity_pct")))
    fill.put("dew_point_c", from_humidity, "from humidity")
    pressure = np.full(table.hours, float(pressure_kpa_from_elevation(elevation_m)) * 10.0)
    fill.put("pressure_hpa", pressure, "from the height of the place")
    fill.put("wind_gust_m_s", fill.get("wind_speed_10m_m_s") * derive.gust_factor, "from the wind")
    _fill_shortwave(fill, sun, derive, (latitude_deg, longitude_deg, elevation_m))
    direct, diffuse = split_shortwave(fill.get("shortwave_w_m2"), sun, table.start_utc)
    either = np.isnan(fill.get("direct_normal_w_m2")) | np.isnan(fill.get("diffuse_w_m2"))
    fill.put("direct_normal_w_m2", direct, "from the shortwave", either)
    fill.put("diffuse_w_m2", diffuse, "from the shortwave", either)
    evaporated = _reference_et(fill.get, table, latitude_deg, longitude_deg, elevation_m)
    fill.put("reference_et_mm", evaporated, "by ASCE-EWRI 2005, short, hourly")
    done = fill.done()
    return _members_completed(done, sun, (latitude_deg, longitude_deg, elevation_m)) if done.members else done


def _reference_et(
    get: Callable[[str], FloatArray],
    table: WeatherTable,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
) -> FloatArray:
    return reference_et_hourly_mm(
        table.start_utc,
        get("air_temperature_c"),
        saturation_vapour_pressure_kpa(get("dew_point_c")),
        wind_at_height_m_s(get("wind_speed_10m_m_s"), 10.0),
        get("shortwave_w_m2"),
        latitude_deg,
        longitude_deg,
        elevation_m,
    )


def _fill_shortwave(
    fill: _Filling, sun: HourlySun, numbers: DeriveNumbers, place: tuple[float, float, float]
) -> None:
    if not np.isnan(fill.get("shortwave_w_m2")).any():
        return
    clear = clear_sky_w_m2(sun)
    at_start = fill.get("cloud_cover_pct")
    at_end = np.append(at_start[1:], np.nan)
    # Cloud is an instant: over the hour it is the mean of both ends where the next one is known.
    cloud = np.where(np.isfinite(at_end), (at_start + at_end) / 2.0, at_start)
    fill.put("shortwave_w_m2", shortwave_from_cloud_w_m2(clear, cloud), "from clear sky and cloud")
    unknown = np.isnan(fill.get("shortwave_w_m2"))
    if unknown.any():
        share = _clear_share_by_hour(fill, unknown, numbers, *place)
        fill.put("shortwave_w_m2", clear * share, "from clear sky and the day's temperature range")


def _clear_share_by_hour(
    fill: _Filling,
    wanted: NDArray[np.bool_],
    numbers: DeriveNumbers,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
) -> FloatArray:
    """Share of clear-sky radiation of the solar day of each hour that is ``wanted``, NaN in other days.

    NaN too where too little of the day is known.
    """
    air = fill.get("air_temperature_c")
    shift = np.timedelta64(round(longitude_deg * 240.0), "s")
    days = (fill.table.start_utc + shift).astype("datetime64[D]")
    inside = np.isin(days, days[wanted])
    each, day_of = np.unique(days[inside], return_inverse=True)
    # The sun's day has 24 rows; those outside the table are as unknown as those that are NaN.
    whole = np.full((each.size, 24), np.nan)
    whole[day_of, np.arange(day_of.size) - np.searchsorted(day_of, np.arange(each.size))[day_of]] = air[
        inside
    ]
    highest = reduce_over(whole, "max", minimum_coverage=numbers.range_coverage).value
    lowest = reduce_over(whole, "min", minimum_coverage=numbers.range_coverage).value
    day_of_year = (each - each.astype("datetime64[Y]")).astype(np.float64) + 1.0
    outside = extraterrestrial_daily_mj_m2(latitude_deg, day_of_year)
    by_day = clear_share_from_temperature_range(
        highest, lowest, outside, elevation_m, numbers.range_coefficient
    )
    share = np.full(air.size, np.nan)
    share[inside] = by_day[day_of]
    return share


def _members_completed(
    table: WeatherTable, sun: HourlySun, place: tuple[float, float, float]
) -> WeatherTable:
    """Members on the completed table: their gaps inside the ensemble's span, radiation parts, evaporation."""
    members = {name: in_range(name, array)[0] for name, array in table.members.items()}
    air = members.get("air_temperature_c")
    if air is None:
        return table
    known = np.flatnonzero(np.isfinite(air).any(axis=0))
    span = np.arange(table.hours) <= (known[-1] if known.size else -1)
    for name, array in members.items():
        empty = span & ~np.isfinite(array).any(axis=0)
        members[name] = np.where(empty, table.value(name), array)
    if "dew_point_c" not in members:
        members["dew_point_c"] = np.where(span, np.minimum(table.value("dew_point_c"), air), np.nan)
    if "shortwave_w_m2" in members:
        direct, diffuse = split_shortwave(members["shortwave_w_m2"], sun, table.start_utc)
        members.setdefault("direct_normal_w_m2", direct)
        members.setdefault("diffuse_w_m2", diffuse)
    if "reference_et_mm" not in members:
        own = replace(table, members=members)
        members["reference_et_mm"] = _reference_et(own.member, table, *place)
    return replace(table, members=members)
