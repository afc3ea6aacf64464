"""Slips in garden.toml: each named with line, key and the right word; what is right stays."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.garden.practice import SETTINGS, Practice
from advisor.store.config_files import load_tables
from advisor.store.garden_files import load_garden_file, load_holdings, parse_garden
from advisor.store.garden_rows import PracticeRow

CASES = tomllib.loads(Path(__file__).with_name("bad_garden_cases.toml").read_text(encoding="utf-8"))
NOW = datetime(2026, 7, 1, 10, tzinfo=UTC)
CONTRACT = """
[garden]
name = "Upper Yard"
latitude = 47.91
longitude = 8.24
elevation_m = 640
timezone = "Europe/Berlin"          # IANA
units = "metric"
watering_times = ["19:00", "07:00", "13:00", "07:00"]
working_hours = ["08:00", "18:00"]

[[place]]
id = "south-bench"
name = "South bench"
shade_fraction = 0.0
sky_view = 0.8
horizon = [[270, 35], [90, 20], [180, 10]]
wind_shelter = 0.2
rain = "open"
ground = "gravel"
height_m = 0.8
night_gain_c = 0.0
shelter_level = 0
room = 24

[[tree]]
id = "ember"
name = "Ember"
species = "acer-palmatum"
place = "south-bench"
size = "shohin"
pot = { shape = "oval", length_cm = 34, width_cm = 26, depth_cm = 7, wall = "glazed-dark" }
substrate = "akadama-pumice-lava"
crown = { width_cm = 45, height_cm = 38 }
strength = 4

[[tree]]
id = "line"
species = "ulmus-parvifolia"
size = "kifu"

