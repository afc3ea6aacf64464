"""Radiation: above the atmosphere, through cloud, split into beam and diffuse, and from the sky.

The FAO-56 and ASCE equations use their own short sun formulas at mid-interval; they stay here with
those equations so that printed examples come out digit for digit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.missing import FloatArray, as_float
from advisor.physics.sun import HourlySun

__all__ = [
    "clear_share_from_temperature_range",
    "clear_sky_shortwave_mj_m2",
    "extraterrestrial_daily_mj_m2",
    "extraterrestrial_hourly_mj_m2",
    "fao_sun_sine",
    "shortwave_from_cloud_w_m2",
    "shortwave_from_sunshine_mj_m2",
    "shortwave_from_temperature_range_mj_m2",
    "sky_longwave_w_m2",
    "split_shortwave",
]

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
"""FAO-56 eq. 21."""
STEFAN_BOLTZMANN_W_M2_K4 = 5.670374419e-8
"""CODATA 2018, exact to the digits given."""
ZERO_C_IN_K = 273.15


def _distance_and_declination(day_of_year: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverse relative distance Earth-Sun (eq. 23) and declination [rad] (eq. 24)."""
    angle = 2.0 * np.pi * day_of_year / 365.0
    return as_float(1.0 + 0.033 * np.cos(angle)), as_float(0.409 * np.sin(angle - 1.39))


def _sunset_angle(latitude: FloatArray, declination: FloatArray) -> FloatArray:
    """Sunset hour angle [rad] (eq. 25); 0 in the polar night, pi in the polar day."""
    return as_float(np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0)))


def _day_and_hour_angle(
    start_utc: NDArray[np.datetime64], longitude_deg: FloatArray, period_s: float
) -> tuple[FloatArray, FloatArray]:
    """Day of year by local mean solar time, and hour angle [rad] at the middle of the period."""
    start = start_utc.astype("datetime64[s]")
    known = ~np.isnat(start) & np.isfinite(longitude_deg)
    seconds = np.where(np.isnat(start), 0, start.astype(np.int64)).astype(np.float64)
    local_s = np.where(known, seconds + period_s / 2.0 + longitude_deg * 240.0, 0.0)
    days = np.floor(local_s / 86400.0)
    dates = days.astype(np.int64).astype("datetime64[D]")
    day_of_year = (dates - dates.astype("datetime64[Y]")).astype(np.float64) + 1.0
    b = 2.0 * np.pi * (day_of_year - 81.0) / 364.0
    correction_h = 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    hour = (local_s - days * 86400.0) / 3600.0
    angle = np.pi / 12.0 * (hour + correction_h - 12.0)
    return as_float(np.where(known, day_of_year, np.nan)), as_float(np.where(known, angle, np.nan))


def fao_sun_sine(
    start_utc: ArrayLike, latitude_deg: ArrayLike, longitude_deg: ArrayLike, period_s: float = 3600.0
) -> FloatArray:
    """Sine of the sun's elevation at the middle of each period, by the short formulas of FAO-56.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Starts of the periods, UTC. NaT gives NaN.
    latitude_deg, longitude_deg : float array
        North and east positive. Broadcast.
    period_s : float
        Length of a period.

    Returns
    -------
    float array
        Negative at night.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 24, 31-33; ASCE-EWRI 2005 eq. 62. Checked:
    tests/published/test_radiation.py.
    """
    latitude = np.radians(as_float(latitude_deg))
    day, angle = _day_and_hour_angle(np.asarray(start_utc), as_float(longitude_deg), period_s)
    _, declination = _distance_and_declination(day)
    return as_float(
        np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
    )


def extraterrestrial_hourly_mj_m2(
    start_utc: ArrayLike, latitude_deg: ArrayLike, longitude_deg: ArrayLike, period_s: float = 3600.0
) -> FloatArray:
    """Radiation on a level surface above the atmosphere during each period.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Starts of the periods, UTC. NaT gives NaN.
    latitude_deg, longitude_deg : float array
        North and east positive (the standard's own formula counts west). Broadcast.
    period_s : float
        Length of a period.

    Returns
    -------
    float array
        [MJ/m2 per period]; zero when the sun stays below the horizon.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 28-33 with the hour angles held inside sunrise and sunset as in ASCE-EWRI
    2005 eq. 56. Checked: tests/published/test_radiation.py.
    """
    latitude = np.radians(as_float(latitude_deg))
    day, angle = _day_and_hour_angle(np.asarray(start_utc), as_float(longitude_deg), period_s)
    distance, declination = _distance_and_declination(day)
    sunset = _sunset_angle(latitude, declination)
    half = np.pi * period_s / 86400.0
    first = np.clip(angle - half, -sunset, sunset)
    last = np.clip(angle + half, -sunset, sunset)
    geometry = (last - first) * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * (np.sin(last) - np.sin(first))
    return as_float(np.maximum(720.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * geometry, 0.0))


