"""Once a day: hold stored forecasts against what came, and keep what that teaches.

Two measures are kept apart: stations near the garden, and what the forecast service itself said of the
hours afterwards. The station's is used as soon as it has enough days; only it can correct a forecast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.store.database import Store
from advisor.store.learned import keep_learned, learned
from advisor.store.service_files import ServiceSettings
from advisor.store.weather_archive import StoredSpan, first_of_days, newest_spans, payload_of
from advisor.units import NumberTable
from advisor.weather.codec import decode_table
from advisor.weather.error_learning import summarise
from advisor.weather.error_pairs import (
    ComparedWith,
    ErrorPairs,
    add_pairs,
    forget_before,
    past_as_known_later,
)
from advisor.weather.error_pairs_codec import pairs_from_json, pairs_to_json
from advisor.weather.forecast_error import (
    ForecastError,
    error_from_json,
    error_to_json,
    learned_days,
    without_corrections,
)
from advisor.weather.stations import Station
from advisor.weather.table import WeatherTable

__all__ = ["ERROR", "PAIRS", "NearStation", "error_for", "known_errors", "learn_error", "near_station"]

ERROR, PAIRS = "forecast-error", "forecast-error-pairs"
"""Names in the store: what was learned, by source; and the errors it was learned from."""
LONG_PASTS = 2
"""Stored long pasts looked at for hours that no forecast of the days after tells."""


@dataclass(frozen=True, slots=True)
class NearStation:
    """What a station observed, at the garden's height, and where it stands."""

    station: Station
    observed: WeatherTable


def learn_error(
    store: Store,
    garden: Garden,
    tables: Tables,
    now_utc: datetime,
    near: NearStation | None = None,
) -> dict[str, ForecastError]:
    """Count what came since the last pass and keep what is known now; by source.

    Looks only at the first forecast of each UTC day: of the last ``forecast_error.look_back`` days, or
    of the whole window where nothing is known of a source yet. Doing it again changes nothing. Learned
    values that cannot be read are begun anew from the archive.

    Raises
    ------
    StoreError
        The store cannot be read or written.
    """
    numbers = tables.physics
    window = now_utc - timedelta(days=numbers.value("forecast_error.window", "d"))
    recent = now_utc - timedelta(days=numbers.value("forecast_error.look_back", "d"))
    kept = _kept_pairs(store, now_utc)
    begun = {(pairs.source, pairs.compared_with) for pairs in kept.values() if pairs.rows}
    measures: tuple[ComparedWith, ...] = ("own-past",) if near is None else ("own-past", "station")
    stored = first_of_days(store, window, now_utc)
    for source in dict.fromkeys(row.source for row in stored):
        mine = [row for row in stored if row.source == source]
        wholly = any((source, measure) not in begun for measure in measures)
        forecasts = _decoded(store, [row for row in mine if wholly or row.fetched_at_utc >= recent])
        for measure in measures:
            truth, reference = _truth(store, source, measure, forecasts, near, now_utc, numbers)
            if truth is not None:
                name = f"{source}/{measure}"
                pairs = kept.get(name, ErrorPairs(source, measure))
                if pairs.reference != reference:  # another station: its errors are others
                    pairs = ErrorPairs(source, measure)
                pairs = replace(pairs, reference=reference, stands_for_garden=_stands_for(near, numbers))
                kept[name] = add_pairs(pairs, forecasts, truth, garden.zone, numbers)
    kept = {name: forget_before(pairs, window.astimezone(UTC).date()) for name, pairs in kept.items()}
    found = _best(kept, garden, numbers)
    with store.transaction() as tx:
        keep_learned(tx, PAIRS, {name: pairs_to_json(kept[name]) for name in sorted(kept)}, now_utc)
        keep_learned(tx, ERROR, {name: error_to_json(found[name]) for name in sorted(found)}, now_utc)
    return found


