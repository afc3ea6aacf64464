"""The hourly weather table that every floor above works on.

A row is the hour [start, start + 1 h) in UTC. Values are hourly means, sums (rain, reference
evapotranspiration) or maxima (gusts) as ``VARIABLES`` says; an instant of a source stands in the row
that starts at it. NaN means missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.datetime64]
_HOUR = timedelta(hours=1)

Kind = Literal["instant", "mean", "sum", "max", "code"]


@dataclass(frozen=True, slots=True)
class Variable:
    """Canonical name, unit, kind within the hour, and the range outside which a value is refused."""

    name: str
    unit: str
    kind: Kind
    low: float
    high: float


VARIABLES: dict[str, Variable] = {
    row.name: row
    for row in (
        Variable("air_temperature_c", "degC", "instant", -60.0, 60.0),
        Variable("dew_point_c", "degC", "instant", -70.0, 40.0),
        Variable("relative_humidity_pct", "pct", "instant", 0.0, 105.0),
        Variable("wind_speed_10m_m_s", "m/s", "instant", 0.0, 75.0),
        Variable("wind_gust_m_s", "m/s", "max", 0.0, 110.0),
        Variable("rain_mm", "mm", "sum", 0.0, 350.0),
        Variable("rain_probability_pct", "pct", "mean", 0.0, 100.0),
        Variable("snow_depth_cm", "cm", "instant", 0.0, 1500.0),
        Variable("shortwave_w_m2", "W/m2", "mean", -5.0, 1400.0),
        Variable("direct_normal_w_m2", "W/m2", "mean", -5.0, 1200.0),
        Variable("diffuse_w_m2", "W/m2", "mean", -5.0, 1000.0),
        Variable("cloud_cover_pct", "pct", "instant", 0.0, 100.0),
        Variable("pressure_hpa", "hPa", "instant", 500.0, 1090.0),
        Variable("weather_code", "1", "code", 0.0, 99.0),
        Variable("cape_j_kg", "1", "instant", 0.0, 12000.0),
        Variable("reference_et_mm", "mm", "sum", -0.2, 3.0),
    )
}
"""The range limits are those of reference practice for quality control: values outside are missing.

Source: WMO-No. 8 part I, plausible value checks; world records for the outer limits (from memory).
"""


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a table comes from; the ``W`` object of the JSON contract is made of it."""

    source: str
    issued_at_utc: datetime | None
    fetched_at_utc: datetime
    attribution: tuple[str, ...] = ()
    derived: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    """Quality findings in words: rule, variable, how many hours."""
    model_names_hail: bool = False
    """True only where the weather code may be read as hail (see ``sources``)."""


@dataclass(frozen=True, slots=True)
class WeatherTable:
    """Hourly weather, without gaps in the time axis (gaps are NaN values).

    Attributes
    ----------
    start_utc : datetime64[s] array, shape (H,)
    values : mapping from canonical name to float64 array, shape (H,)
        Names absent from the mapping are missing altogether.
    provenance : Provenance
    members : mapping from canonical name to float64 array, shape (M, H)
        Ensemble members on the same time axis; empty without an ensemble. A variable that members lack
        is taken from ``values``.
    seam_utc : datetime or None
        First hour that is forecast rather than observed or analysed past.
    source_by_hour : tuple of str, length H or 0
    """

    start_utc: TimeArray
    values: Mapping[str, FloatArray]
    provenance: Provenance
    members: Mapping[str, FloatArray] = field(default_factory=dict)
    seam_utc: datetime | None = None
    source_by_hour: tuple[str, ...] = ()

    @property
    def hours(self) -> int:
        """Number of rows."""
        return int(self.start_utc.size)

    @property
    def member_count(self) -> int:
        """Number of ensemble members, 0 without an ensemble."""
        for array in self.members.values():
            return int(array.shape[0])
        return 0

    def value(self, name: str) -> FloatArray:
        """Return the (H,) array of ``name``; all NaN where the table lacks it. Unknown names raise."""
        if name not in VARIABLES:
            raise KeyError(name)
        found = self.values.get(name)
        return np.full(self.hours, np.nan) if found is None else found

    def member(self, name: str) -> FloatArray:
        """Return (M, H) members of ``name``, the main forecast repeated where members lack it."""
        found = self.members.get(name)
        if found is not None:
            return found
        return np.broadcast_to(self.value(name), (max(self.member_count, 1), self.hours))

    def index_at(self, at_utc: datetime) -> int:
        """Return the row that holds ``at_utc``; may be negative or past the end."""
        return (at_utc - utc_of(self.start_utc[0])) // _HOUR

    def covers(self, at_utc: datetime) -> bool:
        """True when some row holds ``at_utc`` and has an air temperature."""
        if not self.hours:
            return False
        row = self.index_at(at_utc)
        return 0 <= row < self.hours and bool(np.isfinite(self.value("air_temperature_c")[row]))

    @property
    def covers_until_utc(self) -> datetime | None:
        """End of the last hour with an air temperature."""
        rows = np.flatnonzero(np.isfinite(self.value("air_temperature_c")))
        if not rows.size:
            return None
        return utc_of(self.start_utc[rows[-1]] + np.timedelta64(3600, "s"))

    def between(self, from_row: int, until_row: int) -> WeatherTable:
        """Return rows ``from_row`` to before ``until_row`` as a table of their own."""
        cut = slice(max(from_row, 0), max(until_row, 0))
        return replace(
            self,
            start_utc=self.start_utc[cut],
            values={name: array[cut] for name, array in self.values.items()},
            members={name: array[:, cut] for name, array in self.members.items()},
            source_by_hour=self.source_by_hour[cut],
        )


def utc_of(stamp: np.datetime64) -> datetime:
    """Return an aware datetime of a UTC ``datetime64``."""
    found: datetime = stamp.astype("datetime64[s]").item()
    return found.replace(tzinfo=UTC)


def stamp_of(at_utc: datetime) -> np.datetime64:
    """Return the ``datetime64[s]`` of an aware datetime."""
    return np.datetime64(at_utc.astimezone(UTC).replace(tzinfo=None), "s")
