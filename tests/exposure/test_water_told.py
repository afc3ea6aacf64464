"""What digests told decides what a pot is taken to hold; every tree has its turn; forecasts may be wrong."""

import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from exposure.exposure_builders import GARDEN, holdings_of, state_of, summer, tree_of

from advisor.exposure.water import pot_water
from advisor.exposure.water_known import ToldSlot, ToldWatering, known_water
from advisor.exposure.watering import plan_watering
from advisor.garden.model import JournalEntry, Place

CASES = tomllib.loads(Path(__file__).with_name("water_told.toml").read_text(encoding="utf-8"))
DRY = tomllib.loads((Path(__file__).parents[1] / "advice" / "bad_weather.toml").read_text(encoding="utf-8"))[
    "dry"
]
YARD = replace(GARDEN, timezone="UTC", longitude_deg=0.0)
NOW = datetime(2023, 7, 10, 6, tzinfo=UTC)
START = NOW - timedelta(days=21, hours=6)
HOUR = timedelta(hours=1)


def one_litre(tables):
    """A tree in leaf in a pot of exactly one usable litre, not small enough to be looked at daily."""
    tree = tree_of(tables, size="chuhin")
    pots = pot_water([tree], [state_of(tables, tree, NOW)], tables)
    return tree, replace(pots, usable_l=np.array([1.0]), capacity_l=np.array([2.0]))


