"""What must hold for every garden: monotone warnings, reasons, whole groups, short lists."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from advice.rule_builders import ZONE, build
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.alert_frost import frost_alert
from advisor.advice.alert_heat import heat_alert
from advisor.advice.alerts import alert_events
from advisor.advice.frost import judge_night
from advisor.advice.grouping import bench_order, names
from advisor.advice.heat import heat_day
from advisor.advice.model import Advice, Situation
from advisor.advice.registry import RULES, advise, run_rules
from advisor.advice.shade import shade_advice
from advisor.advice.shelter import shelter_advice
from advisor.advice.standing import standing_heat

NOON = datetime(2026, 7, 10, 6, tzinfo=ZONE)


def summer(trees: list[dict[str, Any]], **weather: Any) -> Situation:
    return build({"now": NOON, "trees": trees, "weather": [{"from": 0, "to": 9, **weather}]})


def forty(now: datetime = NOON, **more: Any) -> dict[str, Any]:
    """Forty trees in mixed states on two benches, as in a real yard."""
    rows: list[dict[str, Any]] = []
    for n in range(40):
        row: dict[str, Any] = {
            "id": f"tree-{n:02d}", "name": f"Tree {n:02d}", "place": "bench" if n >= 3 else "net",
            "volume_l": (0.3, 0.9, 3.0, 8.0, 25.0)[n % 5],
            "waterings_l": [0.3, 0.2 if n % 3 == 0 else 0.0, 0.0],
            "needs": {"leaf_limit_c": 39 + n % 6, "vpd_limit_kpa": 2.5 + 0.2 * (n % 6), "frost_limit_c": 0},
        }  # fmt: skip
        if n % 7 == 0:
            row |= {"flags": ["bare"], "needs": row["needs"] | {"direct_sun_h": 3, "shade_share": 0.5}}
        elif n % 7 == 1:
            row |= {"flags": ["tender"], "needs": row["needs"] | {"direct_sun_h": 4, "gust_m_s": 9}}
        rows.append(row)
    return {"now": now, "trees": rows, **more}


def warned(situation: Situation, kind: str) -> set[str]:
    rule = {"shade": shade_advice, "shelter": shelter_advice}[kind]
    return {tree for piece in rule(situation) for tree in piece.trees}


# --- monotone -------------------------------------------------------------------------------------------


def shifted(situation: Situation, kelvin: float) -> Situation:
    """Hours from now on are warmer by ``kelvin``, the air as dry as that makes it."""
    exposure = situation.exposure
    assert exposure is not None
    ahead = exposure.start_utc >= np.datetime64(situation.now_utc.replace(tzinfo=None), "s")
    step = np.where(ahead, kelvin, 0.0)
    return replace(
        situation,
        exposure=replace(
            exposure,
            leaf_temperature_c=exposure.leaf_temperature_c + step,
            bench_temperature_c=exposure.bench_temperature_c + step,
            vpd_kpa=exposure.vpd_kpa + np.maximum(step, 0.0) * 0.1,
            pot_core_c=exposure.pot_core_c + step,
            pot_rim_c=exposure.pot_rim_c + step,
            pot_rim_shaded_c=exposure.pot_rim_shaded_c + step,
        ),
    )


@settings(max_examples=15, deadline=None)
@given(
    air=st.floats(18, 42), extra=st.floats(0.1, 8), leaf=st.floats(35, 46), vpd=st.floats(1.5, 4.5),
    bare=st.booleans(), caution=st.sampled_from(["cautious", "even", "bold"]),
)  # fmt: skip
def test_hotter_never_removes_a_heat_warning(
    air: float, extra: float, leaf: float, vpd: float, bare: bool, caution: str
) -> None:
    row = {
        "id": "ember",
        "flags": ["bare"] if bare else [],
        "needs": {"leaf_limit_c": leaf, "vpd_limit_kpa": vpd},
    }
    case = {"now": NOON, "trees": [row], "caution": caution,
            "weather": [{"from": 0, "to": 9, "air_max_c": air, "vpd_max_kpa": air / 12}]}  # fmt: skip
    cool = build(case)
    hot = shifted(cool, extra)
    for day in range(3):
        one = heat_day(cool, cool.day + timedelta(days=day))
        other = heat_day(hot, hot.day + timedelta(days=day))
        assert other.chance[0] >= one.chance[0] - 1e-9
    if warned(cool, "shade"):
        assert warned(hot, "shade")


@settings(max_examples=15, deadline=None)
@given(low=st.floats(-12, 8), colder=st.floats(0.1, 8), frost=st.floats(-3, 5), root=st.floats(-10, -1))
def test_colder_never_removes_frost_shelter(low: float, colder: float, frost: float, root: float) -> None:
    row = {
        "id": "ember",
        "stage": "LEAVES_UNFOLDING",
        "needs": {"frost_limit_c": frost, "root_limit_c": root},
    }
    case = {
        "now": datetime(2026, 4, 20, 8, tzinfo=ZONE),
        "trees": [row],
        "weather": [
            {"from": -16, "to": 0, "air_min_c": 7},
            {"from": 1, "to": 3, "air_max_c": 12, "air_min_c": low},
        ],
    }
    mild = build(case)
    cold = shifted(mild, -colder)
    for ahead in range(3):
        eve = mild.day + timedelta(days=ahead)
        one, other = judge_night(mild, eve), judge_night(cold, eve)
        assert other.chance(0) >= one.chance(0) - 1e-9
        assert other.danger[0] or not one.danger[0]
    if any("cold" in piece.id for piece in shelter_advice(mild)):
        assert any("cold" in piece.id for piece in shelter_advice(cold))
    assert frost_alert(mild) is None or frost_alert(cold) is not None


# --- reasons, order, groups -----------------------------------------------------------------------------

WEATHERS: list[dict[str, Any]] = [
    {},
    {
        "air_max_c": 38,
        "air_min_c": 22,
        "vpd_max_kpa": 4,
        "leaf_over_air_k": 6,
        "core_max_c": 41,
        "rim_max_c": 52,
    },
    {"air_max_c": 8, "air_min_c": -5, "vpd_max_kpa": 0.4, "core_min_c": -2, "rim_min_c": -3},
    {"gust_m_s": 22, "wind_m_s": 11, "weather_code": 96},
    {"rain_mm": 25, "beam_w_m2": 0, "et_mm": 0.5},
    {"nan": ["bench_temperature_c", "leaf_temperature_c", "vpd_kpa", "pot_core_c", "water_use_l"]},
]


@pytest.mark.parametrize("weather", WEATHERS)
def test_every_piece_has_reasons_with_a_source_and_a_text_in_plain_words(weather: dict[str, Any]) -> None:
    situation = build(forty(weather=[{"from": 0, "to": 3, **weather}]))
    advised = advise(situation)
    assert advised.failures == ()
    pieces = [*advised.advice, *(piece for event in alert_events(situation) for piece in event.advice)]
    for piece in pieces:
        assert piece.reasons
        for reason in piece.reasons:
            assert reason.quantity
            assert reason.set_by
            assert reason.source
        assert piece.do[0].isupper()
        assert "nan" not in piece.do.lower().split()
        assert piece.sure
        assert piece.until_utc >= piece.from_utc
        assert set(piece.trees) <= set(situation.states)
    ids = [piece.id for piece in advised.advice]
    assert len(ids) == len(set(ids)), "an id tells one measure from another"


@pytest.mark.parametrize("weather", WEATHERS)
def test_forty_trees_still_give_a_short_list(weather: dict[str, Any]) -> None:
    advised = advise(build(forty(weather=[{"from": 0, "to": 3, **weather}])))
    assert len(advised.advice) <= 12, [piece.do for piece in advised.advice]
    assert max(len(piece.do) for piece in advised.advice) <= 330


def test_order_is_must_then_urgency_then_kind() -> None:
    advised = advise(build(forty(weather=[{"from": 0, "to": 3, **WEATHERS[1]}])))
    urgency = ["now", "today", "week", "note"]
    keys = [(not piece.must, urgency.index(piece.urgency)) for piece in advised.advice]
    assert keys == sorted(keys)
    assert advised.advice[0].must


def test_one_failing_rule_leaves_the_others_running() -> None:
    def broken(situation: Situation) -> tuple[Advice, ...]:
        raise ZeroDivisionError("made to fail")

    situation = build(forty())
    whole, without = run_rules(situation, RULES), run_rules(situation, RULES | {"due": broken})
    assert {piece.id for piece in without.advice} == {piece.id for piece in whole.advice}
    assert without.failures == ("due: ZeroDivisionError: made to fail",)


@settings(max_examples=40, deadline=None)
@given(chosen=st.sets(st.integers(0, 39), min_size=1))
def test_grouping_keeps_the_trees_and_bench_order(chosen: set[int]) -> None:
    situation = GROUPED
    trees = {f"tree-{n:02d}" for n in chosen}
    ordered = bench_order(situation, trees)
    assert set(ordered) == trees
    assert len(ordered) == len(trees)
    assert list(ordered) == [tree for tree in ALL_ORDERED if tree in trees]
    text = names(situation, trees)
    assert count_named(text, trees) == len(trees), text


GROUPED = build(forty())
ALL_ORDERED = bench_order(GROUPED, GROUPED.states)


def count_named(text: str, trees: set[str]) -> int:
    """Count what a reader of the line would count: benches whole, names, and the rest as a number."""
    if text.startswith("all trees"):
        return 40 - sum(state.tree.name in text for state in GROUPED.states.values())
    total = sum(
        sum(state.place_id == place for state in GROUPED.states.values())
        for place, name in (("bench", "South bench"), ("net", "Net frame"))
        if f"all on {name}" in text
    )
    total += sum(GROUPED.states[tree].tree.name in text for tree in trees)
    for part in text.replace(",", " and").split(" and "):
        words = part.split()
        if len(words) > 1 and words[1] == "more":
            total += int(words[0])
    return total


def test_forty_trees_in_heat_are_never_promised_more_room_than_there_is() -> None:
    pieces = shade_advice(build(forty(weather=[{"from": 0, "to": 3, **WEATHERS[1]}])))
    moved = [tree for piece in pieces if piece.id.startswith("shade-move-net") for tree in piece.trees]
    left = [tree for piece in pieces if piece.id.startswith("shade-room-") for tree in piece.trees]
    assert len(moved) - len(left) == 1, "the frame holds four, three stand there"


# --- alerts ---------------------------------------------------------------------------------------------


HEAT_WEEK: dict[str, Any] = {
    "now": NOON,
    "trees": [
        {"id": "ember", "needs": {"leaf_limit_c": 40, "vpd_limit_kpa": 2.8}},
        {"id": "alder", "needs": {"leaf_limit_c": 50, "vpd_limit_kpa": 6}},
    ],
    "weather": [
        {"from": -16, "to": 9, "air_max_c": 27},
        {"from": 4, "to": 8, "air_max_c": 38, "air_min_c": 22, "vpd_max_kpa": 4, "leaf_over_air_k": 6},
    ],
}


def test_a_heat_week_is_one_event_while_the_hours_move_on() -> None:
    first_days: set[date] = set()
    last_days: set[date] = set()
    told: list[datetime] = []
    for hours in range(0, 9 * 24, 6):
        now = NOON + timedelta(hours=hours)
        event = heat_alert(build(HEAT_WEEK, now=now))
        if event is not None:
            first_days.add(event.first_day)
            last_days.add(event.last_day)
            told.append(now)
            assert event.trees == ("ember",)
            assert event.spared == ("alder",)
    assert first_days == {date(2026, 7, 14)}
    assert last_days == {date(2026, 7, 18)}
    lead = datetime(2026, 7, 14, tzinfo=ZONE) - told[0]
    assert timedelta(hours=48) <= lead <= timedelta(hours=72), "48 h ahead, 72 at most (common practice)"
    assert told == [told[0] + timedelta(hours=6 * n) for n in range(len(told))], "without a break"
    assert told[-1] >= datetime(2026, 7, 18, tzinfo=ZONE)


def test_consecutive_frost_nights_are_one_event_while_the_hours_move_on() -> None:
    case = {
        "now": datetime(2026, 4, 18, 6, tzinfo=ZONE),
        "trees": [{"id": "ember", "stage": "LEAVES_UNFOLDING", "needs": {"frost_limit_c": 1}}],
        "weather": [
            {"from": -16, "to": 9, "air_max_c": 16, "air_min_c": 8},
            {"from": 3, "to": 5, "air_max_c": 12, "air_min_c": -2},
        ],
    }
    events = {}
    for hours in range(0, 6 * 24, 3):
        now = datetime(2026, 4, 18, 6, tzinfo=ZONE) + timedelta(hours=hours)
        event = frost_alert(build(case, now=now))
        if event is not None and event.send_from_utc <= now:
            events[now] = (event.first_day, event.last_day)
    assert set(events.values()) == {(date(2026, 4, 20), date(2026, 4, 22))}
    first = min(events)
    assert first.date() == date(2026, 4, 20)
    assert 9 <= first.hour <= 15, "out by 15:00 of the day before the night (common practice)"


def test_a_heat_alert_names_the_most_endangered_first() -> None:
    rows = [
        {"id": "plain", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}},
        {"id": "pip", "volume_l": 0.3, "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}},
        {"id": "fresh", "root_share": 0.5, "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}},
        {"id": "soft", "flags": ["tender"], "needs": {"leaf_limit_c": 36, "vpd_limit_kpa": 2.0}},
        {"id": "bare", "flags": ["bare"], "needs": {"leaf_limit_c": 36, "vpd_limit_kpa": 2.0}},
    ]
    event = heat_alert(summer(rows, air_max_c=38, air_min_c=22, vpd_max_kpa=4, leaf_over_air_k=6))
    assert event is not None
    assert event.trees == ("bare", "soft", "fresh", "pip", "plain")


@pytest.mark.parametrize("day", range(1, 7))
def test_a_confirmed_measure_is_silent_for_five_days(day: int) -> None:
    case = {
        "now": datetime(2026, 6, 10, 6, tzinfo=ZONE),
        "confirmed": [["heat", "ember", date(2026, 6, 10) - timedelta(days=day)]],
        "trees": [{"id": "ember", "flags": ["bare"], "needs": {"direct_sun_h": 3, "shade_share": 0.5}}],
    }
    assert bool(shade_advice(build(case))) == (day > 5)


def test_standing_needs_twenty_days() -> None:
    hot = {"from": -30, "to": 9, "air_max_c": 34, "air_min_c": 20, "vpd_max_kpa": 3.3, "leaf_over_air_k": 7}
    tree = {"id": "ember", "needs": {"leaf_limit_c": 39, "vpd_limit_kpa": 2.8}}
    for since, standing in ((date(2026, 7, 20), False), (date(2026, 7, 1), True)):
        case = {
            "now": datetime(2026, 8, 1, 6, tzinfo=ZONE),
            "past_days": 30,
            "weather": [hot],
            "trees": [tree | {"stage_since": since}],
        }
        assert bool(standing_heat(build(case))) is standing


# --- members --------------------------------------------------------------------------------------------


def with_members(situation: Situation, shifts: list[float]) -> Situation:
    main = situation.exposure
    assert main is not None
    names_ = ["leaf_temperature_c", "bench_temperature_c", "pot_core_c", "pot_rim_c", "pot_rim_shaded_c"]
    stacked = {name: np.array([getattr(main, name) + shift for shift in shifts]) for name in names_}
    others = {
        name: np.array([getattr(main, name)] * len(shifts))
        for name in ("vpd_kpa", "sun_w_m2", "direct_sun_share", "gust_m_s", "wind_m_s", "water_left_share")
    }
    return replace(situation, members=replace(main, **stacked, **others))


def test_members_give_the_chance_of_frost() -> None:
    case = {
        "now": datetime(2026, 4, 20, 8, tzinfo=ZONE),
        "trees": [{"id": "ember", "stage": "LEAVES_UNFOLDING", "needs": {"frost_limit_c": 1}}],
        "weather": [
            {"from": -16, "to": 9, "air_max_c": 16, "air_min_c": 8},
            {"from": 1, "to": 1, "air_min_c": 3},
        ],
    }
    situation = with_members(build(case), [-4.0, -3.0, 0.0, 1.0])
    assert judge_night(situation, situation.day).shoot_chance[0] == pytest.approx(0.5)
    pieces = [piece for piece in shelter_advice(situation) if "cold" in piece.id]
    assert pieces
    assert pieces[0].sure.endswith("2 of 4 runs")


def test_members_give_the_chance_of_heat() -> None:
    row = {"id": "ember", "needs": {"leaf_limit_c": 40, "vpd_limit_kpa": 9}}
    mild = {"from": -16, "to": 9, "air_max_c": 30, "leaf_over_air_k": 6}
    situation = build({"now": NOON, "trees": [row], "weather": [mild]})
    chance = heat_day(with_members(situation, [-6, -5, 0, 8]), situation.day).chance[0]
    assert chance == pytest.approx(0.25)
