"""The complete hourly table of this moment, put together from what the store keeps."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from advisor.errors import DataGap
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.service.learn_error import error_for
from advisor.service.observations import observed_tables
from advisor.service.station_fetch import past_from_utc
from advisor.store.database import Store
from advisor.store.service_files import ServiceSettings
from advisor.store.weather_archive import newest, newest_spans, payload_of
from advisor.weather.blend import blend
from advisor.weather.codec import decode_ensemble, decode_table
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.error_correction import apply_correction
from advisor.weather.forecast_error import ForecastError
from advisor.weather.members import Ensemble, attach_members
from advisor.weather.patch import patched
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["assemble", "stored_tables", "with_observations"]

log = logging.getLogger(__name__)

RECENT = 60
"""Forecasts looked at for hours of the recent past that no newer one has."""


def stored_tables(store: Store, now_utc: datetime, from_utc: datetime) -> tuple[WeatherTable, ...]:
    """Return what the store knows at ``now_utc``, newest first, and no more than covers the past wanted."""
    rows = list(newest_spans(store, "forecast", now_utc, RECENT))
    chosen = rows[:1]
    earliest = chosen[0].covers_from_utc if chosen else now_utc
    rest = rows[1:] + list(newest_spans(store, "history", now_utc, 100))
    rest.sort(key=lambda row: row.fetched_at_utc, reverse=True)
    for row in rest:
        if row.covers_from_utc < earliest and earliest > from_utc:
            chosen.append(row)
            earliest = row.covers_from_utc
    return tuple(decode_table(payload_of(store, row)) for row in chosen)


def _stored_ensemble(store: Store, now_utc: datetime, used_for: timedelta) -> Ensemble | None:
    found = newest(store, "ensemble", now_utc)
    if not found or now_utc - found[0].fetched_at_utc > used_for:
        return None
    return decode_ensemble(found[0].payload)


def _without_fence_post(table: WeatherTable) -> WeatherTable:
    """Drop the last hour when only its instants are known: the sums of it come with the next reply."""
    sums = [name for name in ("rain_mm", "shortwave_w_m2", "wind_gust_m_s") if name in table.values]
    last = table.hours - 1
    if sums and last > 0 and all(np.isnan(table.value(name)[last]) for name in sums):
        return table.between(0, last)
    return table


def with_observations(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    tables: Tables,
    now_utc: datetime,
    forecasts: list[WeatherTable],
) -> list[WeatherTable]:
    """Return ``forecasts`` behind what stations observed, the best station first.

    What a station does not measure comes from the next that does, else from the forecasts' own past, and
    is said (``patch``). A fault of the observations costs only them.
    """
    try:
        seen = observed_tables(store, settings, garden, now_utc, tables)
        behind = [*seen, *forecasts]
        return [*(patched(table, behind[place + 1 :]) for place, table in enumerate(seen)), *forecasts]
    except Exception as error:
        log.exception("event=observations-failed")
        first = forecasts[0]
        notes = (*first.provenance.notes, f"observations left out: {type(error).__name__}: {error}")
        return [replace(first, provenance=replace(first.provenance, notes=notes)), *forecasts[1:]]


def _usable(table: WeatherTable, now_utc: datetime) -> bool:
    """Whether an hour from now on within the day is known; a single missing hour does not spoil a day."""
    row = table.index_at(now_utc)
    ahead = table.value("air_temperature_c")[max(row, 0) : max(row, 0) + 24]
    return row >= 0 and bool(np.isfinite(ahead).any())


def assemble(
    store: Store | None,
    fresh: Sequence[WeatherTable],
    fresh_ensemble: Ensemble | None,
    garden: Garden,
    tables: Tables,
    now_utc: datetime,
    errors: Mapping[str, ForecastError] | None = None,
    settings: ServiceSettings | None = None,
) -> WeatherTable | None:
    """Return the table of this moment, or None when nothing at hand covers it.

    Parameters
    ----------
    fresh : sequence of WeatherTable
        Fetched just now and not in the store (for commands that keep nothing); newest first.
    settings : ServiceSettings, optional
        Says whose observations count; without it the past is that of the forecast services alone.
    errors : mapping of source to ForecastError, optional
        What they correct is taken off the hours to come; the store keeps forecasts as they came.
    """
    numbers = tables.operation
    from_utc = past_from_utc(garden, now_utc, numbers)
    known = list(fresh)
    if store is not None:
        known += stored_tables(store, now_utc, from_utc)
    if not known:
        return None
    if store is not None and settings is not None:
        known = with_observations(store, settings, garden, tables, now_utc, known)
    first = min(utc_of(table.start_utc[0]) for table in known)
    last = max(utc_of(table.start_utc[-1]) for table in known) + timedelta(hours=1)
    try:
        table = blend(known, max(first, from_utc), last, now_utc)
    except (DataGap, ValueError):
        return None
    if not _usable(table, now_utc):
        return None
    table = _without_fence_post(table)
    ensemble = fresh_ensemble
    if ensemble is None and store is not None:
        used_for = timedelta(days=numbers.value("service.ensemble_used_for", "d"))
        ensemble = _stored_ensemble(store, now_utc, used_for)
    if ensemble is not None:
        table = attach_members(table, ensemble)
    table = apply_correction(table, error_for(errors or {}, table), garden.zone)
    return complete(
        table,
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        derive=DeriveNumbers.from_numbers(tables.physics),
        quality=QualityNumbers.from_numbers(tables.physics),
    )
