"""Pots that go on from an earlier reckoning end as those worked out from the start do (definition)."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta

import numpy as np
import pytest
from exposure.test_stays import HOUR, NOW, PLACES, YARD, holdings_of, state_of, tree_of, weather

from advisor.exposure.compute import PotsBefore, compute_exposure
from advisor.exposure.model import HOURLY
from advisor.exposure.stays import SpotStay

NODES = ("water_left_share", "pot_rim_c", "pot_rim_shaded_c", "pot_core_c")


def met(tables, before=None, beside=None):
    """Two trees, one of them carried under the net at four in the afternoon."""
    trees = [tree_of(tables, "a", "chuhin"), tree_of(tables, "b", "mame")]
    states = {tree.id: state_of(tables, tree, NOW) for tree in trees}
    ahead = {"a": (SpotStay(NOW + 10 * HOUR, "net", 0.0),)}
    return compute_exposure(
        holdings_of(trees, PLACES, YARD),
        states,
        weather(),
        tables,
        NOW,
        ahead=ahead,
        before=before,
        beside=beside,
    )


@pytest.mark.parametrize("back_h", [0, 5, 29])
def test_pots_go_on_as_if_they_had_never_stopped(tables, back_h):
    whole = met(tables)
    row = round(timedelta(days=2, hours=6) / HOUR) - back_h
    begun = met(tables, PotsBefore(row, *(getattr(whole, name)[:, row - 1] for name in NODES)))
    for name in HOURLY:
        np.testing.assert_array_equal(getattr(begun, name)[:, row:], getattr(whole, name)[:, row:], name)
    for name in ("waterings_l", "left_now_share", "dry_at", "dry_known_share"):
        np.testing.assert_array_equal(getattr(begun, name), getattr(whole, name), name)


def test_what_enters_counts_and_before_it_nothing_is_reckoned(tables):
    whole, row = met(tables), 40
    entered = {name: getattr(whole, name)[:, row - 1] for name in NODES}
    drier = met(tables, PotsBefore(row, **entered | {"water_left_share": np.array([0.4, 0.5])}))
    colder = met(tables, PotsBefore(row, **entered | {"pot_core_c": np.array([4.0, 4.0])}))
    assert (drier.water_left_share[:, row] < whole.water_left_share[:, row]).all()
    assert (colder.pot_core_c[:, row] < whole.pot_core_c[:, row] - 0.1).all()
    for name in NODES:
        assert np.isnan(getattr(colder, name)[:, :row]).all(), name
    assert {one.name for one in fields(PotsBefore)} == {"row", *NODES}


def test_what_is_the_gardens_own_is_taken_from_beside(tables):
    whole = met(tables)
    mark = replace(whole, wbgt_c=whole.wbgt_c + 1.0)
    np.testing.assert_array_equal(met(tables, beside=mark).wbgt_c, mark.wbgt_c)
    for name in ("reference_et_mm", "solar_hour", "sun_elevation_deg"):
        np.testing.assert_array_equal(getattr(met(tables, beside=whole), name), getattr(whole, name), name)
    other_hours = replace(mark, start_utc=whole.start_utc + np.timedelta64(3600, "s"))
    np.testing.assert_array_equal(met(tables, beside=other_hours).wbgt_c, whole.wbgt_c)
