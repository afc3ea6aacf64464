"""The tables hold the facts of the trade and the published figures listed in trade_facts.toml."""

from __future__ import annotations

import tomllib
from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest

from advisor.store.config_files import load_tables
from advisor.weather.season import last_spring_frost_estimate, season_end_estimate

FACTS = tomllib.loads(Path(__file__).with_name("trade_facts.toml").read_text(encoding="utf-8"))


def group(species: str):
    found = load_tables().group_of(species)
    assert found is not None, species
    return found


def trait(species: str, key: str, unit: str) -> float:
    value = group(species).trait(key, unit)
    assert value is not None, f"{species}: {key}"
    return value


@pytest.mark.parametrize(
    ("key", "unit"), [("leaf_limit_c", "degC"), ("vpd_limit_kpa", "kPa"), ("air_protect_c", "degC")]
)
@pytest.mark.parametrize("fact", FACTS["stands_heat_better"], ids=lambda fact: "-".join(fact["worse"][:1]))
def test_order_of_heat_tolerance(fact, key, unit):
    for better in fact["better"]:
        for worse in fact["worse"]:
            assert trait(better, key, unit) > trait(worse, key, unit), f"{better} {worse}"


@pytest.mark.parametrize("fact", FACTS["roots_hardier"], ids=lambda fact: fact["order"][0])
def test_order_of_root_hardiness(fact):
    for tender, hardy in pairwise(fact["order"]):
        assert trait(tender, "root_kill_c", "degC") > trait(hardy, "root_kill_c", "degC"), f"{tender} {hardy}"


@pytest.mark.parametrize("fact", FACTS["sheltered_earlier"], ids=lambda fact: fact["order"][0])
def test_order_in_which_pots_come_in(fact):
    for first, later in pairwise(fact["order"]):
        assert trait(first, "shelter_pot_c", "degC") > trait(later, "shelter_pot_c", "degC"), (
            f"{first} {later}"
        )


def test_pots_come_in_before_roots_die():
    for one in load_tables().species.values():
        kill, shelter = one.trait("root_kill_c", "degC"), one.trait("shelter_pot_c", "degC")
        if kill is not None:
            assert shelter is not None, one.id
            # common practice: several degrees in hand, for young roots die before old ones
            assert shelter - kill >= 3.0, one.id


def test_small_pots_come_in_no_later_than_large_ones():
    for one in load_tables().species.values():
        small = one.trait("small_pot_shelter_c", "degC")
        if small is not None:
            assert small >= one.traits.value("shelter_pot_c", "degC"), one.id
            assert one.trait("small_pot_below_l", "l") is not None, one.id


def test_root_kill_lies_in_the_published_range_but_for_what_is_noted():
    published = FACTS["roots_range"]
    for one in load_tables().species.values():
        kill = one.trait("root_kill_c", "degC")
        if kill is not None:
            assert published["lowest_c"] <= kill <= published["highest_c"], one.id


def test_leaf_limits_lie_between_no_harm_and_widespread_harm():
    published = FACTS["leaf_heat_range"]
    for one in load_tables().species.values():
        limit = one.traits.value("leaf_limit_c", "degC")
        assert published["lowest_c"] < limit <= published["highest_c"], one.id


def test_frost_alarm_sounds_before_open_leaves_are_harmed():
    published = FACTS["open_leaf_range"]
    for one in load_tables().species.values():
        alarm = one.traits.value("open_leaf_alarm_c", "degC")
        assert alarm > one.traits.value("open_leaf_frost_c", "degC"), one.id
        # published: half of the emerging leaves die at -3.5 degC at best; the alarm sits above that
        assert alarm > published["half_dead_highest_c"], one.id


@pytest.mark.parametrize(
    ("facts", "key", "unit"),
    [("leafs_later", "leaf_out_gdd5", "K d"), ("wire_stays_longer", "wire_off_d", "d")],
)
def test_order_in_time(facts, key, unit):
    for fact in FACTS[facts]:
        for sooner, later in pairwise(fact["order"]):
            assert trait(sooner, key, unit) < trait(later, key, unit), f"{sooner} {later} {fact['source']}"


