"""The grower's own thermometer: what readings teach, where it counts, and what one slip does."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from exposure.exposure_builders import GARDEN, changed, holdings_of, summer, tree_of
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.exposure.places import place_temperature_c
from advisor.exposure.thermometer import believed, readings_of_hours, with_corrections
from advisor.garden.model import Holdings, Place, PlaceReading
from advisor.message.place_learned import correction_words
from advisor.store.config_files import load_tables

FILE: dict[str, list[dict[str, Any]]] = tomllib.loads(
    (Path(__file__).parent / "thermometer_cases.toml").read_text(encoding="utf-8")
)
CASES, WEATHER = FILE["case"], FILE["weather"]
TABLES = load_tables()
MOST_NIGHT_K = TABLES.physics.value("thermometer.most_night_k", "K")
BENCH = Place("bench", "Bench")
NOW = datetime(2023, 7, 26, 18, tzinfo=UTC)
DAYS = 14


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_readings_are_believed_as_a_grower_would(case: dict[str, Any]) -> None:
    found = believed(case["night_k"], TABLES, MOST_NIGHT_K)
    assert case["least"] <= found.value_k <= case["most"]
    assert found.count == case["counted"]
    assert int(found.aside.sum()) == case.get("named", 0)


@settings(max_examples=80, deadline=None)
@given(
    steady=st.lists(st.floats(-3, 3), min_size=1, max_size=20),
    slip=st.floats(-60, 60),
)
def test_one_reading_more_never_moves_the_correction_far(steady: list[float], slip: float) -> None:
    """A single reading, whatever it says, moves what several others taught by less than their own range."""
    before = believed(steady, TABLES, MOST_NIGHT_K)
    after = believed([*steady, slip], TABLES, MOST_NIGHT_K)
    assert abs(after.value_k) <= MOST_NIGHT_K
    reach = max(steady) - min(steady)
    if len(steady) >= 4:
        assert abs(after.value_k - before.value_k) <= max(reach, 1.0) + 1.0


@settings(max_examples=50, deadline=None)
@given(bias=st.floats(-2.5, 2.5), count=st.integers(1, 30))
def test_more_readings_that_agree_are_believed_more_and_never_beyond_what_they_say(
    bias: float, count: int
) -> None:
    fewer, more = (believed([bias] * n, TABLES, MOST_NIGHT_K) for n in (count, count + 1))
    assert abs(fewer.value_k) <= abs(more.value_k) + 1e-12 <= abs(bias) + 2e-12


# --- through a fortnight of clear nights ------------------------------------------------------------------


def weather(cloud: float = 10.0, wind: float = 1.0) -> Any:
    return summer(DAYS, cloud=cloud, wind=wind)


def nights(colder_k: float, table: Any, place: Place = BENCH) -> tuple[PlaceReading, ...]:
    """What a thermometer shows that is always colder than reckoned."""
    air = place_temperature_c(place, table, GARDEN, TABLES)
    zone = GARDEN.zone
    every = readings_of_hours(place.id, table.start_utc, air, zone, 0.99)
    return tuple(replace(one, air_c=one.air_c - colder_k) for one in every if one.kind == "night-min")


def garden(readings: tuple[PlaceReading, ...], place: Place = BENCH) -> Holdings:
    return replace(holdings_of([tree_of(TABLES)], (place,)), readings=readings)


def test_a_bench_that_is_two_kelvin_colder_is_reckoned_colder_on_clear_nights_only() -> None:
    table = weather()
    corrected = with_corrections(garden(nights(2.0, table)), table, TABLES, NOW).places["bench"]
    assert corrected.correction is not None
    assert corrected.correction.night_readings >= 10
    assert corrected.correction.day_readings == 0
    before, after = (place_temperature_c(place, table, GARDEN, TABLES) for place in (BENCH, corrected))
    assert -2.0 <= float(np.min(after - before)) <= -1.5
    assert float(np.max(after - before)) == 0.0, "days are left alone"
    cloudy = changed(table, cloud_cover_pct=np.full(table.hours, 100.0))
    plain, moved = (place_temperature_c(place, cloudy, GARDEN, TABLES) for place in (BENCH, corrected))
    np.testing.assert_array_equal(plain, moved)


def test_cloudy_nights_teach_nothing() -> None:
    table = weather(cloud=100.0)
    corrected = with_corrections(garden(nights(2.0, table)), table, TABLES, NOW).places["bench"]
    assert corrected.correction is None


def test_an_absurd_reading_is_set_aside_and_kept_to_be_named() -> None:
    table = weather()
    read = nights(1.5, table)
    wild = replace(read[3], air_c=read[3].air_c + 30.0, line=17)
    given_ = (*read[:3], wild, *read[4:])
    corrected = with_corrections(garden(given_), table, TABLES, NOW).places["bench"]
    assert corrected.correction is not None
    assert corrected.correction.set_aside == (wild,)
    without = with_corrections(garden((*read[:3], *read[4:])), table, TABLES, NOW).places["bench"]
    assert without.correction is not None
    assert corrected.correction.night_k == without.correction.night_k


def test_a_second_pass_learns_the_same() -> None:
    """A correction is worked out against what was reckoned without one; it does not feed on itself."""
    table = weather()
    once = with_corrections(garden(nights(2.0, table)), table, TABLES, NOW)
    assert with_corrections(once, table, TABLES, NOW) == once


def test_readings_to_come_teach_nothing_yet() -> None:
    table = weather()
    early = datetime(2023, 7, 16, 18, tzinfo=UTC)
    corrected = with_corrections(garden(nights(2.0, table)), table, TABLES, early).places["bench"]
    assert corrected.correction is not None
    assert corrected.correction.night_readings <= 3


def test_the_days_are_corrected_by_the_days() -> None:
    table = weather()
    air = place_temperature_c(BENCH, table, GARDEN, TABLES)
    every = readings_of_hours("bench", table.start_utc, air, GARDEN.zone, 0.99)
    hot = tuple(replace(one, air_c=one.air_c + 2.0) for one in every if one.kind == "day-max")
    corrected = with_corrections(garden(hot), table, TABLES, NOW).places["bench"]
    after = place_temperature_c(corrected, table, GARDEN, TABLES)
    assert corrected.correction is not None
    assert 1.2 <= corrected.correction.day_k <= 2.0
    assert float(np.min(after - air)) == 0.0
    assert 1.2 <= float(np.max(after - air)) <= 2.0


def test_a_shed_learns_from_every_night() -> None:
    shed = Place("bench", "Shed", shelter_level=4)
    table = weather(cloud=100.0)
    corrected = with_corrections(garden(nights(2.0, table, shed), shed), table, TABLES, NOW).places["bench"]
    assert corrected.correction is not None
    assert corrected.correction.night_k < -1.0


def test_a_logger_with_gaps_gives_no_night_it_has_not_seen() -> None:
    table = weather()
    air = place_temperature_c(BENCH, table, GARDEN, TABLES).copy()
    whole = readings_of_hours("bench", table.start_utc, air, GARDEN.zone, 0.9)
    begin = int((np.datetime64("2023-07-17T20:00") - table.start_utc[0]) / np.timedelta64(3600, "s"))
    air[begin : begin + 8] = np.nan
    gaps = readings_of_hours("bench", table.start_utc, air, GARDEN.zone, 0.9)
    lost = {(one.kind, one.day) for one in whole} - {(one.kind, one.day) for one in gaps}
    days = {day for _, day in lost}
    assert ("night-min", date(2023, 7, 18)) in lost
    assert days <= {date(2023, 7, 17) + timedelta(days=n) for n in range(2)}
    assert readings_of_hours("bench", table.start_utc[:0], air[:0], GARDEN.zone, 0.9) == ()


@pytest.mark.parametrize("case", WEATHER, ids=[case["id"] for case in WEATHER])
def test_readings_under_unknown_weather_teach_nothing_and_that_is_said(case: dict[str, Any]) -> None:
    table = weather()
    read = tuple(one for one in nights(2.0, table) if date(2023, 7, 16) <= one.day <= date(2023, 7, 26))
    assert len(read) == 11
    hour, day = (
        table.start_utc.astype("datetime64[h]").astype(int) % 24,
        table.start_utc.astype("datetime64[D]"),
    )
    values = {name: array.copy() for name, array in table.values.items()}
    for name, begin, end in case.get("spoil", []):
        days = [np.datetime64(f"2023-07-{number}") for number in case.get("days", [])]
        rows = (hour >= begin) & (hour < end) & (np.isin(day, days) if days else True)
        values[name][rows] = np.nan
    if "every_h" in case:
        values["air_temperature_c"][hour % case["every_h"] != 0] = np.nan
    known = changed(table, **values) if case.get("weather", True) else None
    place = with_corrections(garden(read), known, TABLES, NOW).places["bench"]
    assert place.correction is not None
    assert bool(place.correction.night_k) is case["learned"]
    assert place.correction.night_readings == (11 - case["unknown"] if case["learned"] else 0)
    assert place.correction.unknown_weather == case["unknown"]
    said = correction_words(place, "metric")
    assert case.get("words", "colder than reckoned") in said
    assert ("teach nothing" in said) is bool(case["unknown"])
