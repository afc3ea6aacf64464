"""Where the sun is, hour by hour, and what a clear sky would give.

Positions come from pvlib's NREL solar position algorithm. The short declination formula of FAO-56
is 1.1 degrees off in October: good enough for evapotranspiration, not for sun on a pot wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.missing import FloatArray, as_float

BLOCK_H = 240
"""Hours of sun positions worked out and remembered together; mornings that follow share most of theirs."""

__all__ = [
    "HourlySun",
    "SunPosition",
    "clear_sky_w_m2",
    "day_length_h",
    "hourly_sun",
    "solar_hour",
    "sun_position",
]


@dataclass(frozen=True, slots=True)
class SunPosition:
    """Sun position at instants; all arrays have the shape of the instants.

    Attributes
    ----------
    elevation_deg : float array
        True (geometric) elevation of the sun's centre, without refraction.
    apparent_elevation_deg : float array
        Elevation as seen, with refraction: what decides whether a hedge hides the sun.
    azimuth_deg : float array
        From north through east, 0..360.
    cos_zenith : float array
        Cosine of the true zenith angle; negative at night.
    """

    elevation_deg: FloatArray
    apparent_elevation_deg: FloatArray
    azimuth_deg: FloatArray
    cos_zenith: FloatArray


@dataclass(frozen=True, slots=True)
class HourlySun:
    """The sun within each hour, at the middles of equal parts of the hour.

    Attributes
    ----------
    elevation_deg, azimuth_deg : float array, shape (H, steps)
        Apparent elevation (with refraction) and azimuth from north through east.
    mean_sin_elevation : float array, shape (H,)
        Mean over the hour of sin(elevation), night counted as zero.
    sunlit_share : float array, shape (H,)
        Share of the parts of the hour with the sun above a flat horizon.
    """

    elevation_deg: FloatArray
    azimuth_deg: FloatArray
    mean_sin_elevation: FloatArray
    sunlit_share: FloatArray


def _spa(
    instants_utc: NDArray[np.datetime64],
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
    pressure_hpa: float | None,
    air_temperature_c: float,
) -> tuple[NDArray[np.bool_], dict[str, FloatArray]]:
    """Ask pvlib for known instants; return which were known and the columns for those."""
    import pandas as pd
    from pvlib import atmosphere, solarposition

    flat = np.asarray(instants_utc, dtype="datetime64[ns]").ravel()
    known = ~np.isnat(flat)
    pressure_pa = (
        float(atmosphere.alt2pres(elevation_m)) if pressure_hpa is None else 100.0 * float(pressure_hpa)
    )
    table = solarposition.spa_python(
        pd.DatetimeIndex(flat[known], tz="UTC"),
        float(latitude_deg),
        float(longitude_deg),
        altitude=float(elevation_m),
        pressure=pressure_pa,
        temperature=float(air_temperature_c),
    )
    return known, {str(name): as_float(table[name].to_numpy()) for name in table.columns}


def _spread(known: NDArray[np.bool_], values: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    out = np.full(known.shape, np.nan)
    out[known] = values
    return out.reshape(shape)


def sun_position(
    instants_utc: ArrayLike,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float = 0.0,
    *,
    pressure_hpa: float | None = None,
    air_temperature_c: float = 12.0,
) -> SunPosition:
    """Position of the sun at instants.

    Parameters
    ----------
    instants_utc : datetime64 array, shape (...)
        UTC. NaT gives NaN.
    latitude_deg, longitude_deg : float
        North and east positive.
    elevation_m : float
        Of the place.
    pressure_hpa, air_temperature_c : float, optional
        For refraction only; without them the standard pressure of the elevation and 12 degC.

    Returns
    -------
    SunPosition
        True and apparent elevation, azimuth, cosine of the true zenith angle.

    Source: Reda and Andreas 2008, NREL/TP-560-34302, as implemented in pvlib ``spa_python``.
    Checked: tests/published/test_sun.py.
    """
    instants = np.asarray(instants_utc, dtype="datetime64[ns]")
    known, table = _spa(instants, latitude_deg, longitude_deg, elevation_m, pressure_hpa, air_temperature_c)
    elevation = _spread(known, table["elevation"], instants.shape)
    return SunPosition(
        elevation_deg=elevation,
        apparent_elevation_deg=_spread(known, table["apparent_elevation"], instants.shape),
        azimuth_deg=_spread(known, table["azimuth"], instants.shape),
        cos_zenith=as_float(np.sin(np.radians(elevation))),
    )


def hourly_sun(
    start_utc: ArrayLike,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float = 0.0,
    steps: int = 4,
) -> HourlySun:
    """Sun within each hour, at the middles of ``steps`` equal parts.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Starts of the hours, UTC. NaT gives NaN.
    latitude_deg, longitude_deg : float
        North and east positive.
    elevation_m : float
        Of the place.
    steps : int
        Parts of the hour, at least one.

    Returns
    -------
    HourlySun

    Raises
    ------
    ValueError
        ``start_utc`` is not one-dimensional, or ``steps`` is below one.

    Source: pvlib ``spa_python`` at mid-interval instants. Checked: tests/physics/test_sun.py.
    """
    start = np.asarray(start_utc, dtype="datetime64[ms]")
    if start.ndim != 1 or steps < 1:
        raise ValueError("start_utc must have the shape (H,) and steps be at least 1")
    elevation, azimuth = _elevation_and_azimuth(start, latitude_deg, longitude_deg, elevation_m, steps)
    sine = np.maximum(np.sin(np.radians(elevation)), 0.0)
    with np.errstate(invalid="ignore"):
        lit = np.where(np.isnan(elevation), np.nan, elevation > 0.0)
    return HourlySun(
        elevation_deg=elevation,
        azimuth_deg=azimuth,
        mean_sin_elevation=as_float(sine.mean(axis=-1)),
        sunlit_share=as_float(lit.mean(axis=-1)),
    )


def _elevation_and_azimuth(
    start: NDArray[np.datetime64], latitude_deg: float, longitude_deg: float, elevation_m: float, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Apparent elevation and azimuth within each hour, shape (H, steps); whole hours go by blocks."""
    place = (float(latitude_deg), float(longitude_deg), float(elevation_m), int(steps))
    hours, rest = np.divmod(start.astype(np.int64), 3_600_000)
    if np.isnat(start).any() or rest.any():
        return _within_hours(start, *place)
    elevation, azimuth = np.empty((start.size, steps)), np.empty((start.size, steps))
    blocks, rows = np.divmod(hours, BLOCK_H)
    for block in np.unique(blocks):
        inside = blocks == block
        for out, known in zip((elevation, azimuth), _block(int(block), *place), strict=True):
            out[inside] = known[rows[inside]]
    return elevation, azimuth