def test_wire_is_looked_at_before_it_comes_off():
    for one in load_tables().species.values():
        assert one.traits.value("wire_look_d", "d") < one.traits.value("wire_off_d", "d"), one.id


def test_order_of_thirst():
    for fact in FACTS["drinks_more"]:
        for less, more in pairwise(fact["order"]):
            assert trait(less, "water_factor", "1") < trait(more, "water_factor", "1"), f"{less} {more}"


def test_stripping_is_for_those_that_bear_it():
    for species in FACTS["stripping"]["well"]:
        assert "strips-well" in group(species).marks, species
        assert "strips-never" not in group(species).marks, species
    for species in FACTS["stripping"]["never"]:
        assert "strips-never" in group(species).marks, species
        assert "strips-well" not in group(species).marks, species


def test_bleeding_trees_are_marked():
    for species in FACTS["bleeding"]["yes"]:
        assert "bleeds" in group(species).marks, species
    for species in FACTS["bleeding"]["no"]:
        assert "bleeds" not in group(species).marks, species


@pytest.mark.parametrize(
    ("species", "habit"), [(name, habit) for name, habit in FACTS["resolves"].items() if name != "source"]
)
def test_botanical_id_is_understood_with_its_leaf_habit(species, habit):
    assert group(species).habit == habit


def test_a_form_is_matched_back_to_species_and_genus():
    tables = load_tables()
    assert group("acer-palmatum-dissectum").id != group("acer-palmatum").id
    assert group("acer-palmatum-some-name").id == group("acer-palmatum").id
    assert group("acer-buergerianum-some-name").id == group("acer-buergerianum").id
    assert group("fagus-crenata-some-name").id == group("fagus").id
    assert tables.group_of("nothing") is None
    assert tables.group_of("") is None


def test_no_species_belongs_to_two_groups():
    names = [name for one in load_tables().species.values() for name in one.species]
    assert len(names) == len(set(names))


# --- sizes and materials -------------------------------------------------------------------------


@pytest.mark.parametrize("fact", FACTS["pot_volume"], ids=lambda fact: fact["size"])
def test_pot_volume_follows_from_its_sides(fact):
    row = load_tables().sizes[fact["size"]]
    sides = [row.value(f"pot_{side}_cm", "cm") for side in ("length", "width", "depth")]
    computed = sides[0] * sides[1] * sides[2] * 0.8 / 1000.0
    assert computed == pytest.approx(fact["litres"], abs=fact["half_digit"])
    assert row.value("volume_l", "l") == pytest.approx(fact["litres"], abs=fact["half_digit"])


def test_sizes_grow_in_file_order():
    sizes = list(load_tables().sizes.values())
    for smaller, larger in pairwise(sizes):
        for key, unit in (("volume_l", "l"), ("crown_width_cm", "cm"), ("crown_height_cm", "cm")):
            assert smaller.value(key, unit) < larger.value(key, unit)


@pytest.mark.parametrize("fact", FACTS["medium"], ids=lambda fact: fact["substrate"])
def test_medium_holds_the_published_water_and_pores(fact):
    row = load_tables().substrates[fact["substrate"]]
    assert row.value("water_share", "share") == pytest.approx(fact["water_share"], abs=0.005)
    assert 1.0 - row.value("solid_share", "share") == pytest.approx(fact["pores_share"], abs=0.005)


def test_media_leave_room_for_air():
    for name, row in load_tables().substrates.items():
        # Rutgers Cooperative Extension FS812: a medium keeps at least a tenth of air after draining;
        # soil from the ground does not, which is why it makes a poor one
        air = 1.0 - row.value("water_share", "share") - row.value("solid_share", "share")
        assert (air >= 0.095) is (name != "garden-soil"), name
        assert row.value("conductivity_dry_w_m_k", "W/m/K") < row.value("conductivity_w_m_k", "W/m/K"), name


def test_dark_walls_take_up_more_sun_than_light_ones():
    walls = load_tables().walls
    taken = {name: row.value("absorptance_share", "share") for name, row in walls.items()}
    # handbook order: black plastic, dark glaze, terracotta, white
    order = ["plastic-black", "glazed-dark", "terracotta", "plastic-white"]
    assert [taken[name] for name in order] == sorted((taken[name] for name in order), reverse=True)
    assert all(0.0 < share < 1.0 for share in taken.values())
    assert walls["terracotta"].value("wetness", "1") > walls["glazed-dark"].value("wetness", "1")


