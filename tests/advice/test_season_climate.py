"""The season's end and warmth left from past years: dates, chances, words, and what stays without them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import pytest
from advice.rule_builders import build
from advice.work_builders import situation_of
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.daily_records import made, next_day, station_record, wave

from advisor.advice.alert_heat import heat_alert
from advisor.advice.model import Situation
from advisor.advice.season_climate import bench_offset_k, missed_share, season_end, years_in_words
from advisor.advice.unusual import unusual_heat
from advisor.advice.work import judge
from advisor.garden.model import Garden, Holdings, Place
from advisor.store.config_files import load_tables
from advisor.weather.climate import Climate, climate_from_daily
from advisor.weather.season import season_end_estimate

TABLES = load_tables()
NUMBERS = TABLES.climate
FIRST, LAST, BEFORE = date(1996, 1, 1), date(2025, 12, 31), date(2026, 1, 1)
FEW = settings(max_examples=20, derandomize=True, deadline=None, database=None)
CHECK_ORDER = ("pass", "care", "unknown", "fail")


@lru_cache
def climate_of(name: str, latitude_deg: float = 50.8) -> Climate:
    table = station_record(name, distance_km=12.0)
    return climate_from_daily(table, latitude_deg, next_day(table), NUMBERS)


def november_frosts(days: list[int | None]) -> Climate:
    """Mild years; the first frost of year n on that day of November, none where None."""
    table = made(FIRST, LAST, 8.0, 18.0, name="Made", distance_km=12)
    low = table.values["air_temperature_min_c"]
    for year, day in zip(range(1996, 2026), days, strict=True):
        if day is not None:
            low[(date(year, 11, day) - FIRST).days] = -9.0
    return climate_from_daily(table, 48.0, BEFORE, NUMBERS)


def holdings(*places: Place, latitude_deg: float = 48.0) -> Holdings:
    garden = Garden("Yard", latitude_deg, 8.0, 100.0, "Europe/Berlin")
    return Holdings(garden, {place.id: place for place in places}, (), ())


BENCH = Place("bench", "Bench")


# --- the date, its chance and its words -------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.8, "in 4 of 5 years"),
        (0.9, "in 9 of 10 years"),
        (0.5, "in 1 of 2 years"),
        (0.75, "in 3 of 4 years"),
        (1.0, "in every year"),
    ],
)
def test_share_of_years_reads_in_small_whole_numbers(share, words):
    assert years_in_words(share) == words


def test_first_frost_is_the_date_a_fifth_of_winters_had_reached():
    # thirty winters begun, the last cut short: first frosts on 1 to 29 November; type-8 place of a fifth:
    # (29 + 1/3) / 5 + 1/3 = 6.2, so the 6th; six of 29 winters had frost by then
    end = season_end(
        holdings(BENCH), date(2026, 7, 1), november_frosts([*range(1, 30), None]), "even", TABLES
    )
    assert end.first_frost == date(2026, 11, 6)
    assert end.known == "climate"
    assert end.chance == pytest.approx(6 / 29)
    assert end.winters == 29
    assert end.text == (
        "in 4 of 5 years the first frost at your benches came on 6 November or later"
        " (29 years of Made, 12 km)"
    )
    assert dict(end.by_share)[0.5] == date(2026, 11, 15)


def test_caution_word_moves_the_date_and_never_the_wrong_way():
    climate = november_frosts([*range(1, 30), None])
    found = [
        season_end(holdings(BENCH), date(2026, 7, 1), climate, word, TABLES).first_frost
        for word in ("cautious", "even", "bold")
    ]
    assert found == sorted(found)
    assert found[0] < found[2]
    assert [missed_share(word, NUMBERS) for word in ("cautious", "even", "bold")] == [0.1, 0.2, 0.5]


def test_town_with_rare_frost_has_no_date_and_says_how_rare():
    climate = november_frosts([3, 4, *([None] * 28)])
    end = season_end(holdings(BENCH), date(2026, 7, 1), climate, "even", TABLES)
    assert (end.first_frost, end.known) == (None, "none")
    assert end.text == "27 of 29 winters had no frost at your benches (29 years of Made, 12 km)"
    situation, day = situation_of({"species": "acer-palmatum", "events": [["leaves-hard", 10]]})
    checks = judge(replace(situation, season_end=end, climate=climate), "big-cut", "t1", day).checks
    (season,) = [check for check in checks if check.check == "season"]
    assert season.verdict == "pass"
    assert "27 of 29 winters" in season.text


def frost_free(mean_c: float, half_range_k: float) -> Climate:
    low = wave(FIRST, LAST, mean_c=mean_c, half_range_k=half_range_k)
    return climate_from_daily(made(FIRST, LAST, low, low + 10.0), 38.0, BEFORE, NUMBERS)


def test_frost_free_garden_ends_its_season_when_a_week_of_nights_falls_under_8_degrees():
    """An estimate of the trade: without frost, the first date with a 7-day mean minimum under 8.

    Minima of 13 - 6 cos(2 pi d / 365.25) with d days from 20 January fall under 8 for cos > 5/6, that is
    from 34 days before it on, 17 December; the mean of the week that ends there is 3 days behind.
    """
    end = season_end(holdings(BENCH), date(2026, 7, 1), frost_free(13.0, 6.0), "even", TABLES)
    assert (end.first_frost, end.known) == (None, "none")
    assert end.cool_from is not None
    assert date(2026, 12, 18) <= end.cool_from <= date(2026, 12, 22)


def test_where_no_week_is_so_cool_the_season_stays_open():
    """The coldest night of these years has 10 degC, as in the tropics."""
    end = season_end(holdings(BENCH), date(2026, 7, 1), frost_free(16.0, 6.0), "even", TABLES)
    assert (end.first_frost, end.cool_from) == (None, None)


def test_hyderabad_has_neither_frost_nor_a_cool_week():
    """January's mean minimum there is about 15 degC (from memory)."""
    end = season_end(
        holdings(BENCH, latitude_deg=17.4), date(2026, 7, 1), climate_of("hyderabad", 17.4), "even", TABLES
    )
    assert (end.first_frost, end.cool_from) == (None, None)