def planned(tables, use_l, *, now=NOW, told=(), journal=()):
    """The plan for hourly use from START on, without rain."""
    tree, pots = one_litre(tables)
    weather = summer(use_l.size // 24, YARD, start=START)
    known = known_water(
        holdings_of([tree], garden=YARD, journal=journal),
        [tree],
        [state_of(tables, tree, now)],
        pots,
        weather=weather,
        now_utc=now,
        tables=tables,
        told=told,
    )
    plan, slots = plan_watering(
        use_l.reshape(1, 1, -1),
        np.zeros((1, 1, use_l.size)),
        pots,
        known,
        weather=weather,
        now_utc=now,
        garden=YARD,
        tables=tables,
    )
    return plan, [datetime.fromisoformat(str(slot)).replace(tzinfo=UTC) for slot in slots]


def digest(day, water=(), check=(), *, at=6, of="a", now=NOW):
    midnight = (now - timedelta(days=day)).replace(hour=0)
    slots = tuple(
        ToldSlot(
            midnight + hour * HOUR,
            frozenset([of] if hour in water else []),
            frozenset([of] if hour in check else []),
        )
        for hour in sorted({*water, *check})
    )
    return ToldWatering(midnight + at * HOUR, midnight + timedelta(days=1), frozenset([of]), slots)


@pytest.mark.parametrize("case", CASES["case"], ids=lambda case: case["id"])
def test_told_pot_holds_what_a_pencil_says(tables, case):
    told = [digest(**row) for row in case["digests"]]
    journal = []
    if "watered_h_before_now" in case:
        at = NOW - case["watered_h_before_now"] * HOUR
        journal = [JournalEntry(at, "a", "watered", None, "", "", 1, 0)]
    plan, _ = planned(tables, np.full(24 * 24, case["use_l_per_h"]), told=told, journal=journal)
    assert plan.left_now_share[0, 0] == pytest.approx(case["left_now_l"], abs=0.003)


def followed(tables, truth, forecast_of, mornings, *, first=21):
    """Hours between waterings, dry hours and waterings of somebody who does what each morning says.

    ``truth`` outlasts the mornings; ``forecast_of(day)`` is the factor by which that day's forecast is off.
    """
    told, watered, water, dry = [], [], 1.0, 0
    past = np.full(24 * first, truth[0])
    for day in range(mornings):
        now = NOW + timedelta(days=day)
        known = truth[: 24 * day + 6]
        ahead = truth[24 * day + 6 :] * forecast_of(day)
        plan, slots = planned(tables, np.concatenate([past, known, ahead]), now=now, told=told)
        wanted = [at for at, given in zip(slots, plan.waterings_l[0, 0], strict=True) if given > 0.0]
        today = [at.hour for at in wanted if at.date() == now.date()]
        told.append(digest(0, water=today, now=now))
        for hour in range(6, 30):
            if hour in today:
                watered.append(24 * day + hour)
                water = 1.0
            used = truth[24 * day + hour]
            water = max(water - used * min(1.0, water / 0.45), 0.0)
            dry += water < CASES["unequal"]["dry_below_share"]
    return np.diff(watered), dry, len(watered)


def test_slow_drinker_has_its_turn(tables):
    row = CASES["slow"]
    truth = np.full(24 * (row["mornings"] + 2), row["use_l_per_h"])
    between, dry, _ = followed(tables, truth, lambda _: 1.0, row["mornings"])
    low, high = row["hours_between"]
    assert between.size >= 3
    assert all(low <= gap <= high for gap in between), between
    assert dry == 0


def test_unequal_days_wrong_forecasts_leave_no_pot_dry(tables):
    """Use by day as the sun goes: nothing at night, most after noon."""
    row = CASES["unequal"]
    course = np.clip(np.sin(np.pi * (np.arange(24) - 6.0) / 14.0), 0.0, None) * (np.arange(24) < 20)
    days = [*row["use_l_per_day"], 0.5, 0.5]
    truth = np.concatenate([day * course / course.sum() for day in days])
    _, dry, waterings = followed(
        tables, truth, lambda day: row["forecast_over_truth"][day], len(row["use_l_per_day"])
    )
    assert dry <= row["most_dry_h"]
    assert waterings <= row["most_waterings"]


def test_unlogged_watering_in_mm_fills_by_the_pot_top(tables):
    """10 mm on a top of 5 dm2 are half a litre, not ten litres."""
    tree, pots = one_litre(tables)
    pots = replace(pots, top_area_m2=np.array([0.05]))
    lines = [
        JournalEntry(NOW - 20 * HOUR, "a", "watered", None, "", "", 1, 0),
        JournalEntry(NOW - HOUR, "a", "watered", 10.0, "mm", "", 2, 1),
    ]
    known = known_water(
        holdings_of([tree], garden=YARD, journal=lines),
        [tree],
        [state_of(tables, tree, NOW)],
        pots,
        weather=summer(24, YARD, start=START),
        now_utc=NOW,
        tables=tables,
    )
    assert [litres for row in known.changes.values() for _, kind, litres in row if kind == "add"] == [0.5]


def with_timer(tables, use_l_per_h, drip_l):
    tree, pots = one_litre(tables)
    pots = replace(pots, timer_l=np.array([drip_l]))
    weather = summer(24, YARD, start=START)
    use = np.full((1, 1, 24 * 24), use_l_per_h)
    setting = {"weather": weather, "now_utc": NOW, "tables": tables}
    known = known_water(
        holdings_of([tree], garden=YARD), [tree], [state_of(tables, tree, NOW)], pots, **setting
    )
    return plan_watering(use, np.zeros(use.shape), pots, known, garden=YARD, **setting)[0]


def test_timer_that_gives_enough_leaves_nothing_to_do(tables):
    row = CASES["timer"]
    plan = with_timer(tables, row["enough_use_l_per_h"], row["drip_l"])
    assert plan.left_now_share[0, 0] == pytest.approx(row["left_at_6_l"], abs=1e-9)
    assert not plan.waterings_l.any()
    assert np.isnat(plan.dry_at[0, 0])


def test_timer_that_gives_too_little_is_helped_by_hand_less_often_than_no_line(tables):
    row = CASES["timer"]
    helped = with_timer(tables, row["short_use_l_per_h"], row["drip_l"])
    alone = with_timer(tables, row["short_use_l_per_h"], 0.0)
    assert 0 < (helped.waterings_l > 0.0).sum() < (alone.waterings_l > 0.0).sum()
    assert helped.dry_at[0, 0] > alone.dry_at[0, 0]


def test_tray_is_water_the_tree_can_use(tables):
    tree, row = tree_of(tables, size="chuhin"), CASES["tray"]
    states = [state_of(tables, tree, NOW)]
    plain = pot_water([tree], states, tables, places={"bench": Place("bench", "Bench")})
    tray = pot_water([tree], states, tables, places={"bench": Place("bench", "Bench", tray_l=row["tray_l"])})
    assert tray.usable_l[0] - plain.usable_l[0] == pytest.approx(row["tray_l"])
    assert tray.capacity_l[0] - plain.capacity_l[0] == pytest.approx(row["tray_l"])


@pytest.mark.parametrize("case", DRY, ids=lambda case: case["id"])
def test_hour_of_running_dry_says_how_much_of_the_way_is_known(tables, case):
    begin = 21 * 24 + 6
    use = np.full(24 * 23, 0.0)
    use[begin:] = case.get("use_l", 0.1)
    if case["gap_h"]:
        first, last = case["gap_h"]
        use[begin + first : begin + last] = np.nan
    plan, _ = planned(tables, use)
    if case["hour"] < 0:
        assert np.isnat(plan.dry_at[0, 0])
    else:
        assert plan.dry_at[0, 0] == np.datetime64((NOW + case["hour"] * HOUR).replace(tzinfo=None), "s")
    assert plan.dry_known_share[0, 0] == pytest.approx(case["known"], abs=0.001)
