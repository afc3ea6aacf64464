"""Files of loggers that hang at places: hours of temperature into lowest of nights, highest of days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from advisor.errors import Fault, SettingsError
from advisor.exposure.thermometer import readings_of_hours
from advisor.garden.model import Garden, Place, PlaceReading
from advisor.garden.tables import Tables
from advisor.store.hourly_files import HourlyReport, read_hourly
from advisor.store.hourly_rows import Finding
from advisor.weather.quality import standing
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["Logged", "read_loggers"]

COLUMNS = {"temperature_c": "air_temperature_c"}
"""A logger measures no more than this; the name may also be that of the weather table."""
_HARMLESS = frozenset({"gap", "empty field", "out of order", "same hour twice, same values"})
"""Rules that lose nothing that was measured."""


@dataclass(frozen=True, slots=True)
class Logged:
    """What loggers have read: readings, files that cannot be read, and rows of others that were left out."""

    readings: tuple[PlaceReading, ...] = ()
    faults: tuple[Fault, ...] = ()
    slips: tuple[Fault, ...] = ()


def read_loggers(
    folder: Path, garden: Garden, places: Iterable[Place], tables: Tables, now_utc: datetime
) -> Logged:
    """Return the readings of every place with a logger's file, oldest first within a place.

    Hours from now on do not count. A file that cannot be read costs its readings and is named; values in it
    that cannot be, and hours over which it stood still, are left out, counted and named.
    """
    found: list[PlaceReading] = []
    faults: list[Fault] = []
    slips: list[Fault] = []
    get = tables.physics.value
    for place in places:
        if not place.thermometer:
            continue
        try:
            table, report = read_hourly(
                folder / place.thermometer,
                garden.zone,
                tables.physics,
                now_utc,
                renamed=COLUMNS,
                may_stand_still=True,  # in a room it may; out of doors the rule below asks
            )
        except SettingsError as error:
            what = f"thermometer of {place.id}"
            faults += [replace(fault, file=place.thermometer, drops=what) for fault in error.faults]
            continue
        slips += _slips(place, report)
        past = table.between(0, table.index_at(now_utc) + 1)
        air = past.value("air_temperature_c")
        if place.shelter_level < get("bench.indoor_level", "count"):
            stuck = standing(air, round(get("thermometer.stuck_h", "h")))
            slips += _stuck(place, past, stuck)
            air = np.where(stuck, np.nan, air)
        found += readings_of_hours(
            place.id, past.start_utc, air, garden.zone, get("thermometer.coverage_share", "share")
        )
    return Logged(tuple(found), tuple(faults), tuple(slips))


def _slips(place: Place, report: HourlyReport) -> list[Fault]:
    lossy = [finding for finding in report.findings if finding.rule not in _HARMLESS]
    return [_slip(place, finding) for finding in lossy]


def _slip(place: Place, finding: Finding) -> Fault:
    examples = f" ({'; '.join(finding.examples)})" if finding.examples else ""
    fahrenheit = finding.rule == "range" and finding.variable == "air_temperature_c"
    wanted = (
        "write °C; nothing is converted, °F least of all" if fahrenheit else "mend or leave out these rows"
    )
    times = "once" if finding.count == 1 else f"{finding.count} times"
    return Fault(
        place.thermometer,
        finding.first_line,
        "temperature_c" if finding.variable else "",
        f"{finding.rule}, {times}, first here{examples}",
        wanted,
        f"{finding.count} h of the thermometer at {place.name}",
    )


def _stuck(place: Place, table: WeatherTable, stuck: np.ndarray) -> list[Fault]:
    if not stuck.any():
        return []
    first = int(np.argmax(stuck))
    value = float(table.value("air_temperature_c")[first])
    since = utc_of(table.start_utc[first])
    return [
        Fault(
            place.thermometer,
            None,
            "temperature_c",
            f"stuck, {int(stuck.sum())} h in all, first at {value:g} °C from {since:%Y-%m-%d %H:%M} UTC",
            "look at the logger, its battery, and where it hangs",
            f"{int(stuck.sum())} h of the thermometer at {place.name}",
        )
    ]
