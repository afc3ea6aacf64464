"""Observations of weather stations from Meteostat: yearly files of hours and of days, in UTC.

Source: https://dev.meteostat.net/data/timeseries. Instants hold at their stamp; rain and gusts belong to
the hour that ends at it (sunshine minutes around sunrise show it). Values that a model put in place of a
missing observation are left out, each by its own ``_source``. Values are CC BY 4.0 (providers' own terms
remain) and are processed here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.errors import SourceError
from advisor.physics.air import pressure_kpa_from_elevation
from advisor.sources.meteostat_codes import wmo_code
from advisor.sources.meteostat_library import YearRecord, is_model, read_year
from advisor.sources.meteostat_text import Kind
from advisor.sources.model import Label
from advisor.units import M_S_PER_KM_H
from advisor.weather.daily_table import DailyTable
from advisor.weather.quality import in_range
from advisor.weather.stations import Station
from advisor.weather.table import FloatArray, Provenance, TimeArray, WeatherTable, stamp_of

__all__ = [
    "BASE_URL",
    "DAILY",
    "HOURLY",
    "ID",
    "Column",
    "parse_daily",
    "parse_hourly",
    "source_of",
]

ID = "meteostat"
BASE_URL = "https://data.meteostat.net"

_HOUR = np.timedelta64(3600, "s")


@dataclass(frozen=True, slots=True)
class Column:
    """One parameter of the files.

    Attributes
    ----------
    name, ours : str
        The service's name and ours.
    unit : str
        As documented; the files do not name it.
    label : {"start", "end"}
        Whether the stamp marks the start (or the instant) or the end of the hour.
    convert : callable
        To our unit.
    doubtful : tuple of str
        Sources whose values are left out because their unit cannot be relied on.
    """

    name: str
    ours: str
    unit: str
    label: Label
    convert: Callable[[FloatArray], FloatArray]
    doubtful: tuple[str, ...] = ()


def _same(values: FloatArray) -> FloatArray:
    return values


def _from_km_h(values: FloatArray) -> FloatArray:
    return values * M_S_PER_KM_H


def _from_okta(values: FloatArray) -> FloatArray:
    """Percent of the sky; 9 okta (sky not visible) is unknown. Source: WMO code table 2700."""
    return np.where((values >= 0.0) & (values <= 8.0), values * 12.5, np.nan)


HOURLY: tuple[Column, ...] = (
    Column("temp", "air_temperature_c", "°C", "start", _same),
    Column("rhum", "relative_humidity_pct", "%", "start", _same),
    Column("prcp", "rain_mm", "mm", "end", _same),
    Column("snwd", "snow_depth_cm", "cm", "start", _same, ("dwd_poi",)),
    Column("wspd", "wind_speed_10m_m_s", "km/h", "start", _from_km_h, ("metar",)),
    Column("wpgt", "wind_gust_m_s", "km/h", "end", _from_km_h, ("metar",)),
    Column("pres", "pressure_hpa", "hPa at sea level", "start", _same),
    Column("cldc", "cloud_cover_pct", "okta", "start", _from_okta),
    Column("coco", "weather_code", "condition code", "start", wmo_code),
)
"""Wind of ``metar`` and snow of ``dwd_poi`` may carry another unit than the column says: the library's own
readers of those sources store knots as km/h, and ten times the centimetres (meteostat 2.1.5, source)."""

DAILY: tuple[Column, ...] = (
    Column("tmin", "air_temperature_min_c", "°C", "start", _same),
    Column("tmax", "air_temperature_max_c", "°C", "start", _same),
    Column("temp", "air_temperature_mean_c", "°C", "start", _same),
    Column("prcp", "rain_mm", "mm", "start", _same),
    Column("wpgt", "wind_gust_m_s", "km/h", "start", _from_km_h, ("metar",)),
)
_HOURLY_RANGE = {"air_temperature_min_c", "air_temperature_max_c", "air_temperature_mean_c"}


def source_of(station: Station) -> str:
    """Return the name under which rows of a station go, ``meteostat:ID``."""
    return f"{ID}:{station.id}"


def _observed(
    column: Column, record: YearRecord, dropped: Counter[tuple[str, str]]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Values in our unit without those of models and of doubtful unit; and where a model's value was."""
    values = record.values[column.name]
    sources = record.sources[column.name]
    modelled = np.zeros(values.size, dtype=np.bool_)
    doubtful = np.zeros(values.size, dtype=np.bool_)
    known = np.isfinite(values)
    for source in sorted({str(one) for one in sources[known]}):
        rows = known & (sources == source)
        if is_model(source):
            modelled |= rows
            dropped[("model", column.ours)] += int(rows.sum())
        elif set(source.split()) & set(column.doubtful):
            doubtful |= rows
            dropped[("unit in doubt", column.ours)] += int(rows.sum())
    return column.convert(np.where(modelled | doubtful, np.nan, values)), modelled


def _credit(station: Station, records: list[YearRecord]) -> str:
    named = sorted({name for record in records for name in record.credits})
    licences = sorted({name for record in records for name in record.licences} | {"CC BY 4.0"})
    way = f", {station.distance_km:.0f} km away" if station.distance_km else ""
    who = "".join(f", {name}" for name in named)
    return (
        f"Observations at {station.name} ({station.id}{way}): Meteostat (https://meteostat.net/){who}, "
        f"{', '.join(licences)}"
    )


def _records(
    kind: Kind, station: Station, files: Mapping[int, bytes]
) -> tuple[list[YearRecord], list[str], list[str]]:
    """Years that can be read, oldest first; notes; words about those that cannot."""
    records: list[YearRecord] = []
    notes: list[str] = []
    faults: list[str] = []
    for year in sorted(files):
        try:
            record = read_year(kind, station.id, year, files[year])
        except SourceError as error:
            faults.append(str(error))
            continue
        notes += record.notes
        if record.time_utc.size:
            records.append(record)
    return records, notes, faults


