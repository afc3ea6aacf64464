"""Heat stress of the person who does the work: wet-bulb globe temperature and heat index."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float

__all__ = ["heat_index_c", "niosh_recommended_limit_c", "wbgt_c"]


def wbgt_c(
    air_temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    pressure_hpa: ArrayLike,
    wind_speed_10m_m_s: ArrayLike,
    shortwave_w_m2: ArrayLike,
    direct_fraction: ArrayLike,
    cos_zenith: ArrayLike,
) -> FloatArray:
    """Wet-bulb globe temperature outdoors, sun and shade alike.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct, pressure_hpa : float array
        At 2 m; the pressure is that of the station, not of sea level.
    wind_speed_10m_m_s : float array
        Raised to 0.62 m/s where lower.
    shortwave_w_m2 : float array
        On a level surface; zero or the diffuse part for work in the shade.
    direct_fraction : float array
        Share of it that is beam; held inside 0..0.9.
    cos_zenith : float array
        Cosine of the sun's zenith angle. Broadcast.

    Returns
    -------
    float array
        [degC]; NaN where an input is missing, the humidity is not in (0, 100], or the globe does
        not come to a balance.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Liljegren et al. 2008, J. Occup. Environ. Hyg. 5: 645-655, as implemented in thermofeel
    ``calculate_wbgt_liljegren``. Checked: tests/published/test_heat_stress.py.
    """
    from thermofeel import calculate_wbgt_liljegren

    given = np.broadcast_arrays(
        as_float(air_temperature_c),
        as_float(relative_humidity_pct),
        as_float(pressure_hpa),
        as_float(wind_speed_10m_m_s),
        as_float(shortwave_w_m2),
        as_float(direct_fraction),
        as_float(cos_zenith),
    )
    known = np.isfinite(np.stack(given)).all(axis=0)
    with np.errstate(invalid="ignore"):
        known &= (given[1] > 0.0) & (given[1] <= 100.0)
    out = np.full(known.shape, np.nan)
    if known.any():
        # One missing value would keep the whole array iterating, and a missing zenith passes for night.
        air, humidity, pressure, wind, sun, beam, zenith = (values[known] for values in given)
        with np.errstate(invalid="ignore"):
            kelvin = calculate_wbgt_liljegren(air + 273.15, humidity, pressure, wind, sun, beam, zenith)
        out[known] = as_float(kelvin) - 273.15
    return out


def heat_index_c(air_temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> FloatArray:
    """Heat index for shade and light wind, with the weather service's adjustments.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct : float array
        Broadcast. Full sun adds up to 8 K to how it feels.

    Returns
    -------
    float array
        [degC].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Rothfusz 1990, SR 90-23, and the US National Weather Service's heat index equation page.
    The printed chart shows the regression without adjustments. Checked:
    tests/published/test_heat_stress.py.
    """
    air, r = np.broadcast_arrays(as_float(air_temperature_c), as_float(relative_humidity_pct))
    t = air * 1.8 + 32.0
    simple = 0.5 * (t + 61.0 + (t - 68.0) * 1.2 + r * 0.094)
    full = (
        -42.379
        + 2.04901523 * t
        + 10.14333127 * r
        - 0.22475541 * t * r
        - 6.83783e-3 * t**2
        - 5.481717e-2 * r**2
        + 1.22874e-3 * t**2 * r
        + 8.5282e-4 * t * r**2
        - 1.99e-6 * t**2 * r**2
    )
    with np.errstate(invalid="ignore"):
        dry = (r < 13.0) & (t >= 80.0) & (t <= 112.0)
        damp = (r > 85.0) & (t >= 80.0) & (t <= 87.0)
        less = (13.0 - r) / 4.0 * np.sqrt(np.maximum(17.0 - np.abs(t - 95.0), 0.0) / 17.0)
        more = (r - 85.0) / 10.0 * (87.0 - t) / 5.0
        full = full - np.where(dry, less, 0.0) + np.where(damp, more, 0.0)
        chosen = np.where((simple + t) / 2.0 >= 80.0, full, (simple + t) / 2.0)
    return as_float((chosen - 32.0) / 1.8)


def niosh_recommended_limit_c(metabolic_rate_w: ArrayLike) -> FloatArray:
    """Recommended exposure limit: wet-bulb globe temperature for work all day, acclimatised.

    Parameters
    ----------
    metabolic_rate_w : float array, shape (...)
        Of the work; NaN where not above zero.

    Returns
    -------
    float array, same shape
        [degC].

    Source: NIOSH 2016, Criteria for a recommended standard: occupational exposure to heat and hot
    environments, 2016-106, REL = 56.7 - 11.5 log10 M. Checked: tests/physics/test_heat_stress.py.
    """
    rate = as_float(metabolic_rate_w)
    with np.errstate(invalid="ignore"):
        return as_float(56.7 - 11.5 * np.log10(np.where(rate > 0.0, rate, np.nan)))
