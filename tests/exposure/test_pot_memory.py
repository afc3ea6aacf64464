"""Pots that go on from the run before come out, number by number, as those run from the start do."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta

import numpy as np
import pytest
from exposure.exposure_builders import changed, holdings_of, state_of, summer, tree_of
from exposure.test_stays import NOW, PLACES, YARD

from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.exposure.pot_memory import PotMemory
from advisor.garden.model import JournalEntry
from advisor.physics.pot_heat import simulate_pot_temperature

DAYS = 30
BEGIN = NOW - timedelta(days=24, hours=6)


def weather(air_from=None, air=0.0, gap=None):
    """Thirty days; from an hour on warmer by some kelvin, with an hour unknown."""
    table = summer(DAYS, YARD, start=BEGIN)
    shift = np.zeros(table.hours)
    if air_from is not None:
        shift[air_from:] = air
    temperature = table.value("air_temperature_c") + shift
    if gap is not None:
        temperature[gap] = np.nan
    return changed(table, air_temperature_c=temperature)


def met(tables, run, table, now=NOW, *, leaf=1.0, journal=(), places=PLACES):
    trees = [tree_of(tables, "a", "chuhin"), tree_of(tables, "b", "mame", "net")]
    states = {tree.id: state_of(tables, tree, now, leaf=leaf) for tree in trees}
    return compute_exposure(
        holdings_of(trees, places, YARD, journal), states, table, tables, now, simulate_pots=run
    )


def assert_equal(ours: Exposure, theirs: Exposure) -> None:
    for one in fields(Exposure):
        found, wanted = getattr(ours, one.name), getattr(theirs, one.name)
        if isinstance(found, np.ndarray):
            np.testing.assert_array_equal(found, wanted, one.name)


ROW = 24 * 24 + 6
"""Of now."""
WATERED = JournalEntry(NOW - timedelta(days=3), "a", "watered", None, "", "", 1, 1)
SUNNIER = (replace(PLACES[0], shade_fraction=0.3), PLACES[1])
NEXT = {
    # what is other at the next pass: arguments, and how many hours at least, or at most, are gone on from
    "eight hours later, another forecast": (
        {"table": weather(ROW, -2.0), "now": NOW + timedelta(hours=8)},
        ROW - 1,
        ROW + 8,
    ),
    "a day later": ({"table": weather(), "now": NOW + timedelta(days=1)}, ROW - 1, 24 * DAYS - 1),
    "the past was mended": ({"table": weather(300, 1.5)}, 299, 300),
    "an hour was lost": ({"table": weather(gap=300)}, 299, 300),
    "a watering was logged late": ({"table": weather(), "journal": (WATERED,)}, ROW - 24 * 4, ROW - 24 * 2),
    "leaves were lost: less cover": ({"table": weather(), "leaf": 0.2}, 0, 0),
    "the place was described anew": ({"table": weather(), "places": SUNNIER}, 0, 48),
    "the first day came otherwise, by whose mean the pots begin": ({"table": weather(10, 3.0)}, 0, 0),
    "the second day came otherwise": ({"table": weather(24, 3.0)}, 24, 24),
    "another summer": ({"table": weather(0, 3.0)}, 0, 0),
}


@pytest.mark.parametrize("case", list(NEXT))
def test_the_next_pass_is_as_if_run_from_the_start(tables, case):
    given, least, most = NEXT[case]
    pots = PotMemory()
    met(tables, pots, weather())
    table, now = given["table"], given.get("now", NOW)
    others = {name: value for name, value in given.items() if name not in {"table", "now"}}
    gone_on = met(tables, pots, table, now, **others)
    assert least <= pots.reused_h <= most
    assert_equal(gone_on, met(tables, simulate_pot_temperature, table, now, **others))


def test_pass_after_pass_and_back_again(tables):
    """The memory is of the newest run: what an older one found is not mistaken for it."""
    pots = PotMemory()
    for table in (weather(), weather(400, 4.0), weather(500, -3.0), weather(gap=450), weather()):
        assert_equal(met(tables, pots, table), met(tables, simulate_pot_temperature, table))
    assert 0 < pots.reused_h <= 450
