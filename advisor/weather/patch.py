"""What an observing station does not measure, taken hour by hour from other tables, and said.

Joining tables takes whole rows (``blend``), so that the values of an hour fit one another. An observed
row is better than a forecast one and yet lacks things that matter: many stations report no rain, none
report radiation. Leaving them out would let a pot dry out on paper in a night of rain. So an observed
row is patched before it is joined:

- only variables of ``PATCHED``: each stands by itself, or goes with the others of its group from one
  table (the parts of the radiation);
- humidity is patched as dew point, which says how much water is in the air whatever its temperature;
- only in hours that the station has observed, and only where the value is missing;
- the origin is in the notes and in ``source_by_hour`` (``station+other``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from advisor.weather.blend import on_axis
from advisor.weather.table import WeatherTable

__all__ = ["PATCHED", "patched"]

PATCHED: tuple[tuple[str, ...], ...] = (
    ("rain_mm",),
    ("shortwave_w_m2", "direct_normal_w_m2", "diffuse_w_m2"),
    ("dew_point_c",),
    ("wind_speed_10m_m_s",),
    ("wind_gust_m_s",),
    ("cloud_cover_pct",),
    ("snow_depth_cm",),
    ("weather_code",),
)
"""Groups that are taken together."""


def patched(observed: WeatherTable, newest_first: Sequence[WeatherTable]) -> WeatherTable:
    """Return ``observed`` with its missing values from the first table that has them.

    Parameters
    ----------
    observed : WeatherTable
        Hours without an air temperature are left as they are: another table will give the whole row.
    newest_first : sequence of WeatherTable
        Forecasts and their past, in the order in which they count.

    Returns
    -------
    WeatherTable
        One note ``patched: name, n h from source`` for each variable and source.
    """
    values = {name: np.array(array, dtype=np.float64) for name, array in observed.values.items()}
    seen = np.isfinite(observed.value("air_temperature_c"))
    humid = np.isfinite(observed.value("relative_humidity_pct"))
    hours = observed.hours
    origins: list[set[str]] = [set() for _ in range(hours)]
    counts: dict[tuple[str, str], int] = {}
    named: dict[str, None] = {}
    for group in PATCHED:
        lead = group[0]
        lacking = seen & np.isnan(values.get(lead, np.full(hours, np.nan)))
        if lead == "dew_point_c":
            lacking &= ~humid
        for table in newest_first:
            if not lacking.any():
                break
            theirs = on_axis(table.value(lead), table.start_utc, observed.start_utc)
            take = lacking & np.isfinite(theirs)
            if not take.any():
                continue
            for name in group:
                own = values.get(name, np.full(hours, np.nan))
                values[name] = np.where(
                    take, on_axis(table.value(name), table.start_utc, observed.start_utc), own
                )
            source = table.provenance.source
            counts[(lead, source)] = counts.get((lead, source), 0) + int(take.sum())
            named.update(dict.fromkeys(table.provenance.attribution))
            for row in np.flatnonzero(take):
                origins[int(row)].add(source)
            lacking &= ~take
    if not counts:
        return observed
    own_sources = observed.source_by_hour or (observed.provenance.source,) * hours
    origin = observed.provenance
    notes = [f"patched: {name}, {count} h from {source}" for (name, source), count in counts.items()]
    return replace(
        observed,
        values={name: array for name, array in values.items() if np.isfinite(array).any()},
        provenance=replace(
            origin,
            attribution=tuple(dict.fromkeys((*origin.attribution, *named))),
            notes=(*origin.notes, *notes),
            missing=tuple(name for name in origin.missing if name not in {lead for lead, _ in counts}),
        ),
        source_by_hour=tuple(
            "+".join((own, *sorted(others))) if others else own
            for own, others in zip(own_sources, origins, strict=True)
        ),
    )
