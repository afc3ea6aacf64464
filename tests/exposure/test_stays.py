"""Each hour belongs to the place in which the tree stands then: cases of stays.toml.

No number of this file is measured: the hours of a tree that was moved must be those of a tree that has always
stood in that place (definition), and the pot's warmth must come nearer to the new place's hour by hour.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest
from exposure.exposure_builders import GARDEN, changed, holdings_of, state_of, summer, tree_of

from advisor.exposure.compute import compute_exposure
from advisor.exposure.stays import SpotStay
from advisor.garden.model import JournalEntry, Place

CASES = tomllib.loads(Path(__file__).with_name("stays.toml").read_text(encoding="utf-8"))["case"]
YARD = replace(GARDEN, timezone="UTC", watering_times=(time(7), time(13), time(19)))
NOW = datetime(2023, 7, 16, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLACES = (Place("bench", "Bench"), Place("net", "Net", shade_fraction=0.5, wind_shelter=0.4))
AT_ONCE = (
    "direct_sun_share", "shortwave_w_m2", "leaf_temperature_c", "vpd_kpa", "wind_m_s", "gust_m_s",
    "rain_reaching_pot_mm", "water_use_l", "bench_temperature_c", "wet_bulb_c", "sun_w_m2",
)  # fmt: skip
"""What an hour alone decides; water left and warmth of the pot remember the hours before."""


def lines(case):
    moved = [(h, "moved", place, "place") for h, place in case["moves"]]
    netted = [
        (h, "shaded" if share else "unshaded", share or None, "share" if share else "")
        for h, share in case["nets"]
    ]
    return tuple(
        JournalEntry(NOW + h * HOUR, "a", entry, amount, unit, "", n, n)
        for n, (h, entry, amount, unit) in enumerate(sorted(moved + netted, key=lambda line: line[0]))
    )


def weather():
    table = summer(5, YARD, start=NOW - timedelta(days=2, hours=6))
    rain = np.zeros(table.hours)
    rain[30:36] = 4.0
    return changed(table, rain_mm=rain)


WATERED = JournalEntry(NOW, "a", "watered", None, "", "", 99, 99)
"""Full at six, so that the hours before six do not count for what runs dry after it."""


def met(tables, place, net, journal=(), ahead=None, places=PLACES):
    tree = tree_of(tables, size="chuhin", place="bench" if journal else place)
    state = state_of(tables, tree, NOW, extra_shade=net, place=place)
    holdings = holdings_of([tree], places, YARD, (*journal, WATERED))
    return compute_exposure(holdings, {"a": state}, weather(), tables, NOW, ahead=ahead)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_each_hour_is_that_of_a_tree_that_always_stood_there(tables, case):
    ahead = (
        {"a": (SpotStay(NOW + case["ahead"][0] * HOUR, case["ahead"][1], 0.0),)} if "ahead" in case else None
    )
    last = next(row for row in case["at"] if row["from_h"] <= 0 < row["until_h"])
    found = met(tables, last["place"], last["net"], lines(case), ahead)
    origin = int((np.datetime64(NOW.replace(tzinfo=None), "s") - found.start_utc[0]) / np.timedelta64(1, "h"))
    seen = np.zeros(found.start_utc.size, dtype=bool)
    for row in case["at"]:
        cut = slice(max(origin + row["from_h"], 0), origin + row["until_h"])
        seen[cut] = True
        there = met(tables, row["place"], row["net"])
        for name in AT_ONCE:
            np.testing.assert_array_equal(getattr(found, name)[:, cut], getattr(there, name)[:, cut], name)
    assert seen[origin - 40 : origin + 40].all()


def test_warmth_of_the_pot_goes_over_from_one_place_to_the_other(tables):
    """A pot carried under the net at noon goes from the warmth of the one to that of the other."""
    at = NOW + 6 * HOUR
    moved = met(tables, "bench", 0.0, ahead={"a": (SpotStay(at, "net", 0.0),)})
    bench, net = met(tables, "bench", 0.0), met(tables, "net", 0.0)
    row = int((np.datetime64(at.replace(tzinfo=None), "s") - moved.start_utc[0]) / np.timedelta64(1, "h"))
    np.testing.assert_array_equal(moved.pot_core_c[0, :row], bench.pot_core_c[0, :row])
    after = slice(row + 1, row + 7)
    assert (moved.pot_core_c[0, after] <= bench.pot_core_c[0, after]).all()
    assert (moved.pot_core_c[0, after] >= net.pot_core_c[0, after]).all()
    assert moved.pot_core_c[0, row + 24] == pytest.approx(net.pot_core_c[0, row + 24], abs=0.2)


def test_water_of_the_day_is_the_sum_of_both_places(tables):
    moved = met(tables, "bench", 0.0, ahead={"a": (SpotStay(NOW + 4 * HOUR, "net", 0.0),)})
    bench, net = met(tables, "bench", 0.0), met(tables, "net", 0.0)
    day, row = slice(48, 72), 58
    by_hand = bench.water_use_l[0, 48:row].sum() + net.water_use_l[0, row:72].sum()
    assert moved.water_use_l[0, day].sum() == pytest.approx(by_hand, rel=1e-12)
    assert net.water_use_l[0, day].sum() < by_hand < bench.water_use_l[0, day].sum()
    dry = [one.dry_at[0] for one in (bench, moved, net)]
    assert dry == sorted(dry)
    assert dry[0] < dry[2]


def test_timer_of_a_line_waters_only_while_the_tree_hangs_on_it(tables):
    """A line at 07:00, left at ten: the water of seven counts, that of thirteen does not."""
    line = replace(PLACES[0], drip_l_per_h=2.0, drip_minutes=30.0)
    both = replace(PLACES[1], drip_l_per_h=2.0, drip_minutes=30.0)
    to = {"a": (SpotStay(NOW + 4 * HOUR, "net", 0.0),)}
    moved = met(tables, "bench", 0.0, ahead=to, places=(line, PLACES[1]))
    none, always = (met(tables, "bench", 0.0, ahead=to, places=each) for each in (PLACES, (line, both)))
    seven, thirteen = 48 + 7, 48 + 13
    np.testing.assert_array_equal(moved.water_left_share[0, :thirteen], always.water_left_share[0, :thirteen])
    assert moved.water_left_share[0, seven] > none.water_left_share[0, seven]
    assert moved.dry_at[0] < always.dry_at[0] or np.isnat(always.dry_at[0])


def test_what_waits_in_a_tray_counts_only_if_there_is_one_where_it_goes(tables):
    tray = replace(PLACES[1], tray_l=0.5)
    to = {"a": (SpotStay(NOW + 4 * HOUR, "net", 0.0),)}
    plain, into = (met(tables, "bench", 0.0, ahead=to, places=(PLACES[0], one)) for one in (PLACES[1], tray))
    assert into.usable_l[0] == plain.usable_l[0]
    out_of = met(
        tables, "net", 0.0, ahead={"a": (SpotStay(NOW + 4 * HOUR, "bench", 0.0),)}, places=(PLACES[0], tray)
    )
    assert out_of.usable_l[0] == plain.usable_l[0]
