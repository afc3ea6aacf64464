"""Tipping gusts against a sum done by hand and the order of the trade's examples."""

from dataclasses import replace

import numpy as np
import pytest
from exposure.exposure_builders import morning, state_of, tree_of

from advisor.exposure.tipping import TippingBody, tipping_body, tipping_gust_m_s, tipping_speed_m_s
from advisor.garden.model import Crown, Pot

NOW = morning()


def examples(tables):
    """The six examples as trees and water; their measures are estimates, the speeds come from the trade."""
    chuhin = tree_of(tables, size="chuhin", crown=Crown(35.0, 30.0))
    cascade = replace(
        chuhin, pot=Pot(3.0, 16.0, 16.0, 16.0, "square", "glazed-dark"), crown=Crown(45.0, 35.0)
    )
    literati = replace(chuhin, pot=Pot(1.6, 22.0, 22.0, 5.5, "round", "unglazed"), crown=Crown(30.0, 55.0))
    plastic = replace(
        chuhin,
        pot=Pot(5.0, 20.0, 20.0, 19.0, "nursery", "plastic-black"),
        crown=Crown(50.0, 70.0),
        substrate="nursery-mix",
    )
    return {
        "chuhin-wet": (chuhin, 1.0),
        "chuhin-dry": (chuhin, 0.0),
        "cascade": (cascade, 1.0),
        "literati": (literati, 1.0),
        "plastic-wet": (plastic, 1.0),
        "plastic-dry": (plastic, 0.0),
    }


def test_tipping_formula_as_summed_by_hand(tables, facts):
    row = facts["tipping"]["by_hand"]
    body = TippingBody(row["mass_kg"], row["base_m"], row["area_m2"], row["height_m"])
    assert tipping_speed_m_s(body, tables) == pytest.approx(row["gust_m_s"], abs=0.005)


def test_tipping_examples_of_the_trade_within_a_factor_and_in_order(tables, facts):
    row = facts["tipping"]
    found = {
        name: tipping_gust_m_s(tree, state_of(tables, tree, NOW), left, tables)
        for name, (tree, left) in examples(tables).items()
    }
    for name, gust in row["gust_m_s"].items():
        assert 0.6 < found[name] / gust < 1.67, (name, found[name])
    assert found["plastic-dry"] == min(found.values())
    assert found["chuhin-wet"] == max(found.values())


def test_tipping_wet_pot_and_bare_crown_stand_longer(tables):
    tree = tree_of(tables, size="chuhin")
    leafy, bare = state_of(tables, tree, NOW), state_of(tables, tree, NOW, leaf=0.0)
    speeds = [tipping_gust_m_s(tree, leafy, left, tables) for left in np.linspace(0.0, 1.0, 5)]
    assert np.all(np.diff(speeds) > 0.0)
    assert tipping_gust_m_s(tree, bare, 1.0, tables) > speeds[-1]
    assert tipping_gust_m_s(tree, leafy, float("nan"), tables) == speeds[0]


def test_tipping_body_weighs_what_such_a_tree_weighs(tables):
    """A drained 30 x 22 x 6 cm ceramic pot with its tree weighs 4 to 7 kg (common practice)."""
    tree = tree_of(tables, size="chuhin")
    assert 4.0 < tipping_body(tree, state_of(tables, tree, NOW), 1.0, tables).mass_kg < 7.0
