"""Ensemble members: the spread of the forecast, put beside the main forecast hour by hour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from advisor.physics.air import dew_point_c, vapour_pressure_kpa
from advisor.weather.table import FloatArray, TimeArray, WeatherTable

__all__ = ["Ensemble", "attach_members"]


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Members of one named model.

    Attributes
    ----------
    start_utc : datetime64[s] array, shape (H,)
    members : mapping from canonical name to float64 array, shape (M, H)
    model : str
    fetched_at_utc : datetime
    derived : tuple of str
        Canonical names that were asked for and that the members lack; they come from the main forecast.
    """

    start_utc: TimeArray
    members: Mapping[str, FloatArray]
    model: str
    fetched_at_utc: datetime
    derived: tuple[str, ...] = ()
    attribution: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def member_count(self) -> int:
        """Number of members, 0 for none."""
        for array in self.members.values():
            return int(array.shape[0])
        return 0


def attach_members(table: WeatherTable, ensemble: Ensemble) -> WeatherTable:
    """Return ``table`` with the ensemble's members on its own hours.

    Rules. Hours before the ensemble begins, before the seam, or in which no member has a value take the
    main forecast (every member the same: the past is not uncertain). Hours after the last air temperature
    of the members stay NaN: how uncertain they are is not known. Dew points come from each member's own
    humidity and temperature where both are there; ``derive.complete`` fills what else members need.

    Parameters
    ----------
    table : WeatherTable
        With or without members; those it has are replaced.
    ensemble : Ensemble

    Returns
    -------
    WeatherTable
        ``provenance.derived`` names what the members lack.
    """
    count = ensemble.member_count
    if "air_temperature_c" not in ensemble.members or not table.hours:
        return replace(table, members={})
    step = np.timedelta64(3600, "s")
    offset = int((ensemble.start_utc[0] - table.start_utc[0]) // step)
    rows = np.arange(table.hours) - offset
    inside = (rows >= 0) & (rows < ensemble.start_utc.size)
    seam = 0 if table.seam_utc is None else max(table.index_at(table.seam_utc), 0)
    given = dict(ensemble.members)
    if "dew_point_c" not in given and {"relative_humidity_pct", "air_temperature_c"} <= given.keys():
        given["dew_point_c"] = dew_point_c(
            vapour_pressure_kpa(given["air_temperature_c"], given["relative_humidity_pct"])
        )
    members: dict[str, FloatArray] = {}
    span_end = offset + _last_known(given["air_temperature_c"])
    for name, source in given.items():
        array = np.full((count, table.hours), np.nan)
        array[:, inside] = source[:, rows[inside]]
        fill = ~np.isfinite(array).any(axis=0)
        if bool(fill.all()):
            continue
        fill[max(span_end + 1, 0) :] = False
        fill[:seam] = True
        array[:, fill] = table.value(name)[fill]
        members[name] = array
    derived = list(table.provenance.derived)
    derived += [name for name in ensemble.derived if name not in members]
    origin = table.provenance
    return replace(
        table,
        members=members,
        provenance=replace(
            origin,
            derived=tuple(dict.fromkeys(derived)),
            attribution=tuple(dict.fromkeys((*origin.attribution, *ensemble.attribution))),
            notes=tuple(dict.fromkeys((*origin.notes, *ensemble.notes))),
        ),
    )


def _last_known(values: FloatArray) -> int:
    """Last hour in which any member has a value, -1 for none."""
    known = np.flatnonzero(np.isfinite(values).any(axis=0))
    return int(known[-1]) if known.size else -1
