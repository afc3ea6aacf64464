"""Wind: from one height to another over grass, and at the bench among its shelter."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float

__all__ = ["bench_wind_m_s", "wind_at_height_m_s"]

_LOWEST_HEIGHT_M = 0.1
"""The profile has its zero near 0.095 m."""


def _factor_to_2m(height_m: FloatArray) -> FloatArray:
    """Wind at 2 m over wind at ``height_m``; exactly one at 2 m, as the printed table has it."""
    with np.errstate(invalid="ignore"):
        height = np.where(height_m >= _LOWEST_HEIGHT_M, height_m, np.nan)
        return np.where(height == 2.0, 1.0, 4.87 / np.log(67.8 * height - 5.42))


def wind_at_height_m_s(
    wind_speed_m_s: ArrayLike, from_height_m: ArrayLike, to_height_m: ArrayLike = 2.0
) -> FloatArray:
    """Wind speed at another height above short grass.

    Parameters
    ----------
    wind_speed_m_s : float array
        Speed at ``from_height_m``.
    from_height_m, to_height_m : float array
        Heights above ground. Valid from 0.1; NaN below. Broadcast.

    Returns
    -------
    float array
        Speed [m/s].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 47 to 2 m, and the same profile back to other heights. Checked:
    tests/published/test_wind.py.
    """
    factor = _factor_to_2m(as_float(from_height_m)) / _factor_to_2m(as_float(to_height_m))
    return as_float(as_float(wind_speed_m_s) * factor)


def bench_wind_m_s(
    wind_speed_10m_m_s: ArrayLike, wind_shelter_share: ArrayLike, bench_factor: ArrayLike
) -> FloatArray:
    """Wind or gust at the bench.

    Parameters
    ----------
    wind_speed_10m_m_s : float array
        Wind or gust at 10 m.
    wind_shelter_share : float array
        Share 0..1 that walls and hedges take away.
    bench_factor : float array
        Wind at an open bench over wind at 10 m. Broadcast.

    Returns
    -------
    float array
        Speed [m/s].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: definition (the factor is a number of config/). Checked: tests/physics/test_wind.py.
    """
    open_bench = as_float(wind_speed_10m_m_s) * as_float(bench_factor)
    return as_float(open_bench * (1.0 - as_float(wind_shelter_share)))
