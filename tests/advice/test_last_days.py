"""The last sensible day of stripping, cutting and layering against published evidence and common practice."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from advice.work_builders import situation_of
from weather.daily_records import next_day, station_record

from advisor.advice.model import Situation, WorkJudgement
from advisor.advice.season_climate import season_end
from advisor.advice.work import judge
from advisor.store.config_files import load_tables
from advisor.weather.climate import climate_from_daily

EXPECTED: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("last_days.toml").read_text(encoding="utf-8")
)
PLACES: list[dict[str, Any]] = EXPECTED["place"]
LATE: dict[str, Any] = EXPECTED["late_stripping"]
TABLES = load_tables()
WORDS = ("cautious", "even", "bold")
CASES = [(place, work) for place in PLACES for work in EXPECTED["back_count"]]
IDS = [f"{place['station']}-{work}" for place, work in CASES]


def _case(place: dict[str, Any], work: str) -> dict[str, Any]:
    species = "pinus-thunbergii" if work == "candle-cut" else "acer-palmatum"
    return {"species": species, "now": f"{place['now']}T07:00", "latitude": place["latitude_deg"]}


@lru_cache(maxsize=128)
def _here(number: int, work: str, word: str) -> Situation:
    place = PLACES[number]
    situation, day = situation_of(_case(place, work), TABLES)
    table = station_record(place["station"], distance_km=5.0)
    climate = climate_from_daily(table, place["latitude_deg"], next_day(table), TABLES.climate)
    end = season_end(situation.holdings, day, climate, word, TABLES)  # type: ignore[arg-type]
    return replace(situation, climate=climate, season_end=end, caution=word)


def _judged(place: dict[str, Any], work: str, word: str = "even", day: date | None = None) -> WorkJudgement:
    here = _here(PLACES.index(place), work, word)
    return judge(here, work, "t1", day or here.day)


def _season(place: dict[str, Any], day: date) -> str:
    checks = _judged(place, "defoliate", day=day).checks
    return next(check.verdict for check in checks if check.check == "season")


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize(("place", "work"), CASES, ids=IDS)
def test_last_day_keeps_the_back_count_from_first_frost(place: dict[str, Any], work: str, word: str) -> None:
    frost = _here(PLACES.index(place), work, word).season_end.first_frost
    last = _judged(place, work, word).last_sensible_day
    assert frost is not None
    assert last is not None
    assert (frost - last).days >= EXPECTED["back_count"][work]


@pytest.mark.parametrize(("place", "work"), CASES, ids=IDS)
def test_last_day_leaves_room_for_common_practice(place: dict[str, Any], work: str) -> None:
    for word in WORDS:
        last = _judged(place, work, word).last_sensible_day
        assert last is not None
        assert last >= place["practised_until"][work], word


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("place", PLACES, ids=[place["station"] for place in PLACES])
def test_stripping_ends_before_the_dates_that_killed_trees(place: dict[str, Any], word: str) -> None:
    """By the calendar of the experiment in the north; anywhere, back from the garden's own first frost."""
    last = _judged(place, "defoliate", word).last_sensible_day
    prudent = _here(PLACES.index(place), "defoliate", "even").season_end.first_frost
    assert last is not None
    assert prudent is not None
    assert (prudent - last).days > LATE["killing_days_before_frost"]
    if place["latitude_deg"] > 40.0:
        assert last < date(last.year, *LATE["killing_from"])


@pytest.mark.parametrize("place", PLACES[:2], ids=[place["station"] for place in PLACES[:2]])
def test_stripping_on_the_days_of_the_experiment_is_judged_as_it_ended(place: dict[str, Any]) -> None:
    year = date.fromisoformat(place["now"]).year
    assert _season(place, date(year, *LATE["harmless"])) == "pass"
    assert _season(place, date(year, *LATE["killing_from"])) in {"care", "fail"}
    assert _season(place, date(year, *LATE["killing_until"])) == "fail"


def test_stripping_without_a_climate_ends_in_early_summer_where_the_maples_died() -> None:
    """The table by latitude and height, at 44.5 N near sea level."""
    expected = EXPECTED["estimate"]
    situation, day = situation_of(_case(expected, "defoliate"), TABLES)
    end = season_end(situation.holdings, day, None, "even", TABLES)
    last = judge(replace(situation, season_end=end, climate=None), "defoliate", "t1", day).last_sensible_day
    assert last is not None
    assert expected["first"] <= last <= expected["last"]


def test_limits_stand_apart_from_the_rules() -> None:
    """A guard: the evidence forbids something the practice does not, so that both can fail."""
    for place in PLACES:
        frost = _here(PLACES.index(place), "defoliate", "even").season_end.first_frost
        assert frost is not None
        killing = frost - timedelta(days=LATE["killing_days_before_frost"])
        room = (killing - place["practised_until"]["defoliate"]).days
        assert 10 <= room <= 90, place["station"]