[[tree]]
id = "big"
species = "acer"
pot = { volume_l = 3 }
"""


@pytest.mark.parametrize("case", CASES["case"], ids=lambda case: case["name"])
def test_garden_with_slips_names_each_and_keeps_the_rest(case):
    text = (CASES["head"] if case["head"] else "") + case["text"]
    found = parse_garden(text, load_tables())
    said = [(fault.line, fault.key, fault.drops) for fault in found.faults]
    wanted = [(fault.get("line"), fault["key"], fault["drops"]) for fault in case["fault"]]
    assert sorted(said, key=str) == sorted(wanted, key=str), "\n".join(map(str, found.faults))
    for fault in case["fault"]:
        (match,) = [one for one in found.faults if (one.key, one.drops) == (fault["key"], fault["drops"])]
        for word in fault["words"]:
            assert word in f"{match.found}; {match.wanted}"
    assert found.fatal is not case["usable"]
    assert (found.garden is not None) is case["usable"]
    assert [tree.id for tree in found.trees] == case["kept"] or found.fatal


def test_garden_of_the_contract_is_read_whole():
    found = parse_garden(CONTRACT, load_tables())
    assert found.faults == ()
    assert found.garden is not None
    assert [f"{clock:%H:%M}" for clock in found.garden.watering_times] == ["07:00", "13:00", "19:00"]
    assert found.places["south-bench"].horizon_deg == ((90.0, 20.0), (180.0, 10.0), (270.0, 35.0))
    ember, line, big = found.trees
    # common practice: volume = length x width x depth x 0.8
    assert ember.pot.volume_l == pytest.approx(34 * 26 * 7 * 0.8 / 1000)
    assert ember.defaulted == frozenset()
    assert (ember.crown.width_cm, ember.crown.height_cm, ember.strength) == (45, 38, 4)
    # common practice: a kifu pot is about 22 x 17 x 5 cm and 1.5 l, its crown about 28 cm
    assert (line.pot.length_cm, line.pot.width_cm, line.pot.depth_cm, line.pot.volume_l) == (22, 17, 5, 1.5)
    assert line.crown.width_cm == 28
    assert line.name == "Line"
    assert line.strength is None
    assert line.place_id == "south-bench"
    assert {"pot", "crown", "substrate", "place", "pot.volume_l"} <= line.defaulted
    assert "size" not in line.defaulted
    # 3 l lies nearest to the 3.2 l of a chuhin pot
    assert (big.size, big.pot.volume_l) == ("chuhin", 3)
    assert "size" in big.defaulted
    assert "pot.volume_l" not in big.defaulted
    sides = big.pot.length_cm * big.pot.width_cm * big.pot.depth_cm * 0.8 / 1000
    assert sides == pytest.approx(3)


def test_garden_without_places_stands_on_an_open_bench():
    text = (
        CONTRACT.split("[[place]]", maxsplit=1)[0] + '[[tree]]\nid = "a"\nspecies = "fagus"\nsize = "mame"\n'
    )
    found = parse_garden(text, load_tables())
    assert found.faults == ()
    assert found.trees[0].place_id in found.places
    assert found.places[found.trees[0].place_id].shelter_level == 0


def test_round_pot_needs_its_diameter_once():
    text = (
        CONTRACT
        + '[[tree]]\nid = "r"\nspecies = "fagus"\npot = { shape = "round", length_cm = 20, depth_cm = 10 }\n'
    )
    found = parse_garden(text, load_tables())
    assert found.faults == ()
    assert found.trees[-1].pot.width_cm == 20
    # a circle fills pi/4 of its square (geometry), the medium about 0.8 of the pot (common practice)
    assert found.trees[-1].pot.volume_l == pytest.approx(20 * 20 * 10 * 0.8 * 3.14159 / 4 / 1000, rel=0.01)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (CONTRACT.encode("utf-16"), "UTF-16"),
        (CONTRACT.encode("utf-16-le"), "UTF-16"),
        (b'[garden]\nname = "\xff"\n', "UTF-8"),
        (CONTRACT.encode() + b"# \0\n", "NUL"),
        (b"# " + b"x" * 2_100_000, "2 MB"),
        (b"a = " + b"[" * 50_000, "nested"),
        (b"a = " + b"1" * 9_000, "not valid TOML"),
        (b"", "[garden]"),
        (b"\xef\xbb\xbf", "[garden]"),
    ],
    ids=[
        "utf-16",
        "utf-16 without mark",
        "latin",
        "nul",
        "huge",
        "nested",
        "long number",
        "empty",
        "only a mark",
    ],
)
def test_file_that_is_no_garden_is_a_fault_not_a_crash(tmp_path, raw, words):
    path = tmp_path / "garden.toml"
    path.write_bytes(raw)
    found = load_garden_file(path, load_tables())
    assert found.fatal
    assert found.garden is None
    (fault,) = found.faults
    assert words in str(fault)
    assert fault.file == "garden.toml"


def test_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "garden.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CONTRACT.replace("\n", "\r\n").encode())
    found = load_garden_file(path, load_tables())
    assert found.faults == ()
    assert len(found.trees) == 3


def test_missing_garden_says_how_to_begin(tmp_path):
    holdings, (fault,) = load_holdings(tmp_path, load_tables(), NOW)
    assert holdings is None
    assert "start" in fault.wanted


def test_folder_in_place_of_the_file_is_a_fault(tmp_path):
    (tmp_path / "garden.toml").mkdir()
    holdings, faults = load_holdings(tmp_path, load_tables(), NOW)
    assert holdings is None
    assert len(faults) == 1


def test_holdings_join_garden_and_journal_and_drop_only_what_is_faulty(tmp_path):
    bad = '\n[[tree]]\nid = "sick"\nspecies = "acer-palmatum"\nsize = "shohin"\nstrength = 9\n'
    (tmp_path / "garden.toml").write_text(CONTRACT + bad, encoding="utf-8")
    (tmp_path / "journal.csv").write_text(
        "date,time,tree,entry,amount,unit,note\n"
        "2026-06-01,08:00,ember,defoliated,,,\n"
        "2026-06-01,08:00,sick,defoliated,,,\n"
        "2026-06-01,08:00,nobody,defoliated,,,\n",
        encoding="utf-8",
    )
    holdings, faults = load_holdings(tmp_path, load_tables(), NOW)
    assert holdings is not None
    assert [tree.id for tree in holdings.trees] == ["ember", "line", "big"]
    assert [(entry.tree_id, entry.entry) for entry in holdings.journal] == [("ember", "defoliated")]
    assert [(fault.file, fault.drops) for fault in faults] == [
        ("garden.toml", "tree sick"),
        ("journal.csv", "line"),
    ]


def test_tree_moved_to_a_faulty_place_is_left_out_and_named(tmp_path):
    (tmp_path / "garden.toml").write_text(
        CONTRACT + '[[place]]\nid = "shed"\nsky_view = 9.0\n', encoding="utf-8"
    )
    (tmp_path / "journal.csv").write_text(
        "date,time,tree,entry,amount,unit,note\n2026-06-01,08:00,ember,moved,shed,place,\n", encoding="utf-8"
    )
    holdings, faults = load_holdings(tmp_path, load_tables(), NOW)
    assert holdings is not None
    assert [tree.id for tree in holdings.trees] == ["line", "big"]
    assert {fault.drops for fault in faults} == {"place shed", "tree ember"}


def test_former_trees_stay_in_the_journal_without_a_fault(tmp_path):
    text = CONTRACT.replace('units = "metric"', 'former_trees = ["gone"]')
    (tmp_path / "garden.toml").write_text(text, encoding="utf-8")
    (tmp_path / "journal.csv").write_text(
        "date,time,tree,entry,amount,unit,note\n2020-06-01,08:00,gone,cut,,,\n", encoding="utf-8"
    )
    holdings, faults = load_holdings(tmp_path, load_tables(), NOW)
    assert holdings is not None
    assert faults == ()
    assert holdings.journal == ()


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("[[360, 20], [180, 5]]", ((0.0, 20.0), (180.0, 5.0))),
        ("[[0, 20], [180, 5], [360, 70]]", ((0.0, 20.0), (180.0, 5.0), (359.99, 70.0))),
        ("[]", ()),
    ],
    ids=["360 alone is north", "0 and 360 are a step at north", "flat"],
)
def test_horizon_at_north_is_read_as_meant(written, kept):
    found = parse_garden(CASES["head"] + f"horizon = {written}\n", load_tables())
    assert found.faults == ()
    assert found.places["south-bench"].horizon_deg == kept


def test_horizon_with_an_azimuth_twice_is_a_fault():
    (fault,) = parse_garden(CASES["head"] + "horizon = [[90, 20], [90, 5]]\n", load_tables()).faults
    assert (fault.key, fault.line) == ("place[1].horizon", 9)
    assert "90" in fault.found


def test_demo_garden_is_without_fault():
    demo = Path(__file__).resolve().parents[2] / "config" / "demo"
    holdings, faults = load_holdings(demo, load_tables(), datetime(2027, 1, 1, tzinfo=UTC))
    assert faults == ()
    assert holdings is not None
    assert len(holdings.trees) > 5


def test_practice_is_read_and_what_was_written_is_known():
    text = CONTRACT + '\n[practice]\nbig_cuts = "summer"\nlime_wood = "dry"\n'
    found = parse_garden(text, load_tables())
    assert not found.faults
    assert found.garden is not None
    practice = found.garden.practice
    assert (practice.big_cuts, practice.lime_wood, practice.seal) == ("summer", "dry", "big-cuts")
    assert practice.given == {"big_cuts", "lime_wood"}


def test_practice_of_the_program_and_of_the_file_are_the_same():
    row = PracticeRow()
    assert set(PracticeRow.model_fields) == set(SETTINGS)
    for name in SETTINGS:
        assert getattr(row, name) == getattr(Practice(), name)


def test_a_garden_file_is_read_anew_as_soon_as_it_or_the_tables_change(tmp_path: Path) -> None:
    tables, path = load_tables(), tmp_path / "garden.toml"
    path.write_text(CONTRACT, encoding="utf-8")
    before = load_garden_file(path, tables)
    assert load_garden_file(path, tables) is before
    path.write_text(CONTRACT.replace("strength = 4", "strength = 2"), encoding="utf-8")
    assert load_garden_file(path, tables).trees[0].strength == 2
    path.write_text(CONTRACT, encoding="utf-8")
    assert load_garden_file(path, tables) == before
    fewer = {name: size for name, size in tables.sizes.items() if name != "kifu"}
    kept = load_garden_file(path, replace(tables, sizes=fewer))
    assert [tree.id for tree in before.trees] == ["ember", "line", "big"]
    assert [tree.id for tree in kept.trees] == ["ember", "big"]