def test_garden_with_frost_counts_from_frost_alone():
    end = season_end(
        holdings(BENCH), date(2026, 7, 1), november_frosts([*range(1, 30), None]), "even", TABLES
    )
    assert end.first_frost is not None
    assert end.cool_from is None


def test_big_cuts_in_a_frost_free_garden_close_70_days_before_the_cool_weeks():
    """Counted from about 20 December: closed to the prudent from 11 October on, refused 42 days before."""
    climate = frost_free(13.0, 6.0)
    found = {}
    for asked_on in (date(2026, 7, 1), date(2026, 10, 20), date(2026, 11, 20)):
        situation, day = situation_of(
            {"species": "acer-palmatum", "events": [["leaves-hard", 10]], "now": f"{asked_on}T07:00"}
        )
        end = season_end(situation.holdings, day, climate, "even", TABLES)
        judgement = judge(replace(situation, season_end=end, climate=climate), "big-cut", "t1", day)
        (season,) = [check for check in judgement.checks if check.check == "season"]
        found[asked_on] = season.verdict
        assert "frost" not in season.text.split(";")[0]
        assert judgement.last_sensible_day is not None
        assert date(2026, 10, 9) <= judgement.last_sensible_day <= date(2026, 10, 13)
    assert list(found.values()) == ["pass", "care", "fail"]


def test_few_years_are_said_to_be_few():
    table = made(date(2012, 1, 1), LAST, 8.0, 18.0)
    table.values["air_temperature_min_c"][table.day.astype("datetime64[M]").astype(int) % 12 >= 10] = -5.0
    climate = climate_from_daily(table, 48.0, BEFORE, NUMBERS)
    end = season_end(holdings(BENCH), date(2026, 7, 1), climate, "even", TABLES)
    assert "(only 13 years of Made, 12 km)" in end.text


def test_too_few_winters_leave_the_estimate():
    table = made(FIRST, LAST, np.nan, 18.0)
    climate = climate_from_daily(table, 48.0, BEFORE, NUMBERS)
    for given_climate in (None, climate):
        end = season_end(holdings(BENCH), date(2026, 7, 1), given_climate, "even", TABLES)
        estimate = season_end_estimate(48.0, 100.0, date(2026, 7, 1), NUMBERS)
        assert (end.first_frost, end.known, end.text) == (estimate.first_frost, "estimate", estimate.text)
        assert end.chance is None
        assert end.winters == 0