@lru_cache(maxsize=256)
def _block(
    block: int, latitude_deg: float, longitude_deg: float, elevation_m: float, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Positions of the hours of one block, counted from 1970; the same arguments give the same arrays."""
    start = (block * BLOCK_H + np.arange(BLOCK_H)).astype("datetime64[h]").astype("datetime64[ms]")
    found = _within_hours(start, latitude_deg, longitude_deg, elevation_m, steps)
    for array in found:
        array.flags.writeable = False
    return found


def _within_hours(
    start: NDArray[np.datetime64], latitude_deg: float, longitude_deg: float, elevation_m: float, steps: int
) -> tuple[FloatArray, FloatArray]:
    offsets = np.round((np.arange(steps) + 0.5) * 3_600_000.0 / steps).astype("timedelta64[ms]")
    position = sun_position(start[:, np.newaxis] + offsets, latitude_deg, longitude_deg, elevation_m)
    return position.apparent_elevation_deg, position.azimuth_deg


def clear_sky_w_m2(hourly_sun: HourlySun) -> FloatArray:
    """Hourly mean global radiation under a clear sky.

    Parameters
    ----------
    hourly_sun : HourlySun
        From ``hourly_sun``.

    Returns
    -------
    float array, shape (H,)
        Mean over the hour [W/m2], night counted as zero.

    Source: Haurwitz 1945, 1946 (pvlib ``clearsky.haurwitz``) at the parts of the hour, averaged.
    Checked: tests/published/test_sun.py.
    """
    import pandas as pd
    from pvlib import clearsky

    elevation = hourly_sun.elevation_deg
    zenith = pd.Series((90.0 - elevation).ravel())
    clear = as_float(clearsky.haurwitz(zenith)["ghi"].to_numpy()).reshape(elevation.shape)
    return as_float(np.where(np.isnan(elevation), np.nan, clear).mean(axis=-1))


def day_length_h(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> FloatArray:
    """Hours of daylight.

    Parameters
    ----------
    latitude_deg : float array
        North positive.
    day_of_year : float array
        1..366. Broadcast.

    Returns
    -------
    float array
        Hours, 0 in the polar night and 24 in the polar day.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 24, 25, 34 (centre of the sun, no refraction). Checked:
    tests/published/test_sun.py.
    """
    latitude = np.radians(as_float(latitude_deg))
    declination = 0.409 * np.sin(2.0 * np.pi * as_float(day_of_year) / 365.0 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))
    return as_float(24.0 / np.pi * sunset)


def solar_hour(instants_utc: ArrayLike, longitude_deg: float) -> FloatArray:
    """Local apparent solar time.

    Parameters
    ----------
    instants_utc : datetime64 array, shape (...)
        UTC. NaT gives NaN.
    longitude_deg : float
        East positive.

    Returns
    -------
    float array, same shape
        Hours 0..24; 12 when the sun is on the meridian. The middles of hours go by blocks.

    Source: mean solar time plus the equation of time of pvlib ``spa_python``. Checked:
    tests/published/test_sun.py.
    """
    instants = np.asarray(instants_utc, dtype="datetime64[ns]")
    half_hours, rest = np.divmod(instants.astype(np.int64), 1_800_000_000_000)
    if np.isnat(instants).any() or rest.any() or not (half_hours % 2).all():
        return _solar_hour(instants, longitude_deg)
    out = np.empty(instants.shape)
    blocks, rows = np.divmod(half_hours // 2, BLOCK_H)
    for block in np.unique(blocks):
        inside = blocks == block
        out[inside] = _solar_block(int(block), float(longitude_deg))[rows[inside]]
    return out


@lru_cache(maxsize=256)
def _solar_block(block: int, longitude_deg: float) -> FloatArray:
    """Solar time at the middles of the hours of one block, as ``_block``."""
    half_hours = 2 * (block * BLOCK_H + np.arange(BLOCK_H)) + 1
    found = _solar_hour((half_hours * 1_800).astype("datetime64[s]").astype("datetime64[ns]"), longitude_deg)
    found.flags.writeable = False
    return found


def _solar_hour(instants: NDArray[np.datetime64], longitude_deg: float) -> FloatArray:
    known, table = _spa(instants, 0.0, longitude_deg, 0.0, None, 12.0)
    equation_min = _spread(known, table["equation_of_time"], instants.shape)
    day = instants.astype("datetime64[D]")
    utc_h = np.where(
        np.isnat(instants), np.nan, (instants - day) / np.timedelta64(1, "h").astype("timedelta64[ns]")
    )
    return as_float(np.mod(utc_h + longitude_deg / 15.0 + equation_min / 60.0, 24.0))
