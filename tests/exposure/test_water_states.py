"""What a tree draws after work, beside what growers and trials say."""

import tomllib
from dataclasses import replace
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from exposure.exposure_builders import GARDEN, morning, tree_of

from advisor.exposure.water import pot_water
from advisor.garden.model import Crown, JournalEntry
from advisor.garden.state import fold_state

CASES = tomllib.loads(Path(__file__).with_name("water_states.toml").read_text(encoding="utf-8"))
DAY = morning(month=7, day=3, hour=9)


def wide_tree(tables):
    """A crown so wide over its pot that the medium hardly counts: what the tree itself draws."""
    return replace(tree_of(tables, size="shohin"), crown=Crown(60.0, 50.0))


def state_after(tables, tree, entry=None, amount=None, *, days=3):
    lines = [JournalEntry(morning(month=6, day=1).astimezone(UTC), "a", "leaves-hard", None, "", "", 1, 0)]
    if entry is not None:
        unit = "share" if amount is not None else ""
        lines.append(JournalEntry(DAY.astimezone(UTC), "a", entry, amount, unit, "", 2, 1))
    at = (DAY + timedelta(days=days)).astimezone(UTC)
    return fold_state(tree, tables.species[tree.group_id], lines, None, GARDEN, tables, at)


def draws(tables, tree, *event, days=3):
    usual = pot_water([tree], [state_after(tables, tree, days=days)], tables).litres_per_mm[0]
    worked = pot_water([tree], [state_after(tables, tree, *event, days=days)], tables).litres_per_mm[0]
    return worked / usual


@pytest.mark.parametrize("row", CASES["state"], ids=lambda row: row["entry"])
def test_worked_tree_draws_what_growers_say(tables, row):
    assert row["lowest"] <= draws(tables, wide_tree(tables), row["entry"]) <= row["highest"]


# Alcorn et al. 2013, sap flow of pruned Eucalyptus
def test_half_the_leaf_draws_as_a_trial_measured_and_as_much_again_later(tables):
    row, tree = CASES["half"], wide_tree(tables)
    event = (row["entry"], row["amount"])
    assert draws(tables, tree, *event) == pytest.approx(row["draws"], abs=row["within"])
    assert draws(tables, tree, *event, days=row["even_after_d"]) == pytest.approx(1.0, abs=0.01)


def test_repotted_tree_draws_the_usual_again_once_roots_are_seen_or_its_time_is_over(tables):
    tree = wide_tree(tables)
    early = state_after(tables, tree, "repotted", days=10)
    assert (early.water_factor, early.water_factor_by) == (0.7, "repotted")
    # 0.6 of the expected 28 days: thirst before thrift
    late = [state_after(tables, tree, "repotted", days=days).water_factor for days in (18, 24, 30)]
    assert 0.7 < late[0] < late[1] <= late[2] == 1.0
    lines = [
        JournalEntry(DAY.astimezone(UTC), "a", "repotted", None, "", "", 1, 0),
        JournalEntry((DAY + timedelta(days=8)).astimezone(UTC), "a", "roots-seen", None, "", "", 2, 1),
    ]
    at = (DAY + timedelta(days=9)).astimezone(UTC)
    seen = fold_state(tree, tables.species[tree.group_id], lines, None, GARDEN, tables, at)
    assert seen.water_factor == 1.0


def test_leaf_taken_is_not_counted_twice(tables):
    tree = wide_tree(tables)
    assert state_after(tables, tree, "part-defoliated").water_factor == 1.0
    assert state_after(tables, tree, "defoliated").water_factor == 1.0