def test_southern_season_ends_in_the_coming_autumn_and_began_after_the_last_frost():
    yard = holdings(BENCH, latitude_deg=-31.4)
    climate = climate_of("cordoba", -31.4)
    end = season_end(yard, date(2025, 12, 1), climate, "even", TABLES)
    assert end.first_frost is not None
    assert date(2026, 5, 1) < end.first_frost < date(2026, 6, 30)
    assert end.last_frost is not None
    assert date(2025, 8, 15) < end.last_frost < date(2025, 10, 31)
    assert season_end(yard, date(2026, 6, 30), climate, "even", TABLES).first_frost == end.first_frost


def test_bench_is_colder_than_a_balcony_and_a_balcony_than_a_sheltered_corner():
    by_place = {
        "ground": Place("p", "P", height_m=0.0),
        "bench": Place("p", "P", height_m=0.8),
        "balcony": Place("p", "P", height_m=6.0),
        "corner": Place("p", "P", height_m=6.0, night_gain_c=1.5),
    }
    offsets = [bench_offset_k(holdings(place), TABLES) for place in by_place.values()]
    assert offsets == sorted(offsets)
    # 0.7 of the full cooling of 3.0 and 1.5 K of config/physics.toml
    assert offsets == pytest.approx([-2.1, -1.05, 0.0, 1.5])
    frosts = [
        season_end(
            holdings(place, latitude_deg=50.8), date(2026, 7, 1), climate_of("brussels"), "even", TABLES
        )
        for place in by_place.values()
    ]
    dates = [end.first_frost for end in frosts]
    assert dates == sorted(dates)
    assert len(set(dates)) >= 3


def test_indoor_places_do_not_speak_for_the_benches():
    room = Place("room", "Room", shelter_level=5, rain="covered")
    assert bench_offset_k(holdings(room), TABLES) == bench_offset_k(holdings(BENCH), TABLES)


# --- the two counts ---------------------------------------------------------------------------------


def asked(situation: Situation, climate: Climate | None, ask: int = 0, caution: str = "even") -> Situation:
    end = season_end(situation.holdings, situation.day, climate, caution, situation.tables)  # type: ignore[arg-type]
    return replace(situation, climate=climate, season_end=end, caution=caution)  # type: ignore[arg-type]


def case(now: str, **more: object) -> dict[str, object]:
    return {"species": "acer-palmatum", "events": [["leaves-hard", 10]], "now": now, **more}


def test_last_sensible_day_names_station_years_and_share():
    situation, day = situation_of(case("2026-06-20T07:00"))
    judgement = judge(asked(situation, climate_of("brussels")), "defoliate", "t1", day)
    assert judgement.last_sensible_day is not None
    assert "in 4 of 5 years" in judgement.last_sensible_why
    assert "of Brussels, 12 km" in judgement.last_sensible_why
    cut = judge(asked(situation, climate_of("brussels")), "big-cut", "t1", day)
    assert "first frost at your benches" in cut.last_sensible_why
    season = next(check for check in judgement.checks if check.check == "season")
    assert season.source


def test_mild_coast_with_late_frost_is_closed_by_warmth_left():
    # common practice: in a mild town with frost in December the frost count alone allows fatal dates
    situation, day = situation_of(case("2026-06-20T07:00", latitude=50.8))
    mild = wave(FIRST, LAST, mean_c=10.0, half_range_k=5.0)
    climate = climate_from_daily(made(FIRST, LAST, mild - 2.0, mild + 4.0), 50.8, BEFORE, NUMBERS)
    judgement = judge(asked(situation, climate), "defoliate", "t1", day)
    assert asked(situation, climate).season_end.first_frost is None
    assert judgement.last_sensible_day is not None
    assert judgement.last_sensible_day < date(2026, 8, 1)
    assert "720 degree days" in judgement.last_sensible_why


def test_warmth_check_agrees_with_its_last_day():
    situation, _ = situation_of(case("2026-06-20T07:00", latitude=50.8))
    mild = wave(FIRST, LAST, mean_c=10.0, half_range_k=5.0)
    climate = climate_from_daily(made(FIRST, LAST, mild - 2.0, mild + 4.0), 50.8, BEFORE, NUMBERS)
    here = asked(situation, climate)
    last = judge(here, "defoliate", "t1", here.day).last_sensible_day
    assert last is not None

    def verdict(day: date) -> str:
        checks = judge(here, "defoliate", "t1", day).checks
        return next(check.verdict for check in checks if check.check == "season")

    assert verdict(last) == "pass"
    assert verdict(last + timedelta(days=1)) != "pass"


