"""A changed field is found for the trees it changed for, and for no others."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from service.test_sensitivity import MORNINGS, holdings, plain_days

from advisor.exposure.model import Exposure
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.service.sensitivity_seen import (
    Watched,
    WatchedExposure,
    changed_exposure,
    changed_states,
    looked_at,
)
from advisor.store.config_files import load_tables


@pytest.fixture(scope="module")
def evaluation():
    two = holdings("zelkova-serrata", "carpinus-betulus")
    return evaluate(two, load_tables(), plain_days(), MORNINGS[0], AlertSettings())


def test_a_change_in_one_trees_array_is_found_for_that_tree(evaluation):
    exposure = evaluation.situation.exposure
    for name in ("leaf_temperature_c", "water_left_share", "dry_at", "left_now_share"):
        changed = getattr(exposure, name).copy()
        changed[1] = np.datetime64("2031-01-01T00:00:00") if name == "dry_at" else changed[1] + 1.0
        assert changed_exposure(exposure, replace(exposure, **{name: changed})) == {name: {"t1"}}


def test_the_same_values_are_no_change_and_gaps_equal_gaps(evaluation):
    exposure = evaluation.situation.exposure
    gap = exposure.leaf_temperature_c.copy()
    gap[0, 3] = np.nan
    one, other = replace(exposure, leaf_temperature_c=gap), replace(exposure, leaf_temperature_c=gap.copy())
    assert changed_exposure(one, other) == {}
    assert changed_exposure(exposure, one) == {"leaf_temperature_c": {"t0"}}


def test_a_change_for_the_whole_garden_counts_for_every_tree(evaluation):
    exposure = evaluation.situation.exposure
    hotter = replace(exposure, wbgt_c=exposure.wbgt_c + 1.0)
    assert changed_exposure(exposure, hotter) == {"wbgt_c": {"", "t0", "t1"}}
    assert set(changed_exposure(exposure, None)) == {each.name for each in fields(Exposure)}


def test_a_changed_state_names_tree_and_field(evaluation):
    states = evaluation.situation.states
    drier = {**states, "t1": replace(states["t1"], root_share=0.5)}
    assert changed_states(states, drier) == {("t1", "root_share")}
    assert changed_states(states, dict(states)) == frozenset()


def test_a_watched_state_gives_what_it_has_and_tells_what_was_looked_at(evaluation):
    state, seen = evaluation.situation.states["t0"], []
    watched = Watched(state, seen.append)
    assert watched.place_id == "bench"
    assert watched.flag("wired") is None
    assert seen == ["place_id", "flags"]


def test_a_step_that_asks_for_one_trees_row_is_not_moved_by_another_tree(evaluation):
    exposure, seen = evaluation.situation.exposure, []
    watched = WatchedExposure(exposure, lambda name: seen.append(("", name)))
    assert watched.leaf_temperature_c[watched.row("t0")].size
    assert looked_at({"leaf_temperature_c": frozenset({"t0"})}, seen)
    assert not looked_at({"leaf_temperature_c": frozenset({"t1"})}, seen)
    assert not looked_at({"vpd_kpa": frozenset({"t0"})}, seen)
    assert looked_at({"leaf_temperature_c": frozenset({"", "t0", "t1"})}, seen)
    assert watched.tree_ids == ("t0", "t1")
    assert looked_at({"leaf_temperature_c": frozenset({"t1"})}, seen), "it may have looked at all"
