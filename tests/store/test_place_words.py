"""Places in the grower's own words: hours of sun, and readings of a thermometer that hangs there."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any

import pytest

from advisor.store.config_files import load_tables
from advisor.store.garden_files import GardenFile, parse_garden
from advisor.store.journal_files import HEADER, read_journal, read_readings

HERE = Path(__file__).parent
SLIPS: list[dict[str, Any]] = tomllib.loads((HERE / "place_sun_faults.toml").read_text("utf-8"))["case"]
LINES: dict[str, Any] = tomllib.loads((HERE / "place_readings.toml").read_text("utf-8"))
GARDEN = """
[garden]
name = "Test yard"
latitude = 48.0
longitude = 11.0
elevation_m = 500
timezone = "Europe/Berlin"

[[place]]
id = "bench"
{place}

[[tree]]
id = "sorrel"
species = "acer-palmatum"
size = "shohin"
"""
NOW = datetime(2026, 8, 1, 8, tzinfo=UTC)


def garden(place: str = "") -> GardenFile:
    return parse_garden(GARDEN.format(place=place), load_tables())


def test_hours_of_sun_are_kept_with_where_the_garden_lies() -> None:
    found = garden('sun = ["08:00", "14:00"]\nsun_in = "june"')
    assert found.faults == ()
    hours = found.places["bench"].sun_hours
    assert hours is not None
    assert (hours.from_time, hours.until_time, hours.month) == (time(8), time(14), 6)
    assert (hours.latitude_deg, hours.longitude_deg, hours.timezone) == (48.0, 11.0, "Europe/Berlin")


@pytest.mark.parametrize("case", SLIPS, ids=[case["place"].splitlines()[0] for case in SLIPS])
def test_a_slip_in_the_hours_of_sun_says_what_to_write(case: dict[str, Any]) -> None:
    found = garden(case["place"])
    told = [fault for fault in found.faults if fault.key == case["key"]]
    assert len(told) == 1, found.faults
    text = f"{told[0].found} {told[0].wanted}"
    for word in case["words"]:
        assert word in text, text
    assert told[0].drops == "place bench"


@pytest.mark.parametrize("row", LINES["reading"], ids=[row["line"] for row in LINES["reading"]])
def test_a_thermometer_read_at_a_place(row: dict[str, Any]) -> None:
    found = garden()
    assert found.garden is not None
    text = f"{HEADER}\n{row['line']}\n"
    entries, faults = read_journal(text, found.garden, found.trees, found.places, NOW)
    assert faults == ()
    assert entries == (), "a place is no tree"
    (reading,) = read_readings(text, found.garden, found.trees, found.places, NOW)
    assert (reading.place_id, reading.kind, reading.day) == (row["place"], row["kind"], row["day"])
    assert reading.air_c == pytest.approx(row["air_c"], abs=0.01)
    assert reading.line == 2


@pytest.mark.parametrize("row", LINES["fault"], ids=[row["line"] for row in LINES["fault"]])
def test_a_slip_in_a_reading_says_what_to_write(row: dict[str, Any]) -> None:
    found = garden()
    assert found.garden is not None
    text = f"{HEADER}\n{row['line']}\n"
    _, faults = read_journal(text, found.garden, found.trees, found.places, NOW)
    (fault,) = faults
    assert fault.key == row["column"]
    for word in row["words"]:
        assert word in f"{fault.found} {fault.wanted}"
    assert read_readings(text, found.garden, found.trees, found.places, NOW) == ()


def test_a_reading_taken_back_does_not_count() -> None:
    found = garden()
    assert found.garden is not None
    line = "2026-04-12,07:30,@bench,night-min,-2,c,"
    text = f'{HEADER}\n{line}\n2026-04-12,07:31,@bench,retracted,,,"takes back: {line}"\n'
    _, faults = read_journal(text, found.garden, found.trees, found.places, NOW)
    assert faults == ()
    assert read_readings(text, found.garden, found.trees, found.places, NOW) == ()


def test_a_reading_of_tomorrow_is_not_used_yet() -> None:
    found = garden()
    assert found.garden is not None
    text = f"{HEADER}\n2026-08-01,23:30,@bench,night-min,9,c,\n"
    assert read_readings(text, found.garden, found.trees, found.places, NOW) == ()
