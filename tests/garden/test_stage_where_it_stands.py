"""Stage by the tree's own place, by what was seen, in both hemispheres and without winter, over real series.

Each case names its rule; rules without a published source are common practice among growers.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

import numpy as np
import pytest
from garden.observed_seasons import first_day, group_of, station_place, tables

from advisor.garden.model import Crown, Garden, JournalEntry, Place, Pot, Tree
from advisor.garden.phenology import Sighting, StageModel
from advisor.garden.seasons import season_start
from advisor.garden.spring_warmth import SpringWarmth
from advisor.garden.state import fold_state
from advisor.garden.state_model import Stage, TreeState
from advisor.garden.warmth import Stay, Warmth, spliced

STATIONS = {
    "giessen": 2024,
    "laguardia": 2013,
    "rome": 2008,
    "somerset": 2012,
    "geraldton": 2024,
    "cordoba": 2010,
}
"""Records, and the year of the season that is looked at (south: the year in which it begins)."""
YEAR_D = 365


def model(station: str, species: str, shift_k: float = 0.0) -> StageModel:
    garden, warmth = station_place(station, shift_k)
    return StageModel(group_of(species), garden, warmth, tables().phenology)


def begin(station: str) -> date:
    garden, _ = station_place(station)
    return season_start(date(STATIONS[station], 8 if garden.southern else 1, 2), garden.southern)


def days(station: str, step: int = 3) -> list[date]:
    return [begin(station) + timedelta(days=n) for n in range(0, YEAR_D, step)]


# --- the place of the tree ------------------------------------------------------------------------

PLACES = {
    "bench": Place("bench", "Bench"),
    "garage": Place("garage", "Garage", shelter_level=4, shade_fraction=1.0),
}


def _stored(moves: list[tuple[str, str]], at: str) -> TreeState:
    """A Japanese maple at Giessen, in a garage 5 K warmer than the open air for a while."""
    garden, bench = station_place("giessen")
    _, garage = station_place("giessen", 5.0)
    tree = Tree(
        "ember", "Ember", "acer-palmatum", "acer-palmatum", "bench", "shohin",
        Pot(2.0, 20.0, 15.0, 7.0, "oval", "glazed-dark"), Crown(30.0, 30.0), "akadama",
    )  # fmt: skip
    lines = [
        JournalEntry(
            datetime.combine(date.fromisoformat(day), time(12), garden.zone),
            "ember", "moved", where, "place",
            "", n + 2, n,
        )
        for n, (day, where) in enumerate(moves)
    ]  # fmt: skip
    stays = [Stay(None, "bench"), *(Stay(date.fromisoformat(day), where) for day, where in moves)]
    met = spliced({"bench": bench, "garage": garage}, stays)
    at_utc = datetime.combine(date.fromisoformat(at), time(7), garden.zone)
    return fold_state(tree, group_of("acer-palmatum"), lines, met, garden, tables(), at_utc, places=PLACES)


def test_tree_in_a_garage_wakes_weeks_before_one_on_the_bench() -> None:
    """Common practice: trees wintered in an unheated garage leaf out two to five weeks early and soft."""
    moves = [("2023-12-01", "garage"), ("2024-03-20", "bench")]
    stored, outside = _stored(moves, "2024-03-22"), _stored([], "2024-03-22")
    assert stored.stage.stage.in_leaf or stored.stage.stage is Stage.BUD_BREAK
    assert not outside.stage.stage.in_leaf
    assert stored.stage.stage.order > outside.stage.stage.order
    assert stored.flag("hardening") is not None
    assert outside.flag("hardening") is None


def test_tree_moved_out_before_the_warmth_is_no_further_than_the_bench() -> None:
    """A few days in the garage in January make no spring."""
    brief = _stored([("2024-01-06", "garage"), ("2024-01-10", "bench")], "2024-03-22")
    assert brief.stage.stage is _stored([], "2024-03-22").stage.stage


# --- cold of winter -------------------------------------------------------------------------------


def test_mild_winter_wants_more_warmth_and_says_so() -> None:
    """Murray, Cannell and Smith 1989: thermal time to bud burst falls with chill days met."""
    found = []
    for shift in (-2.0, 0.0, 4.0, 8.0):
        garden, warmth = station_place("giessen", shift)
        spring = SpringWarmth(group_of("fagus"), garden, warmth, tables().phenology)
        cold = spring.cold_days(date(2024, 1, 1), date(2024, 3, 1))
        assert cold is not None
        found.append((float(cold[-1]), float(spring.to_leaf_out(date(2024, 1, 1), date(2024, 3, 1))[-1])))
    assert [cold for cold, _ in found] == sorted((cold for cold, _ in found), reverse=True)
    assert [need for _, need in found] == sorted(need for _, need in found)
    assert found[-1][1] > 1.5 * found[0][1]
    assert "cold days" in model("giessen", "fagus", 8.0).on(date(2024, 3, 1), []).text
    assert "cold days" not in model("cottonwood", "fagus").on(date(2023, 4, 20), []).text


def test_warmer_winter_brings_an_earlier_spring() -> None:
    """Up to 4 K warmer leaf-out comes earlier, if less and less (Fu et al. 2015, Nature 526:104)."""
    leaf_out = [
        first_day(model("giessen", "acer-palmatum", shift), Stage.LEAVES_UNFOLDING, date(2024, 1, 1))
        for shift in (-2.0, 0.0, 2.0, 4.0)
    ]
    assert leaf_out == sorted(leaf_out, reverse=True)


def test_unknown_winter_counts_as_cold_enough() -> None:
    """A new garden knows nothing of the autumn before: the sum after full chilling stands."""
    garden, warmth = station_place("giessen")
    since = warmth.index(date(2024, 1, 1))
    assert since is not None
    late = replace(
        warmth,
        days=warmth.days[since:],
        **{
            name: getattr(warmth, name)[since:]
            for name in ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days")
        },
    )
    blind = StageModel(group_of("fagus"), garden, late, tables().phenology)
    assert "cold days" not in blind.on(date(2024, 3, 1), []).text
    spring = SpringWarmth(group_of("fagus"), garden, late, tables().phenology)
    leaf_out = group_of("fagus").trait("leaf_out_gdd5", "K d")
    assert spring.to_leaf_out(date(2024, 1, 1), date(2024, 3, 1))[-1] == pytest.approx(leaf_out)


# --- what was seen --------------------------------------------------------------------------------


def test_sighting_resets_the_season_and_rescales_what_follows() -> None:
    """A tree that opens two weeks before the model hardens before it, too; one that is late, after it."""
    at_new_york = model("laguardia", "acer-palmatum")
    opened = first_day(at_new_york, Stage.LEAVES_UNFOLDING, date(2013, 1, 1))
    hard = []
    for lead in (-14, 0, 14):
        seen = [Sighting(opened + timedelta(days=lead), Stage.LEAVES_UNFOLDING, "leaves-open")]
        assert at_new_york.on(seen[0].day, seen).certainty == "seen"
        day = seen[0].day
        while at_new_york.on(day, seen).stage is not Stage.LEAVES_HARD:
            day += timedelta(days=1)
        hard.append(day)
    assert hard == sorted(hard)
    assert (hard[2] - hard[0]).days >= 10


def test_old_sighting_ages_out_after_three_weeks() -> None:
    """Up to 21 days one stage beyond what was seen at most; from then on further, as a guess."""
    at_new_york = model("laguardia", "acer-palmatum")
    seen = [Sighting(date(2013, 4, 1), Stage.BUD_SWELL, "buds-swelling")]
    held = [at_new_york.on(date(2013, 4, 1) + timedelta(days=n), seen) for n in range(60)]
    assert all(known.stage.order <= Stage.BUD_BREAK.order for known in held[:22])
    assert any(known.stage.order > Stage.BUD_BREAK.order for known in held[22:50])
    assert all(known.certainty == "guess" for known in held[22:] if known.stage.order > Stage.BUD_SWELL.order)
    assert "seen" in held[30].text


def test_buds_seen_moving_in_december_do_not_stop_the_model_of_the_new_season() -> None:
    """Mild December at Rome: buds noted on the 20th belong to the coming spring, with temperatures known."""
    at_rome = model("rome", "chaenomeles")
    seen = [Sighting(date(2007, 12, 20), Stage.BUD_SWELL, "buds-swelling")]
    stages = [at_rome.on(date(2007, 12, 20) + timedelta(days=n), seen).stage for n in range(120)]
    assert stages[0] is Stage.BUD_SWELL
    assert Stage.LEAVES_UNFOLDING in stages
    assert [stage.order for stage in stages] == sorted(stage.order for stage in stages)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("species", ["acer-palmatum", "ulmus-parvifolia", "fagus", "pinus-thunbergii"])
def test_second_flush_is_never_asserted_by_the_model(station: str, species: str) -> None:
    """Lammas shoots come or do not: only the grower can say (common practice)."""
    alone = model(station, species)
    assert all(alone.on(day, []).stage is not Stage.SECOND_FLUSH for day in days(station))


@pytest.mark.parametrize("station", ["giessen", "somerset"])
def test_second_flush_is_taken_from_new_leaves_on_hard_ones(station: str) -> None:
    alone = model(station, "acer-palmatum")
    hard = first_day(alone, Stage.LEAVES_HARD, begin(station)) + timedelta(days=10)
    seen = [Sighting(hard, Stage.LEAVES_HARD, "leaves-hard")]
    stage, fault = alone.reading(hard + timedelta(days=20), "leaves-open", seen)
    assert stage is Stage.SECOND_FLUSH
    assert not fault


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("species", ["acer-palmatum", "fagus", "larix", "juniperus"])
def test_calendar_alone_is_always_a_guess(station: str, species: str) -> None:
    """Without temperatures nothing but a guess all year long: checks turn it into care at best."""
    garden, _ = station_place(station)
    blind = StageModel(group_of(species), garden, None, tables().phenology)
    assert {blind.on(day, []).certainty for day in days(station)} == {"guess"}


# --- hemispheres, and trees without winter --------------------------------------------------------


def _half_a_year_later(warmth: Warmth) -> Warmth:
    return replace(warmth, days=tuple(day + timedelta(days=182) for day in warmth.days))


@pytest.mark.parametrize("species", ["acer-palmatum", "fagus", "larix"])
@pytest.mark.parametrize("stage", [Stage.BUD_BREAK, Stage.LEAVES_UNFOLDING, Stage.LEAVES_HARD])
def test_a_real_winter_moved_south_gives_the_same_spring_half_a_year_later(
    species: str, stage: Stage
) -> None:
    """Seasons are half a year apart; chilling and degree days know no calendar."""
    garden, warmth = station_place("giessen")
    south = Garden("S", -garden.latitude_deg, garden.longitude_deg, garden.elevation_m, garden.timezone)
    mirrored = StageModel(group_of(species), south, _half_a_year_later(warmth), tables().phenology)
    north = first_day(model("giessen", species), stage, date(2024, 1, 1))
    assert abs((first_day(mirrored, stage, date(2024, 7, 1)) - north).days - 182) <= 2


@pytest.mark.parametrize("station", ["somerset", "cordoba"])
def test_southern_maple_goes_through_the_whole_year_in_order(station: str) -> None:
    """Leaf-out in the southern spring, colour in the southern autumn, bare in June (common practice)."""
    alone = model(station, "acer-palmatum")
    orders = [alone.on(day, []).stage.order for day in days(station, 1)]
    assert orders.count(Stage.LEAVES_HARD.order) > 100
    bare = orders.index(Stage.LEAF_FALL.order)
    assert orders[:bare] == sorted(orders[:bare])
    assert Stage.AUTUMN_COLOUR.order in orders
    assert 250 <= bare <= 364


@pytest.mark.parametrize("station", ["miami", "hyderabad", "geraldton", "singapore"])
def test_fig_grows_without_a_rest_where_winter_is_warm(station: str) -> None:
    """Tropical figs keep their leaves and have no dormancy: no stage of rest, bud or fall is asserted."""
    if station == "singapore":
        garden, warmth = Garden("Singapore", 1.35, 103.8, 15.0, "Asia/Singapore"), None
        first = date(2024, 1, 1)
    else:
        garden, warmth = station_place(station)
        first = warmth.days[len(warmth.days) // 2]
    alone = StageModel(group_of("ficus"), garden, warmth, tables().phenology)
    known = [alone.on(first + timedelta(days=n), []) for n in range(0, YEAR_D, 5)]
    assert {one.stage for one in known} == {Stage.LEAVES_HARD}
    assert {one.certainty for one in known} == {"estimated"}


def test_fig_seen_in_flush_hardens_by_its_own_warmth() -> None:
    """New leaves on a fig at Miami: hard again after 42 days or more, never dormant."""
    alone = model("miami", "ficus")
    seen = [Sighting(date(2001, 5, 1), Stage.LEAVES_UNFOLDING, "leaves-open")]
    stages = [alone.on(date(2001, 5, 1) + timedelta(days=n), seen).stage for n in range(200)]
    hard = stages.index(Stage.LEAVES_HARD)
    assert 30 <= hard <= 60
    assert set(stages[hard:]) == {Stage.LEAVES_HARD}


def test_maple_where_winter_never_cools_still_leafs_out_once_and_late() -> None:
    """No day at Geraldton is at or below 5 degC: leaves come in spring, not in July (common practice)."""
    leaf_out = first_day(model("geraldton", "acer-palmatum"), Stage.LEAVES_UNFOLDING, date(2024, 7, 1))
    assert date(2024, 8, 1) <= leaf_out <= date(2024, 10, 15)


def test_degree_days_of_the_records_are_known() -> None:
    """A guard: the records are whole where the cases look."""
    for station in STATIONS:
        _, warmth = station_place(station)
        first = begin(station)
        known = warmth.between("mean_c", first - timedelta(days=61), first + timedelta(days=300))
        assert np.isfinite(known).mean() > 0.9, station