def extraterrestrial_daily_mj_m2(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> FloatArray:
    """Radiation on a level surface above the atmosphere during a day.

    Parameters
    ----------
    latitude_deg : float array
        North positive.
    day_of_year : float array
        1..366. Broadcast.

    Returns
    -------
    float array
        [MJ/m2 per day]; zero in the polar night.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 21, 23-25. Checked: tests/published/test_radiation.py.
    """
    latitude = np.radians(as_float(latitude_deg))
    distance, declination = _distance_and_declination(as_float(day_of_year))
    sunset = _sunset_angle(latitude, declination)
    geometry = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * np.sin(sunset)
    return as_float(np.maximum(1440.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * geometry, 0.0))


def clear_sky_shortwave_mj_m2(extraterrestrial_mj_m2: ArrayLike, elevation_m: ArrayLike) -> FloatArray:
    """Clear-sky shortwave radiation of the evapotranspiration equations.

    It is too high when the sun is low; use ``sun.clear_sky_w_m2`` for anything but those equations.

    Parameters
    ----------
    extraterrestrial_mj_m2 : float array
        Per hour or day.
    elevation_m : float array
        Of the place. Broadcast.

    Returns
    -------
    float array
        [MJ/m2] over the same time.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 37. Checked: tests/published/test_radiation.py.
    """
    return as_float((0.75 + 2e-5 * as_float(elevation_m)) * as_float(extraterrestrial_mj_m2))


def shortwave_from_cloud_w_m2(clear_sky_w_m2: ArrayLike, cloud_cover_pct: ArrayLike) -> FloatArray:
    """Shortwave radiation estimated from cloud cover.

    Parameters
    ----------
    clear_sky_w_m2 : float array
        Under a clear sky.
    cloud_cover_pct : float array
        Total cover 0..100; NaN outside. Broadcast.

    Returns
    -------
    float array
        [W/m2]; a quarter of the clear-sky value when overcast.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Kasten and Czeplak 1980, Solar Energy 24: 177-189, G/G0 = 1 - 0.75 (N/8)^3.4. Checked:
    tests/physics/test_radiation.py.
    """
    cover = as_float(cloud_cover_pct) / 100.0
    with np.errstate(invalid="ignore"):
        cover = np.where((cover >= 0.0) & (cover <= 1.0), cover, np.nan)
    return as_float(as_float(clear_sky_w_m2) * (1.0 - 0.75 * cover**3.4))


def shortwave_from_sunshine_mj_m2(
    sunshine_h: ArrayLike, day_length_h: ArrayLike, extraterrestrial_mj_m2: ArrayLike
) -> FloatArray:
    """Daily shortwave radiation from hours of sunshine.

    Parameters
    ----------
    sunshine_h, day_length_h, extraterrestrial_mj_m2 : float array
        Of the day. Broadcast.

    Returns
    -------
    float array
        [MJ/m2 per day]; NaN where the day has no length.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 35 with as = 0.25, bs = 0.50. Checked: tests/published/test_radiation.py.
    """
    length = as_float(day_length_h)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = as_float(sunshine_h) / np.where(length > 0.0, length, np.nan)
    return as_float((0.25 + 0.50 * share) * as_float(extraterrestrial_mj_m2))


def shortwave_from_temperature_range_mj_m2(
    temperature_max_c: ArrayLike,
    temperature_min_c: ArrayLike,
    extraterrestrial_mj_m2: ArrayLike,
    coefficient: ArrayLike = 0.16,
) -> FloatArray:
    """Daily shortwave radiation from the day's temperature range.

    Parameters
    ----------
    temperature_max_c, temperature_min_c : float array
        Of the day; NaN where the maximum is below the minimum.
    extraterrestrial_mj_m2 : float array
        Of the day.
    coefficient : float array
        0.16 inland, 0.19 near a coast. Broadcast.

    Returns
    -------
    float array
        [MJ/m2 per day], not limited to the clear-sky value.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 50 (Hargreaves and Samani). Checked: tests/published/test_radiation.py.
    """
    spread = as_float(temperature_max_c) - as_float(temperature_min_c)
    with np.errstate(invalid="ignore"):
        root = np.sqrt(np.where(spread >= 0.0, spread, np.nan))
    return as_float(as_float(coefficient) * root * as_float(extraterrestrial_mj_m2))


def clear_share_from_temperature_range(
    temperature_max_c: ArrayLike,
    temperature_min_c: ArrayLike,
    extraterrestrial_mj_m2: ArrayLike,
    elevation_m: ArrayLike,
    coefficient: ArrayLike = 0.16,
) -> FloatArray:
    """Share of clear-sky radiation that a day's temperature range points to.

    Parameters
    ----------
    temperature_max_c, temperature_min_c, extraterrestrial_mj_m2, coefficient : float array
        As for ``shortwave_from_temperature_range_mj_m2``.
    elevation_m : float array
        Of the place. Broadcast.

    Returns
    -------
    float array
        Rs/Rso of the day, 0..1; NaN where the day has no sun.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 50 and 37. Checked: tests/physics/test_radiation.py.
    """
    shortwave = shortwave_from_temperature_range_mj_m2(
        temperature_max_c, temperature_min_c, extraterrestrial_mj_m2, coefficient
    )
    clear = clear_sky_shortwave_mj_m2(extraterrestrial_mj_m2, elevation_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        return as_float(np.minimum(shortwave / np.where(clear > 0.0, clear, np.nan), 1.0))


def split_shortwave(
    shortwave_w_m2: ArrayLike, hourly_sun: HourlySun, start_utc: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Split hourly shortwave radiation into beam and diffuse.

    The clearness of the hour is its radiation over the extraterrestrial radiation of the same hour,
    both means with the dark part counted, so that hours with sunrise or sunset are treated like any
    other. Energy is kept: diffuse + direct normal x mean sin(elevation) is the shortwave again.

    Parameters
    ----------
    shortwave_w_m2 : float array, shape (..., H)
        Hourly mean on a level surface; NaN where negative.
    hourly_sun : HourlySun
        Of the same hours.
    start_utc : datetime64 array, shape (H,)
        Starts of the hours; only the day of the year matters.

    Returns
    -------
    direct_normal_w_m2, diffuse_w_m2 : float array, shape (..., H)
        All is diffuse when the mean sine of the elevation is below that of 3 degrees. The beam is
        never above the extraterrestrial one; what is over goes to the diffuse part.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Erbs, Klein and Duffie 1982, Solar Energy 28: 293-302 (pvlib ``irradiance.erbs``).
    Checked: tests/physics/test_radiation.py.
    """
    from pvlib import irradiance

    given = as_float(shortwave_w_m2)
    with np.errstate(invalid="ignore"):
        shortwave = np.where(given >= 0.0, given, np.nan)
    days = np.asarray(start_utc, dtype="datetime64[D]")
    day_of_year = (days - days.astype("datetime64[Y]")).astype(np.float64) + 1.0
    day_of_year = np.where(np.isnat(days), np.nan, day_of_year)
    sine = hourly_sun.mean_sin_elevation
    zenith = np.degrees(np.arccos(np.clip(sine, 0.0, 1.0)))
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = irradiance.erbs(shortwave, zenith, day_of_year)
    extraterrestrial = as_float(irradiance.get_extra_radiation(day_of_year))
    direct = np.minimum(as_float(parts["dni"]), extraterrestrial)
    # pvlib sets the beam to zero, not NaN, where the sun is low and the radiation unknown.
    direct = np.where(np.isnan(shortwave + sine), np.nan, direct)
    return as_float(direct), as_float(np.maximum(shortwave - direct * sine, 0.0))


def sky_longwave_w_m2(
    air_temperature_c: ArrayLike, vapour_pressure_kpa: ArrayLike, cloud_share: ArrayLike
) -> FloatArray:
    """Longwave radiation from the sky.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_kpa : float array
        At screen height. A vapour pressure below zero gives NaN.
    cloud_share : float array
        Share of the sky covered, 0..1; NaN outside. Broadcast.

    Returns
    -------
    float array
        Downward flux [W/m2].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Brutsaert 1975, Water Resour. Res. 11: 742-744, clear sky; Campbell and Norman 1998
    eq. 10.12, cloud. Checked: tests/physics/test_radiation.py.
    """
    kelvin = as_float(air_temperature_c) + ZERO_C_IN_K
    vapour_hpa = 10.0 * as_float(vapour_pressure_kpa)
    cloud = as_float(cloud_share)
    with np.errstate(invalid="ignore"):
        cloud = np.where((cloud >= 0.0) & (cloud <= 1.0), cloud, np.nan)
        vapour_hpa = np.where(vapour_hpa >= 0.0, vapour_hpa, np.nan)
    clear = np.minimum(1.24 * (vapour_hpa / kelvin) ** (1.0 / 7.0), 1.0)
    emissivity = (1.0 - 0.84 * cloud) * clear + 0.84 * cloud
    return as_float(emissivity * STEFAN_BOLTZMANN_W_M2_K4 * kelvin**4)
