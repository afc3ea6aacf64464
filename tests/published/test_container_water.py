"""Water in containers beside published trials; sources stand in container_water.toml."""

import math
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.exposure.water import pot_top_area_m2, pot_water
from advisor.garden.model import Crown, Pot, Tree
from advisor.garden.state_model import Needs, Stage, StageKnown, TreeState, WaterRecord
from advisor.physics.pot_water import transpiration_l
from advisor.store.config_files import load_tables

FACTS = tomllib.loads(Path(__file__).with_name("container_water.toml").read_text(encoding="utf-8"))
TABLES = load_tables()
NOW = datetime(2024, 7, 1, tzinfo=UTC)


def tree_of(size="chuhin"):
    row = TABLES.sizes[size]
    pot = Pot(
        row.value("volume_l", "l"),
        row.value("pot_length_cm", "cm"),
        row.value("pot_width_cm", "cm"),
        row.value("pot_depth_cm", "cm"),
        "rectangle",
        "plastic-black",
    )
    crown = Crown(row.value("crown_width_cm", "cm"), row.value("crown_height_cm", "cm"))
    group = TABLES.group_of("acer-palmatum")
    return Tree("a", "A", "acer-palmatum", group.id, "bench", size, pot, crown, "bark")


def in_leaf(tree):
    return TreeState(
        tree=tree,
        group=TABLES.species[tree.group_id],
        at_utc=NOW,
        place_id="bench",
        place_since=None,
        extra_shade=0.0,
        stage=StageKnown(Stage.LEAVES_HARD, "seen", "seen", None, None),
        leaves_hard_seen=True,
        flags=(),
        water_leaf_share=1.0,
        sun_leaf_share=1.0,
        root_share=1.0,
        needs=Needs(),
        water=WaterRecord(None, None, None, None, True),
    )


def pots_of(*trees):
    return pot_water(trees, [in_leaf(tree) for tree in trees], TABLES)


def test_water_held_falls_with_the_height_of_the_container():
    row, tree = FACTS["height"], tree_of()
    low, high = (
        replace(tree, pot=replace(tree.pot, volume_l=3.0, depth_cm=row[key])) for key in ("low_cm", "high_cm")
    )
    held = pots_of(low, high).capacity_l
    assert row["falls_least"] <= 1.0 - held[1] / held[0] <= row["falls_most"]
    usable = pots_of(low, high).usable_l
    assert usable[1] < usable[0]


@pytest.mark.parametrize("size", FACTS["coefficient"]["sizes"])
def test_use_over_container_area_lies_where_trials_found_it(size):
    row, tree = FACTS["coefficient"], tree_of(size)
    found = pots_of(tree).litres_per_mm[0] / pot_top_area_m2(tree.pot, TABLES)
    assert row["least"] <= found <= row["most"]


def test_fabric_pot_needs_two_thirds_more_than_plastic():
    row, tree = FACTS["fabric"], tree_of()
    fabric = replace(tree, pot=replace(tree.pot, wall="fabric"))
    plastic, other = pots_of(tree, fabric).litres_per_mm
    assert other / plastic - 1.0 == pytest.approx(row["more_share"], abs=row["within"])


def test_crown_of_leaf_area_index_2_88_draws_what_the_balance_takes():
    """0.25 m2 of leaves over 0.25 / 2.88 m2 of ground: a crown 33.2 cm wide."""
    row = FACTS["leaf_area"]
    leaves = float(transpiration_l(row["reference_mm"], row["leaf_area_m2"]))
    assert leaves == pytest.approx(row["draws_l"], abs=0.0005)
    width_cm = 200.0 * math.sqrt(row["leaf_area_m2"] / 2.88 / math.pi)
    tree = replace(
        tree_of(), crown=Crown(width_cm, 30.0), pot=replace(tree_of().pot, length_cm=1, width_cm=1)
    )
    assert pots_of(tree).litres_per_mm[0] * row["reference_mm"] == pytest.approx(row["draws_l"], rel=0.01)