def near_station(
    store: Store, settings: ServiceSettings, garden: Garden, tables: Tables, now_utc: datetime
) -> NearStation | None:
    """Return the best station with a record; None where none is kept."""
    from advisor.service.observations import observed_tables
    from advisor.service.station_choice import chosen

    seen = observed_tables(store, settings, garden, now_utc, tables)
    stations = chosen(store, settings, garden, now_utc, tables.operation, "hourly") if seen else ()
    for station in stations:
        if seen[0].provenance.source.endswith(f":{station.id}"):
            return NearStation(station, seen[0])
    return None


def _kept_pairs(store: Store, now_utc: datetime) -> dict[str, ErrorPairs]:
    data = learned(store, PAIRS, now_utc)
    found = {}
    for name, one in data.items() if isinstance(data, dict) else ():
        try:
            found[name] = pairs_from_json(one)
        except ValueError:  # damaged, or of an older program: learned anew
            continue
    return found


def _decoded(store: Store, rows: Sequence[StoredSpan]) -> list[WeatherTable]:
    found = []
    for row in rows:
        try:
            found.append(decode_table(payload_of(store, row)))
        except ValueError:  # one damaged forecast teaches nothing; the others do
            continue
    return found


def _truth(
    store: Store,
    source: str,
    measure: ComparedWith,
    forecasts: Sequence[WeatherTable],
    near: NearStation | None,
    now_utc: datetime,
    numbers: NumberTable,
) -> tuple[WeatherTable | None, str]:
    """What forecasts are held against, and its name."""
    if measure == "station":
        if near is None:
            return None, ""
        station = near.station
        away = f", {station.distance_km:.0f} km away" if station.distance_km else ""
        return near.observed, f"{station.name} ({station.id}{away})"
    pasts = [row for row in newest_spans(store, "history", now_utc, 8) if row.source == source][:LONG_PASTS]
    later = [row for row in newest_spans(store, "forecast", now_utc, 1) if row.source == source]
    tables = [*forecasts, *_decoded(store, pasts), *_decoded(store, later)]
    return past_as_known_later(tables, numbers.value("forecast_error.settled", "h")), ""


def _best(kept: Mapping[str, ErrorPairs], garden: Garden, numbers: NumberTable) -> dict[str, ForecastError]:
    """The station's measure where it has enough days, else the service's own past."""
    found: dict[str, ForecastError] = {}
    for pairs in sorted(kept.values(), key=lambda one: one.compared_with != "station"):
        if pairs.source in found and learned_days(found[pairs.source], numbers):
            continue
        error = summarise(pairs, garden.zone, numbers)
        if error is None:
            continue
        if pairs.source not in found or learned_days(error, numbers):
            found[pairs.source] = error
    return found


def _stands_for(near: NearStation | None, numbers: NumberTable) -> bool:
    """Whether a station is so near that its air is the garden's: else a correction would move the garden."""
    if near is None:
        return False
    station = near.station
    return station.distance_km <= numbers.value("forecast_error.station_within", "km") and abs(
        station.height_difference_m
    ) <= numbers.value("forecast_error.station_height", "m")


def known_errors(store: Store | None, now_utc: datetime, correction: str) -> dict[str, ForecastError]:
    """Return what was learned by source; without corrections where the settings want none.

    Parameters
    ----------
    correction : {"learned", "off"}
        ``[weather] correction`` of service.toml.
    """
    data = None if store is None else learned(store, ERROR, now_utc)
    found = {}
    for source, one in data.items() if isinstance(data, dict) else ():
        try:
            error = error_from_json(one)
        except ValueError:  # of an older program; tomorrow's pass learns it anew
            continue
        found[source] = error if correction == "learned" else without_corrections(error)
    return found


def error_for(errors: Mapping[str, ForecastError], weather: WeatherTable | None) -> ForecastError | None:
    """Return the error of the source of ``weather``."""
    return None if weather is None else errors.get(weather.provenance.source)