@pytest.mark.parametrize("work", ["big-cut", "defoliate", "carve", "wire", "start-layer", "part-defoliate"])
@FEW
@given(
    first=st.integers(0, 150),
    later=st.integers(0, 60),
    name=st.sampled_from(["brussels", "champion", "tunis"]),
    caution=st.sampled_from(["cautious", "even", "bold"]),
)
def test_later_day_never_reopens_a_season_closed_by_the_climate(work, first, later, name, caution):
    situation, day = situation_of(case("2026-06-20T07:00"))
    here = asked(situation, climate_of(name, 47.9), caution=caution)

    def season(ask: int) -> int:
        found = judge(here, work, "t1", day + timedelta(days=min(ask, 190)))
        return max(CHECK_ORDER.index(check.verdict) for check in found.checks if check.check == "season")

    assert season(first + later) >= season(first)


@FEW
@given(first=st.integers(0, 150), later=st.integers(1, 60), name=st.sampled_from(["brussels", "champion"]))
def test_later_pass_never_moves_the_last_sensible_day_back_open(first, later, name):
    def last(ask: int) -> date | None:
        now = date(2026, 6, 20) + timedelta(days=ask)
        situation, day = situation_of(case(f"{now}T07:00"))
        return judge(asked(situation, climate_of(name, 47.9)), "defoliate", "t1", day).last_sensible_day

    assert last(first) == last(min(first + later, 190))


@pytest.mark.parametrize("work", ["defoliate", "big-cut", "candle-cut"])
def test_more_cautious_word_never_gives_more_time(work):
    species = "pinus-thunbergii" if work == "candle-cut" else "acer-palmatum"
    situation, day = situation_of({**case("2026-06-20T07:00"), "species": species})
    days = [
        judge(asked(situation, climate_of("champion", 47.9), caution=word), work, "t1", day).last_sensible_day
        for word in ("cautious", "even", "bold")
    ]
    assert None not in days
    assert days == sorted(days)


# --- unusual heat -----------------------------------------------------------------------------------


def hot_case() -> dict[str, object]:
    import tomllib
    from pathlib import Path

    cases = tomllib.loads(Path(__file__).with_name("rule_cases.toml").read_text(encoding="utf-8"))
    for rows in cases.values():
        for row in rows if isinstance(rows, list) else []:
            if isinstance(row, dict) and "now" in row and "trees" in row:
                situation = build(row)
                event = heat_alert(situation) if situation.exposure is not None else None
                if event is not None and (event.last_day - event.first_day).days >= 2:
                    return row
    raise AssertionError("no case of a heat wave in rule_cases.toml")


def test_unusual_is_said_only_with_a_climate_and_decides_nothing():
    situation = build(hot_case())
    plain = heat_alert(situation)
    assert plain is not None
    assert "unusual" not in plain.headline
    cool = climate_from_daily(made(FIRST, LAST, 10.0, 25.0), 48.0, BEFORE, NUMBERS)
    told = heat_alert(replace(situation, climate=cool))
    assert told is not None
    assert told.headline == f"{plain.headline}; unusual for the season"
    assert any("cooler" in reason.quantity for piece in told.advice for reason in piece.reasons)
    hot = climate_from_daily(made(FIRST, LAST, 30.0, 45.0), 48.0, BEFORE, NUMBERS)
    usual = heat_alert(replace(situation, climate=hot))
    assert usual is not None
    assert usual.headline == plain.headline
    for other in (told, usual):
        assert (other.first_day, other.last_day, other.trees) == (
            plain.first_day,
            plain.last_day,
            plain.trees,
        )
        assert [piece.do for piece in other.advice] == [piece.do for piece in plain.advice]


def test_unusual_heat_is_not_told_of_days_outside_the_warning():
    situation = replace(
        build(hot_case()), climate=climate_from_daily(made(FIRST, LAST, 10.0, 25.0), 48.0, BEFORE, NUMBERS)
    )
    far = situation.day + timedelta(days=300)
    assert unusual_heat(situation, far, far) is None
    assert unusual_heat(replace(situation, weather=None), situation.day, situation.day) is None
