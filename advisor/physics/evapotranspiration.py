"""Reference evapotranspiration: ASCE standardized by the hour, FAO-56 and ASCE by the day.

The hourly form carries the cloudiness of the last good daylight hour through the night, as the
standard asks. A factor of one at night ("clear") loses 0.5 mm on the printed example day.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.air import (
    pressure_kpa_from_elevation,
    psychrometric_constant_kpa_per_k,
    saturation_slope_kpa_per_k,
    saturation_vapour_pressure_kpa,
)
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.radiation import (
    clear_sky_shortwave_mj_m2,
    extraterrestrial_daily_mj_m2,
    extraterrestrial_hourly_mj_m2,
    fao_sun_sine,
)

__all__ = [
    "cloudiness_factor",
    "hargreaves_mm",
    "mean_saturation_vapour_pressure_kpa",
    "net_longwave_daily_mj_m2",
    "net_longwave_hourly_mj_m2",
    "net_shortwave_mj_m2",
    "penman_monteith_mm",
    "reference_et_daily_mm",
    "reference_et_hourly_mm",
]

ALBEDO = 0.23
"""Of the reference crop, FAO-56 eq. 38."""
MM_PER_MJ_M2 = 0.408
"""Water evaporated by one MJ/m2, FAO-56 eq. 20."""
LOWEST_SUN_SINE = float(np.sin(0.3))
"""Below 0.3 rad Rs/Rso says nothing about cloud, ASCE-EWRI 2005 p. 43."""
_KELVIN = 273.16
"""The offset both standards print."""

_HOURLY: dict[str, tuple[float, float, float, float, float]] = {
    # surface: (Cn, Cd by day, Cd by night, G/Rn by day, G/Rn by night), ASCE-EWRI 2005 table 1, eqs. 65-66
    "short": (37.0, 0.24, 0.96, 0.1, 0.5),
    "tall": (66.0, 0.25, 1.7, 0.04, 0.2),
}
_DAILY: dict[str, tuple[float, float, float]] = {
    # standard: (Cn, Cd, Stefan-Boltzmann constant [MJ K-4 m-2 d-1])
    "fao56": (900.0, 0.34, 4.903e-9),
    "asce_short": (900.0, 0.34, 4.901e-9),
    "asce_tall": (1600.0, 0.38, 4.901e-9),
}


def mean_saturation_vapour_pressure_kpa(
    temperature_max_c: ArrayLike, temperature_min_c: ArrayLike
) -> FloatArray:
    """Mean saturation vapour pressure of a day.

    Parameters
    ----------
    temperature_max_c, temperature_min_c : float array
        Of the day. Broadcast.

    Returns
    -------
    float array
        [kPa]; higher than the saturation pressure at the mean temperature.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 12. Checked: tests/published/test_evapotranspiration.py.
    """
    high = saturation_vapour_pressure_kpa(temperature_max_c)
    return as_float((high + saturation_vapour_pressure_kpa(temperature_min_c)) / 2.0)


def net_shortwave_mj_m2(shortwave_mj_m2: ArrayLike, albedo: ArrayLike = ALBEDO) -> FloatArray:
    """Shortwave radiation kept by the reference crop.

    Parameters
    ----------
    shortwave_mj_m2, albedo : float array
        Broadcast.

    Returns
    -------
    float array
        [MJ/m2] over the same time.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 38. Checked: tests/published/test_evapotranspiration.py.
    """
    return as_float((1.0 - as_float(albedo)) * as_float(shortwave_mj_m2))


def net_longwave_daily_mj_m2(
    temperature_max_c: ArrayLike,
    temperature_min_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    cloudiness: ArrayLike,
    stefan_boltzmann_mj: float = 4.903e-9,
) -> FloatArray:
    """Net outgoing longwave radiation of a day.

    Parameters
    ----------
    temperature_max_c, temperature_min_c, vapour_pressure_kpa : float array
        Of the day.
    cloudiness : float array
        1.35 Rs/Rso - 0.35. Broadcast.
    stefan_boltzmann_mj : float
        [MJ K-4 m-2 d-1]; 4.903e-9 in FAO-56, 4.901e-9 in ASCE-EWRI 2005.

    Returns
    -------
    float array
        [MJ/m2 per day], positive upward.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 39. Checked: tests/published/test_evapotranspiration.py.
    """
    high = (as_float(temperature_max_c) + _KELVIN) ** 4
    low = (as_float(temperature_min_c) + _KELVIN) ** 4
    return as_float(
        stefan_boltzmann_mj
        * (high + low)
        / 2.0
        * (0.34 - 0.14 * _root(vapour_pressure_kpa))
        * as_float(cloudiness)
    )


def net_longwave_hourly_mj_m2(
    air_temperature_c: ArrayLike, vapour_pressure_kpa: ArrayLike, cloudiness: ArrayLike
) -> FloatArray:
    """Net outgoing longwave radiation of an hour.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_kpa : float array
        Means of the hour.
    cloudiness : float array
        fcd, see ``cloudiness_factor``. Broadcast.

    Returns
    -------
    float array
        [MJ/m2 per hour], positive upward.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: ASCE-EWRI 2005 eq. 44. Checked: tests/published/test_evapotranspiration.py.
    """
    fourth = (as_float(air_temperature_c) + _KELVIN) ** 4
    return as_float(2.042e-10 * as_float(cloudiness) * (0.34 - 0.14 * _root(vapour_pressure_kpa)) * fourth)


def penman_monteith_mm(
    air_temperature_c: ArrayLike,
    available_energy_mj_m2: ArrayLike,
    wind_speed_2m_m_s: ArrayLike,
    vapour_pressure_deficit_kpa: ArrayLike,
    pressure_kpa: ArrayLike,
    numerator: ArrayLike,
    denominator: ArrayLike,
) -> FloatArray:
    """The combination equation that all reference evapotranspirations share.

    Parameters
    ----------
    air_temperature_c : float array
        Mean of the hour or day.
    available_energy_mj_m2 : float array
        Net radiation less soil heat flux, over the hour or day.
    wind_speed_2m_m_s, vapour_pressure_deficit_kpa, pressure_kpa : float array
        Means.
    numerator, denominator : float array
        Cn and Cd of the surface and time step. Broadcast.

    Returns
    -------
    float array
        [mm] over the hour or day; slightly negative on dewy nights.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: ASCE-EWRI 2005 eq. 1; FAO-56 eqs. 6 and 53 with their Cn, Cd. Checked:
    tests/published/test_evapotranspiration.py.
    """
    air = as_float(air_temperature_c)
    wind = as_float(wind_speed_2m_m_s)
    slope = saturation_slope_kpa_per_k(air)
    gamma = psychrometric_constant_kpa_per_k(pressure_kpa)
    radiation = MM_PER_MJ_M2 * slope * as_float(available_energy_mj_m2)
    drying = gamma * as_float(numerator) / (air + 273.0) * wind * as_float(vapour_pressure_deficit_kpa)
    return as_float((radiation + drying) / (slope + gamma * (1.0 + as_float(denominator) * wind)))


def cloudiness_factor(
    start_utc: ArrayLike,
    shortwave_w_m2: ArrayLike,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    elevation_m: ArrayLike,
    period_s: float = 3600.0,
) -> FloatArray:
    """Cloudiness factor fcd for longwave radiation, carried through the night.

    With the sun at 0.3 rad or higher it follows from Rs/Rso. Otherwise the last such value is
    carried, at most a day; before the first, the next one within a day is used. On days on which
    the sun never gets so high (winter beyond about 49 degrees), the ratio of the day's sums stands
    in at its noon: the standard is silent there.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Starts of consecutive periods, UTC.
    shortwave_w_m2 : float array, shape (..., H)
        Under the open sky, not under a net.
    latitude_deg, longitude_deg, elevation_m : float array
        Of the place, one value or broadcasting with ``(..., H)``.
    period_s : float
        Length of a period.

    Returns
    -------
    float array, shape (..., H)
        0.05..1. NaN in daylight hours whose radiation is missing, and where no daylight within a
        day is known.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: ASCE-EWRI 2005 eqs. 45-46, with 0.3 <= Rs/Rso <= 1. Checked:
    tests/published/test_evapotranspiration.py.
    """
    start = np.asarray(start_utc, dtype="datetime64[s]")
    rs = as_float(shortwave_w_m2) * period_s / 1e6
    ra = extraterrestrial_hourly_mj_m2(start, latitude_deg, longitude_deg, period_s)
    sine = fao_sun_sine(start, latitude_deg, longitude_deg, period_s)
    rs, rso, sine = np.broadcast_arrays(rs, clear_sky_shortwave_mj_m2(ra, elevation_m), sine)
    high = np.nan_to_num(sine, nan=-1.0) >= LOWEST_SUN_SINE
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(high, rs / rso, np.nan)
    ratio = _fill_low_sun_days(ratio, rs, rso, sine, high, start, as_float(longitude_deg))
    own = 1.35 * np.clip(ratio, 0.3, 1.0) - 0.35
    own = np.clip(own, 0.05, 1.0)
    carried = _carry(own, max(1, round(86400.0 / period_s)))
    return as_float(np.where(high & np.isnan(rs), np.nan, carried))


def _fill_low_sun_days(
    ratio: FloatArray,
    rs: FloatArray,
    rso: FloatArray,
    sine: FloatArray,
    high: NDArray[np.bool_],
    start: NDArray[np.datetime64],
    longitude_deg: FloatArray,
) -> FloatArray:
    """Give days without a high sun the ratio of their sums, placed at the hour of highest sun."""
    if not np.all(np.isfinite(longitude_deg)) or longitude_deg.size == 0:
        return ratio
    shift = np.timedelta64(round(float(longitude_deg.flat[0]) * 240.0), "s")
    days = (start + shift).astype("datetime64[D]")
    filled = ratio.copy()
    if not days.size:
        return filled
    runs = np.flatnonzero(np.append(True, days[1:] != days[:-1]))
    lit = np.logical_or.reduceat(high, runs, axis=-1).reshape(-1, runs.size).all(axis=0)
    without = days[runs[~lit]]
    for day in np.unique(without[~np.isnat(without)]):
        hours = np.flatnonzero(days == day)
        low = ~high[..., hours].any(axis=-1)
        if not low.any():
            continue
        sunny = rso[..., hours] > 0.0
        clear = np.where(sunny, rso[..., hours], 0.0).sum(axis=-1)
        given = np.where(sunny, rs[..., hours], 0.0).sum(axis=-1)  # NaN in one sunny hour: NaN
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(low & (clear > 0.0), given / clear, np.nan)
        noon = hours[np.nan_to_num(sine[..., hours], nan=-1.0).argmax(axis=-1)]
        at = np.expand_dims(noon, -1)
        before = np.take_along_axis(filled, at, axis=-1)[..., 0]
        np.put_along_axis(filled, at, np.expand_dims(np.where(low, share, before), -1), axis=-1)
    return filled


def _carry(values: FloatArray, reach: int) -> FloatArray:
    """Fill gaps with the last known value at most ``reach`` steps back, else the next one ahead."""
    count = values.shape[-1]
    position = np.arange(count)
    known = ~np.isnan(values)
    back = np.maximum.accumulate(np.where(known, position, -1), axis=-1)
    ahead = np.where(known, position, count)
    ahead = np.flip(np.minimum.accumulate(np.flip(ahead, axis=-1), axis=-1), axis=-1)
    back_value = np.take_along_axis(values, np.maximum(back, 0), axis=-1)
    ahead_value = np.take_along_axis(values, np.minimum(ahead, max(count - 1, 0)), axis=-1)
    use_back = (back >= 0) & (position - back <= reach)
    use_ahead = (ahead < count) & (ahead - position <= reach)
    return as_float(np.where(use_back, back_value, np.where(use_ahead, ahead_value, np.nan)))


_factor_from_radiation = cloudiness_factor


def reference_et_hourly_mm(
    start_utc: ArrayLike,
    air_temperature_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    wind_speed_2m_m_s: ArrayLike,
    shortwave_w_m2: ArrayLike,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    elevation_m: ArrayLike,
    *,
    surface: Literal["short", "tall"] = "short",
    cloudiness_factor: ArrayLike | None = None,
    shortwave_at_surface_w_m2: ArrayLike | None = None,
) -> FloatArray:
    """Reference evapotranspiration of each hour.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
        Starts of consecutive hours, UTC; the last axis of everything else is time.
    air_temperature_c, vapour_pressure_kpa, wind_speed_2m_m_s, shortwave_w_m2 : float array, shape (..., H)
        Means of the hour; the radiation is that under the open sky.
    latitude_deg, longitude_deg, elevation_m : float array
        Of the place. Broadcast.
    surface : {"short", "tall"}
        Clipped grass or alfalfa.
    cloudiness_factor : float array, optional
        fcd where already known; otherwise from the open-sky radiation.
    shortwave_at_surface_w_m2 : float array, optional
        What arrives under a net or a tree: it sets the net shortwave radiation, while the
        cloudiness still comes from the open sky.

    Returns
    -------
    float array, shape (..., H)
        [mm per hour]; slightly negative on dewy nights.

    Raises
    ------
    ValueError
        Unknown surface, or shapes that cannot be broadcast.

    Source: ASCE-EWRI 2005, standardized, hourly, with fcd carried through the night. Checked:
    tests/published/test_evapotranspiration.py.
    """
    if surface not in _HOURLY:
        raise ValueError(f"surface must be 'short' or 'tall', not {surface!r}")
    numerator, cd_day, cd_night, g_day, g_night = _HOURLY[surface]
    if cloudiness_factor is None:
        fcd = _factor_from_radiation(start_utc, shortwave_w_m2, latitude_deg, longitude_deg, elevation_m)
    else:
        fcd = as_float(cloudiness_factor)
    at_surface = shortwave_w_m2 if shortwave_at_surface_w_m2 is None else shortwave_at_surface_w_m2
    net = net_shortwave_mj_m2(as_float(at_surface) * 0.0036) - net_longwave_hourly_mj_m2(
        air_temperature_c, vapour_pressure_kpa, fcd
    )
    # A missing net radiation is neither day nor night, but its result is NaN in both branches.
    day = np.nan_to_num(net, nan=0.0) > 0.0
    return penman_monteith_mm(
        air_temperature_c,
        net * (1.0 - np.where(day, g_day, g_night)),
        wind_speed_2m_m_s,
        saturation_vapour_pressure_kpa(air_temperature_c) - as_float(vapour_pressure_kpa),
        pressure_kpa_from_elevation(elevation_m),
        numerator,
        np.where(day, cd_day, cd_night),
    )


def reference_et_daily_mm(
    temperature_max_c: ArrayLike,
    temperature_min_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    wind_speed_2m_m_s: ArrayLike,
    shortwave_mj_m2: ArrayLike,
    latitude_deg: ArrayLike,
    day_of_year: ArrayLike,
    elevation_m: ArrayLike,
    *,
    standard: Literal["fao56", "asce_short", "asce_tall"] = "fao56",
) -> FloatArray:
    """Reference evapotranspiration of a day.

    Parameters
    ----------
    temperature_max_c, temperature_min_c, vapour_pressure_kpa, wind_speed_2m_m_s : float array
        Of the day.
    shortwave_mj_m2 : float array
        Sum of the day.
    latitude_deg, day_of_year, elevation_m : float array
        Of the place and day. Broadcast.
    standard : {"fao56", "asce_short", "asce_tall"}
        Which Cn, Cd and Stefan-Boltzmann constant. Rs/Rso is held inside 0.3..1 for all three;
        FAO-56 names only the 1, but below 0.26 its net longwave radiation would turn its sign.

    Returns
    -------
    float array
        [mm per day]; NaN in the polar night, where Rs/Rso has no meaning.

    Raises
    ------
    ValueError
        Unknown standard, or shapes that cannot be broadcast.

    Source: FAO-56 eq. 6; ASCE-EWRI 2005 eq. 1. Checked: tests/published/test_evapotranspiration.py.
    """
    if standard not in _DAILY:
        raise ValueError(f"standard must be one of {', '.join(_DAILY)}, not {standard!r}")
    numerator, denominator, stefan_boltzmann = _DAILY[standard]
    rso = clear_sky_shortwave_mj_m2(extraterrestrial_daily_mj_m2(latitude_deg, day_of_year), elevation_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = as_float(shortwave_mj_m2) / np.where(rso > 0.0, rso, np.nan)
    cloudiness = np.clip(1.35 * np.clip(ratio, 0.3, 1.0) - 0.35, 0.05, 1.0)
    net = net_shortwave_mj_m2(shortwave_mj_m2) - net_longwave_daily_mj_m2(
        temperature_max_c, temperature_min_c, vapour_pressure_kpa, cloudiness, stefan_boltzmann
    )
    mean = (as_float(temperature_max_c) + as_float(temperature_min_c)) / 2.0
    deficit = mean_saturation_vapour_pressure_kpa(temperature_max_c, temperature_min_c) - as_float(
        vapour_pressure_kpa
    )
    pressure = pressure_kpa_from_elevation(elevation_m)
    return penman_monteith_mm(mean, net, wind_speed_2m_m_s, deficit, pressure, numerator, denominator)


def hargreaves_mm(
    temperature_max_c: ArrayLike, temperature_min_c: ArrayLike, extraterrestrial_mj_m2: ArrayLike
) -> FloatArray:
    """Reference evapotranspiration of a day from temperature alone.

    Parameters
    ----------
    temperature_max_c, temperature_min_c : float array
        Of the day; NaN where the maximum is below the minimum.
    extraterrestrial_mj_m2 : float array
        Of the day. Broadcast.

    Returns
    -------
    float array
        [mm per day].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 52. Checked: tests/published/test_evapotranspiration.py.
    """
    high, low = as_float(temperature_max_c), as_float(temperature_min_c)
    with np.errstate(invalid="ignore"):
        root = np.sqrt(np.where(high >= low, high - low, np.nan))
    energy_mm = MM_PER_MJ_M2 * as_float(extraterrestrial_mj_m2)
    return as_float(0.0023 * ((high + low) / 2.0 + 17.8) * root * energy_mm)


def _root(vapour_pressure_kpa: ArrayLike) -> FloatArray:
    """Square root of a vapour pressure, NaN below zero without a warning."""
    e = as_float(vapour_pressure_kpa)
    with np.errstate(invalid="ignore"):
        return as_float(np.sqrt(np.where(e >= 0.0, e, np.nan)))
