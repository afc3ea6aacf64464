"""Files of loggers that hang at places: hours of temperature into lowest of nights, highest of days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from advisor.errors import Fault, SettingsError
from advisor.exposure.thermometer import readings_of_hours
from advisor.garden.model import Garden, Place, PlaceReading
from advisor.garden.tables import Tables
from advisor.store.hourly_files import read_hourly

__all__ = ["read_loggers"]

COLUMNS = {"temperature_c": "air_temperature_c"}
"""A logger measures no more than this; the name may also be that of the weather table."""


def read_loggers(
    folder: Path, garden: Garden, places: Iterable[Place], tables: Tables, now_utc: datetime
) -> tuple[tuple[PlaceReading, ...], tuple[Fault, ...]]:
    """Return the readings of every place with a logger's file, oldest first within a place.

    Hours from now on do not count. A file that cannot be read costs its readings and is named.
    """
    found: list[PlaceReading] = []
    faults: list[Fault] = []
    coverage = tables.physics.value("thermometer.coverage_share", "share")
    for place in places:
        if not place.thermometer:
            continue
        try:
            table, _ = read_hourly(
                folder / place.thermometer, garden.zone, tables.physics, now_utc, renamed=COLUMNS
            )
        except SettingsError as error:
            what = f"thermometer of {place.id}"
            faults += [replace(fault, file=place.thermometer, drops=what) for fault in error.faults]
            continue
        past = table.between(0, table.index_at(now_utc) + 1)
        air = past.value("air_temperature_c")
        found += readings_of_hours(place.id, past.start_utc, air, garden.zone, coverage)
    return tuple(found), tuple(faults)
