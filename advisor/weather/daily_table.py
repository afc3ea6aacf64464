"""The daily record of one station: one row a day, calendar days of the station, gaps as NaN."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from advisor.weather.stations import Station

__all__ = ["DAILY_VARIABLES", "DailyTable"]

FloatArray = NDArray[np.float64]

DAILY_VARIABLES = (
    "air_temperature_min_c",
    "air_temperature_max_c",
    "air_temperature_mean_c",
    "rain_mm",
    "wind_gust_m_s",
)
"""Names a daily record may carry."""


@dataclass(frozen=True, slots=True)
class DailyTable:
    """Daily values of one station.

    Attributes
    ----------
    day : datetime64[D] array, shape (D,)
        Strictly rising by one day; days without a record are rows of NaN.
    values : mapping of name to float array, shape (D,)
        Names of ``DAILY_VARIABLES``; absent where the station has none.
    station : Station
    attribution : tuple of str
        Lines that must be printed where the values are shown.
    modelled_days : int
        Days left out because a model, not the station, gave the value.
    """

    day: NDArray[np.datetime64]
    values: Mapping[str, FloatArray]
    station: Station
    attribution: tuple[str, ...] = ()
    modelled_days: int = 0
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.day.dtype != np.dtype("datetime64[D]"):
            raise ValueError("day must be datetime64[D]")
        if self.day.size > 1 and bool((np.diff(self.day).astype(np.int64) != 1).any()):
            raise ValueError("days must rise by one")
        for name, array in self.values.items():
            if name not in DAILY_VARIABLES:
                raise ValueError(f"{name} is no daily variable; one of {', '.join(DAILY_VARIABLES)}")
            if array.shape != self.day.shape:
                raise ValueError(f"{name} has shape {array.shape}, not {self.day.shape}")