def test_shelter_levels_keep_more_warmth_and_see_less_sky_step_by_step():
    shelters = load_tables().shelters
    assert sorted(shelters) == [0, 1, 2, 3, 4, 5]
    for lower, higher in pairwise(range(6)):
        assert shelters[lower].value("night_gain_c", "K") <= shelters[higher].value("night_gain_c", "K")
        assert shelters[lower].value("sky_open_share", "share") >= shelters[higher].value(
            "sky_open_share", "share"
        )
    assert shelters[5].value("floor_c", "degC") > 0.0
    assert "floor_c" not in shelters[4]


# --- season --------------------------------------------------------------------------------------


@pytest.mark.parametrize("fact", FACTS["first_frost"], ids=lambda fact: fact["place"])
def test_first_frost_is_prudent_and_near_what_towns_know(fact):
    southern = fact["latitude_deg"] < 0
    day = date(2025, 12, 1) if southern else date(2026, 6, 1)
    found = season_end_estimate(fact["latitude_deg"], fact["elevation_m"], day, load_tables().climate)
    median = date(2026, fact["month"], fact["day"])
    assert found.first_frost is not None
    assert found.known == "estimate"
    # a date that one year in five reaches lies before the median, by weeks at most
    assert 0 <= (median - found.first_frost).days <= 35


def test_first_frost_comes_earlier_to_the_north_and_higher_up():
    climate, day = load_tables().climate, date(2026, 6, 1)
    by_latitude = [
        season_end_estimate(latitude, 100, day, climate).first_frost for latitude in range(26, 70, 3)
    ]
    assert by_latitude == sorted(by_latitude, reverse=True)
    by_height = [season_end_estimate(47, height, day, climate).first_frost for height in range(0, 2000, 200)]
    assert by_height == sorted(by_height, reverse=True)
    assert len(set(by_height)) > 5


def test_growing_season_is_never_inverted():
    climate, day = load_tables().climate, date(2026, 6, 1)
    for latitude in range(25, 90, 5):
        for height in (0, 1000, 3000, 5000):
            spring = last_spring_frost_estimate(latitude, height, day, climate).first_frost
            autumn = season_end_estimate(latitude, height, day, climate).first_frost
            assert spring is not None
            assert autumn is not None
            assert spring < autumn


def test_tropics_have_no_frost_unless_high_up():
    climate, day = load_tables().climate, date(2026, 6, 1)
    singapore = season_end_estimate(1.3, 15, day, climate)
    assert (singapore.first_frost, singapore.known) == (None, "none")
    assert last_spring_frost_estimate(1.3, 15, day, climate).first_frost is None
    altiplano = season_end_estimate(-16.5, 3800, day, climate)
    assert altiplano.first_frost is not None


def test_season_of_the_south_is_half_a_year_later_and_crosses_new_year():
    climate = load_tables().climate
    north = season_end_estimate(40, 100, date(2026, 6, 1), climate).first_frost
    south = season_end_estimate(-40, 100, date(2026, 12, 1), climate).first_frost
    assert north is not None
    assert south is not None
    assert south.year == 2027
    assert 170 <= (south - north).days <= 195
    assert season_end_estimate(-40, 100, date(2027, 2, 1), climate).first_frost == south
    assert season_end_estimate(-40, 100, date(2027, 6, 30), climate).first_frost == south
    assert season_end_estimate(-40, 100, date(2027, 7, 1), climate).first_frost != south


def test_frost_that_has_passed_this_season_is_still_this_seasons():
    climate = load_tables().climate
    found = season_end_estimate(50, 300, date(2026, 11, 20), climate)
    assert found.first_frost is not None
    assert found.first_frost < date(2026, 11, 20)
    assert season_end_estimate(50, 300, date(2027, 1, 2), climate).first_frost == date(
        2027, *found.first_frost.timetuple()[1:3]
    )
    assert found.text
    assert found.source
