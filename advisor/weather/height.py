"""A table measured at one height, brought to another: air by a lapse rate, pressure by the atmosphere.

Humidity is kept as a share: the dew point follows from it and from the new temperature. Wind, rain and
cloud stay as they were measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from advisor.physics.air import pressure_kpa_from_elevation
from advisor.weather.table import WeatherTable

__all__ = ["at_height"]


def at_height(table: WeatherTable, from_m: float, to_m: float, lapse_rate_c_m: float) -> WeatherTable:
    """Return ``table`` as it would read at another height.

    Parameters
    ----------
    table : WeatherTable
        Measured at ``from_m``, pressure included.
    from_m, to_m : float
        Heights above sea level.
    lapse_rate_c_m : float
        Fall of the air temperature with height [degC/m].

    Returns
    -------
    WeatherTable
        A dew point in it is dropped where there is a relative humidity, because it no longer fits; else
        it is moved with the air. The change is in the notes. On clear nights the air can be warmer
        higher up; the lapse rate does not know that, and the notes say so.
    """
    climb_m = to_m - from_m
    values = dict(table.values)
    change_c = -lapse_rate_c_m * climb_m
    if climb_m == 0.0:
        return table
    for name in ("air_temperature_c", "dew_point_c"):
        if name in values:
            values[name] = np.asarray(values[name], dtype=np.float64) + change_c
    if "relative_humidity_pct" in values and "dew_point_c" in values:
        known = np.isfinite(values["relative_humidity_pct"])
        values["dew_point_c"] = np.where(known, np.nan, values["dew_point_c"])
    if "pressure_hpa" in values:
        ratio = float(pressure_kpa_from_elevation(to_m)) / float(pressure_kpa_from_elevation(from_m))
        values["pressure_hpa"] = values["pressure_hpa"] * ratio
    higher = "lower" if climb_m > 0 else "higher"
    note = (
        f"height: air_temperature_c {change_c:+.1f} K, {table.provenance.source} stands {abs(climb_m):.0f} m "
        f"{higher} than the garden; not so on clear nights"
    )
    notes = (*table.provenance.notes, note)
    return replace(table, values=values, provenance=replace(table.provenance, notes=notes))
