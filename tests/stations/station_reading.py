"""Reading the station records of fixtures/stations, for tests of any floor."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FOLDER = Path(__file__).parents[2] / "fixtures" / "stations"


@dataclass(frozen=True)
class StationRecord:
    """One record and what is said about it.

    ``table`` has a UTC index of hour starts, or one of days without a zone.
    """

    id: str
    about: dict[str, Any]
    table: pd.DataFrame

    @property
    def hourly(self) -> bool:
        return bool(self.about["record"]["step"] == "hour")

    @property
    def latitude_deg(self) -> float:
        return float(self.about["station"]["latitude_deg"])

    @property
    def longitude_deg(self) -> float:
        return float(self.about["station"]["longitude_deg"])

    @property
    def elevation_m(self) -> float:
        return float(self.about["station"]["elevation_m"])

    @property
    def start_utc(self) -> NDArray[np.datetime64]:
        """Starts of the hours, as the program wants them."""
        return self.table.index.tz_convert(None).to_numpy().astype("datetime64[s]")

    def local(self) -> pd.DataFrame:
        """The hourly table by the station's own clock; a daily one as it is."""
        return self.table.tz_convert(self.about["station"]["timezone"]) if self.hourly else self.table


def station_ids(step: str | None = None) -> list[str]:
    """All stations, or those with an hourly ("hour") or daily ("day") record."""
    ids = sorted(path.parent.name for path in FOLDER.glob("*/provenance.toml"))
    return ids if step is None else [name for name in ids if provenance(name)["record"]["step"] == step]


@lru_cache(maxsize=64)
def provenance(station: str) -> dict[str, Any]:
    """What is said about a record."""
    return tomllib.loads((FOLDER / station / "provenance.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=64)
def load_station(station: str) -> StationRecord:
    """Read one record; callers leave its table untouched."""
    about = provenance(station)
    table = pd.read_csv(FOLDER / station / about["record"]["file"], index_col=0)
    table.index = pd.DatetimeIndex(pd.to_datetime(table.index, utc=about["record"]["step"] == "hour"))
    return StationRecord(station, about, table)


def stations_with(*columns: str) -> list[str]:
    """Hourly stations that have all these columns."""
    return [name for name in station_ids("hour") if set(columns) <= set(provenance(name)["coverage"])]