def parse_hourly(files: Mapping[int, bytes], station: Station, fetched_at_utc: datetime) -> WeatherTable:
    """Return what a station observed, at its own height.

    Parameters
    ----------
    files : mapping of year to bytes
        Year files as downloaded.
    station : Station
    fetched_at_utc : datetime
        Hours that had not ended then are left out.

    Returns
    -------
    WeatherTable
        From the first observed hour to the last, gaps NaN; pressure at the station's height. Notes count
        per variable what models gave and what was out of range. A year that cannot be read is left out
        and named.

    Raises
    ------
    SourceError
        No year can be read, or none holds an observation.
    """
    records, notes, faults = _records("hourly", station, files)
    dropped: Counter[tuple[str, str]] = Counter()
    last_end = stamp_of(fetched_at_utc)
    stamps: list[TimeArray] = [record.time_utc for record in records]
    if not stamps:
        raise _nothing("hourly", station, faults)
    first = min(stamp[0] for stamp in stamps) - _HOUR
    final = max(stamp[-1] for stamp in stamps)
    axis: TimeArray = first + np.arange(int((final - first) // _HOUR) + 1) * _HOUR
    values = {column.ours: np.full(axis.size, np.nan) for column in HOURLY}
    for column in HOURLY:
        for record in records:
            if column.name not in record.values:
                continue
            array, _ = _observed(column, record, dropped)
            rows = ((record.time_utc - axis[0]) // _HOUR).astype(np.int64) - (column.label == "end")
            known = np.isfinite(array) & (rows >= 0)
            values[column.ours][rows[known]] = array[known]
    values["pressure_hpa"] *= float(
        pressure_kpa_from_elevation(station.elevation_m) / pressure_kpa_from_elevation(0.0)
    )
    ended = axis + _HOUR <= last_end
    for name, array in values.items():
        values[name], note = in_range(name, np.where(ended, array, np.nan))
        notes += [note] if note else []
    known_rows = np.flatnonzero(np.any([np.isfinite(array) for array in values.values()], axis=0))
    if not np.isfinite(values["air_temperature_c"]).any():
        raise _nothing("hourly", station, faults)
    cut = slice(int(known_rows[0]), int(known_rows[-1]) + 1)
    kept = {name: array[cut] for name, array in values.items() if bool(np.isfinite(array).any())}
    notes += [f"{why}: {name}, {count} h left out" for (why, name), count in sorted(dropped.items())]
    return WeatherTable(
        start_utc=axis[cut],
        values=kept,
        provenance=Provenance(
            source=source_of(station),
            issued_at_utc=None,
            fetched_at_utc=fetched_at_utc,
            attribution=(_credit(station, records),),
            missing=tuple(sorted(column.ours for column in HOURLY if column.ours not in kept)),
            notes=tuple(dict.fromkeys([*notes, *faults])),
            model_names_hail=True,  # a reported code 24 is hail that fell
        ),
        source_by_hour=(source_of(station),) * int(axis[cut].size),
    )


def parse_daily(files: Mapping[int, bytes], station: Station, fetched_at_utc: datetime) -> DailyTable:
    """Return a station's daily record, at its own height.

    Days after the one on which the newest file was fetched are left out. A value that rests on a model in
    part (several sources are named for a day) is left out too.

    Raises
    ------
    SourceError
        No year can be read, or none holds an observation.
    """
    records, notes, faults = _records("daily", station, files)
    if not records:
        raise _nothing("daily", station, faults)
    dropped: Counter[tuple[str, str]] = Counter()
    today = np.datetime64((fetched_at_utc - timedelta(days=1)).date(), "D")
    days = [record.time_utc.astype("datetime64[D]") for record in records]
    first, final = min(day[0] for day in days), min(max(day[-1] for day in days), today)
    size = max(int((final - first).astype(np.int64)) + 1, 0)
    axis = first + np.arange(size).astype("timedelta64[D]")
    values = {column.ours: np.full(axis.size, np.nan) for column in DAILY}
    modelled = np.zeros(axis.size, dtype=np.bool_)
    for column in DAILY:
        for record, day in zip(records, days, strict=True):
            if column.name not in record.values:
                continue
            array, by_model = _observed(column, record, dropped)
            rows = (day - first).astype(np.int64)
            inside = rows < axis.size
            if column.ours in _HOURLY_RANGE:
                modelled[rows[inside & by_model]] = True
            values[column.ours][rows[inside]] = array[inside]
    for name, array in values.items():
        values[name], note = in_range("air_temperature_c" if name in _HOURLY_RANGE else name, array)
        notes += [note.replace(" h ", " d ")] if note else []
    kept = {name: array for name, array in values.items() if bool(np.isfinite(array).any())}
    if not {"air_temperature_min_c", "air_temperature_max_c"} & kept.keys():
        raise _nothing("daily", station, faults)
    notes += [f"{why}: {name}, {count} d left out" for (why, name), count in sorted(dropped.items())]
    return DailyTable(
        day=axis,
        values=kept,
        station=station,
        attribution=(_credit(station, records),),
        modelled_days=int(modelled.sum()),
        notes=tuple(dict.fromkeys([*notes, *faults])),
    )


def _nothing(kind: Kind, station: Station, faults: list[str]) -> SourceError:
    why = f": {'; '.join(faults)}" if faults else ": no observed temperature in its files"
    return SourceError(f"{ID}: nothing to read in the {kind} record of {station.id}{why}", transient=False)
