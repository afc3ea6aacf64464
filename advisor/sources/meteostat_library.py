"""The meteostat library reads one checked year file from a temporary folder: no network, no cache of its own.

Its reader would fetch, keep and forget files by rules that an unattended service cannot use; our own
client downloads, and the library only parses. Its nullable columns become float64 here, at the door.
"""

from __future__ import annotations

import gzip
import logging
import tempfile
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.sources.meteostat_text import BadFileError, Kind, sound_file
from advisor.weather.stations import is_station_id
from advisor.weather.table import FloatArray, TimeArray

__all__ = ["YearRecord", "is_model", "read_year"]

_LOCK = threading.Lock()
"""The library's endpoint is a module variable: one file at a time."""


@dataclass(frozen=True, slots=True)
class YearRecord:
    """One year of a station.

    Attributes
    ----------
    time_utc : datetime64[s] array, shape (N,)
        Rising, without repeats; stamps as they stand in the file.
    values : mapping of foreign name to float array, shape (N,)
        NaN where there is no value.
    sources : mapping of foreign name to object array of str, shape (N,)
        Where each value comes from; several ids are separated by blanks; empty without a value.
    credits : tuple of str
        Who must be named.
    licences : tuple of str
    notes : tuple of str
    """

    time_utc: TimeArray
    values: Mapping[str, FloatArray]
    sources: Mapping[str, NDArray[np.object_]]
    credits: tuple[str, ...]
    licences: tuple[str, ...]
    notes: tuple[str, ...]


def is_model(source: str) -> bool:
    """Say whether a model, not an instrument, gave the value: any of the ids is of a model grade."""
    return any(one in _model_ids() for one in source.split())


def _model_ids() -> frozenset[str]:
    from meteostat.core.providers import provider_service
    from meteostat.enumerations import Grade

    graded = {
        str(provider.id)
        for provider in provider_service.providers
        if provider.grade in (Grade.FORECAST, Grade.ANALYSIS)
    }
    return frozenset({"dwd_mosmix", "metno_forecast"} | graded)


def read_year(kind: Kind, station_id: str, year: int, body: bytes) -> YearRecord:
    """Return one year of one station.

    Raises
    ------
    BadFileError
        The file is not sound (see ``sound_file``), or the library cannot read it.
    ValueError
        ``station_id`` cannot be a station's id.
    """
    if not is_station_id(station_id):
        raise ValueError(f"{station_id!r} is no station id")
    sound = sound_file(kind, year, station_id, body)
    empty: TimeArray = np.empty(0, dtype="datetime64[s]")
    if not sound.rows:
        return YearRecord(
            empty, {}, {}, (), (), (*sound.notes, f"empty: {kind} file of {station_id} for {year}")
        )
    name = f"the {kind} file of {station_id} for {year}"
    try:
        with _LOCK, tempfile.TemporaryDirectory(prefix="advisor-station-") as folder:
            series = _series(kind, station_id, year, sound.text, Path(folder))
            frame = series.fetch(sources=True, clean=False)
            if frame is None or not len(frame):
                raise BadFileError(name, "cannot be read")
            time_utc = frame.index.to_numpy().astype("datetime64[s]")
            names = [str(column) for column in frame.columns]
            frame.columns = names
            values, sources = {}, {}
            for column in names:
                if column.endswith("_source") or f"{column}_source" not in names:
                    continue
                values[column] = frame[column].astype("float64").to_numpy(dtype=np.float64, na_value=np.nan)
                said = frame[f"{column}_source"]
                sources[column] = said.where(said.notna(), "").to_numpy(dtype=object)
            licences = series.licenses
    except BadFileError:
        raise
    except Exception as error:
        raise BadFileError(name, f"cannot be read ({type(error).__name__})") from error
    return YearRecord(
        time_utc,
        values,
        sources,
        tuple(sorted({one.attribution for one in licences if one.attribution})),
        tuple(sorted({one.name for one in licences if one.name})),
        sound.notes,
    )


def _series(kind: Kind, station_id: str, year: int, text: str, folder: Path) -> Any:
    """Let the library read ``text`` as the file of that year; of a fault it logs much and raises nothing."""
    import meteostat
    from meteostat.providers.meteostat import daily, hourly

    (folder / f"{year}-{station_id}.csv.gz").write_bytes(gzip.compress(text.encode("ascii"), 1))
    module: Any = hourly if kind == "hourly" else daily
    told = logging.getLogger("meteostat")
    before = (meteostat.config.cache_enable, module.ENDPOINT, told.level)
    place = str(folder).replace("{", "{{").replace("}", "}}")
    meteostat.config.cache_enable = False
    module.ENDPOINT = place + "/{year}-{station}.csv.gz"
    told.setLevel(logging.CRITICAL + 1)
    try:
        ask = meteostat.hourly if kind == "hourly" else meteostat.daily
        first, last = datetime(year, 1, 1), datetime(year, 12, 31, 23, 59)  # noqa: DTZ001 - the library's UTC is naive
        return ask(meteostat.Station(id=station_id), first, last)
    finally:
        meteostat.config.cache_enable, module.ENDPOINT = before[0], before[1]
        told.setLevel(before[2])
