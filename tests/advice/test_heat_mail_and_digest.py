"""Heat mail and morning mail of one morning never contradict each other, and no danger is passed over.

Properties of the texts themselves, over random gardens in hot weather (``rule_builders``: plain curves). What
they must share is common practice: a grower does what the last mail says, and mails that differ lower trust.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from advice.rule_builders import GARDEN, ZONE, build
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.advice.alert_heat import heat_alert
from advisor.advice.heat import heat_day, net_share
from advisor.advice.hours import clock
from advisor.advice.model import Advice, AlertEvent, Situation
from advisor.advice.shade import shade_advice
from advisor.advice.standing import standing_heat
from advisor.advice.water import watering_rounds
from advisor.advice.work_case import option_words
from advisor.exposure.model import Exposure
from advisor.garden.model import Holdings
from advisor.garden.state_model import TreeState
from advisor.message.parts.must import chosen
from advisor.message.view import DigestInput
from advisor.store.config_files import load_tables

NAMES = ("Ash", "Birch", "Cedar", "Dogwood", "Elder", "Fir")
NOW = datetime(2026, 7, 10, 6)  # noqa: DTZ001 - the builder's own zone is put to it


def hot_days_from_today(highs: Sequence[float]) -> list[dict[str, Any]]:
    """Days of clear heat with so many degrees, dry as such days are, today first."""
    return [
        {
            "from": n,
            "to": n,
            "air_max_c": high,
            "air_min_c": high - 14,
            "vpd_max_kpa": 1.4 + 0.24 * (high - 27),
            "leaf_over_air_k": 6,
        }
        for n, high in enumerate(highs)
    ]


@st.composite
def gardens(draw: st.DrawFn) -> dict[str, Any]:
    """A few trees in sun or under the net, and days that are hot, hotter or mild, from today or soon."""
    trees = []
    for name in NAMES[: draw(st.integers(1, 6))]:
        bare = draw(st.booleans())
        needs = {
            "leaf_limit_c": draw(st.sampled_from([36, 38, 40, 44])),
            "vpd_limit_kpa": draw(st.sampled_from([2.0, 2.8, 4.0])),
        }
        if draw(st.booleans()):
            needs["direct_sun_h"] = draw(st.sampled_from([2, 4, 8]))
        trees.append(
            {
                "id": name.lower(),
                "name": name,
                "place": draw(st.sampled_from(["bench", "bench", "net", "wall"])),
                "extra_shade": draw(st.sampled_from([0.0, 0.0, 0.5])),
                "volume_l": draw(st.sampled_from([0.3, 3.2, 30.0])),
                "flags": ["bare"] if bare else [],
                "needs": needs,
                "waterings_l": draw(
                    st.sampled_from([[0.3, 0.0, 0.0], [0.3, 0.2, 0.2], [0.0, 0.0, 0.4], [0.0, 0.0, 0.0]])
                ),
            }
        )
    days = draw(st.lists(st.sampled_from([26.0, 33.0, 36.0, 40.0]), min_size=9, max_size=9))
    begins = draw(st.integers(0, 3))
    days[begins : begins + 3] = [draw(st.sampled_from([36.0, 38.0, 42.0])) for _ in range(3)]
    weather: list[dict[str, Any]] = [{"from": -16, "to": -1, "air_max_c": 27}]
    weather += hot_days_from_today(days)
    hour = draw(st.sampled_from([6, 6, 14]))
    room = {"net": draw(st.sampled_from([None, 1, 2])), "wall": draw(st.sampled_from([None, 1]))}
    return {"now": NOW.replace(hour=hour), "trees": trees, "weather": weather, "room": room}


def named(situation: Situation, words: str) -> set[str]:
    """Ids of the trees that a list of names stands for."""
    by_name = {state.tree.name: tree for tree, state in situation.states.items()}
    every = set(by_name.values())
    words = words.strip()
    if words.startswith("all trees but "):
        return every - named(situation, words.removeprefix("all trees but "))
    if words.startswith("all trees"):
        return every
    found = set()
    for word in re.split(r", | and ", words):
        if word.startswith("all on "):
            place = next(
                p.id for p in situation.holdings.places.values() if p.name == word.removeprefix("all on ")
            )
            found |= {tree for tree, state in situation.states.items() if state.place_id == place}
        else:
            found.add(by_name[word.strip()])
    return found


def step(event: AlertEvent, topic: str) -> Advice | None:
    return next((piece for piece in event.advice if piece.id.startswith(f"alert-heat-{topic}")), None)


def asked_now(
    situation: Situation, event: AlertEvent
) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    """Of the mail's first step, by tree: places to go to today, nets today, nets of later days."""
    ready = step(event, "net")
    assert ready is not None
    text = ready.do.split(": ", 1)[1] if ready.do.startswith("Have ready") else ""
    first, _, after = text.partition("; from ")
    today = situation.day in {local(ready), event.first_day} and event.first_day <= situation.day
    begins_now = today and " today: " in ready.do
    now, later = (first, after) if begins_now else ("", text)
    moves: dict[str, str] = {}
    for part in now.split("; "):
        if " for " in part and not part.startswith("a net"):
            place, _, rest = part.partition(" for ")
            whom = re.split(r", under a net| \(once ", rest)[0]
            moves |= dict.fromkeys(named(situation, whom), place)
    return moves, nets_in(situation, now), nets_in(situation, later)


def places_later(situation: Situation, event: AlertEvent) -> set[str]:
    """Trees that the mail's first step sends elsewhere or nets after what it asks for today."""
    ready = step(event, "net")
    assert ready is not None
    _, _, later = ready.do.partition("; from ")
    found = set(nets_in(situation, later))
    for part in later.split("; "):
        if " for " in part and "a net of" not in part.split(" for ")[0]:
            found |= named(situation, re.split(r", under a net| \(once ", part.partition(" for ")[2])[0])
    return found


def local(piece: Advice) -> Any:
    return piece.from_utc.astimezone(ZONE).date()


def nets_in(situation: Situation, text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for part in text.split("; "):
        match = re.search(r"(a net of \d+ %)( instead of the lighter one)? over (.*)", part)
        if match:
            whom = match[3].split(" too, which")[0]
            found |= dict.fromkeys(named(situation, whom), match[1])
    return found


EVERY = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@EVERY
@given(gardens())
def test_heat_mail_sends_trees_today_only_where_the_morning_mail_sends_them(case: dict[str, Any]) -> None:
    situation = build(case)
    event = heat_alert(situation)
    if event is None:
        return
    moves, nets, _ = asked_now(situation, event)
    digest = shade_advice(situation)
    told_moves = {
        tree: piece.do for piece in digest if piece.id.startswith("shade-move-") for tree in piece.trees
    }
    told_nets = {
        tree: piece.do
        for piece in digest
        if piece.id.startswith(("shade-net", "shade-denser"))
        for tree in piece.trees
    }
    for tree, place in moves.items():
        assert f"to {place} " in told_moves[tree]
    for tree, net in nets.items():
        assert net in told_nets[tree]
    assert not {*told_moves, *told_nets} & places_later(situation, event), "none is sent on tomorrow"
    if event.first_day > situation.day:
        return
    heat = heat_day(situation, situation.day, situation.now_utc.replace(minute=0))
    for tree in event.trees:
        if heat.danger[situation.exposure.row(tree)] and tree in {**told_moves, **told_nets}:
            under = net_share(situation, situation.states[tree]) >= 0.7 - 1e-9
            assert tree in {**moves, **nets} or under, "what the morning mail asks for today stands in both"


@EVERY
@given(gardens())
def test_heat_mail_names_the_watering_rounds_of_the_morning_mail(case: dict[str, Any]) -> None:
    situation = build(case)
    event = heat_alert(situation)
    if event is None:
        return
    water = step(event, "water")
    assert water is not None
    own = {at.strftime("%H:%M") for at in GARDEN.watering_times}
    assert set(re.findall(r"\d\d:\d\d", water.do)) <= own, "the grower's own watering times"
    begins = max(event.first_day, situation.day)
    rounds = watering_rounds(situation, begins)
    due = {(tree, clock(GARDEN, one.at_utc)) for one in rounds for tree in one.water if tree in event.trees}
    body = re.split(r"; look again at|; run the hose", water.do)[0]
    said = set()
    for verb, part in re.findall(r"(?i)(water|check) (.*?)(?=; check|$)", body):
        if verb.lower() == "water":
            for group in part.split("; "):
                whom, _, times = group.partition(" at ")
                said |= {
                    (tree, at) for tree in named(situation, whom) for at in re.findall(r"\d\d:\d\d", times)
                }
    assert said == due


@EVERY
@given(gardens())
def test_heat_mail_names_nets_only_over_trees_that_do_not_stand_under_them(case: dict[str, Any]) -> None:
    situation = build(case)
    event = heat_alert(situation)
    if event is None:
        return
    _, nets, later = asked_now(situation, event)
    for tree, net in {**nets, **later}.items():
        share = int(re.findall(r"\d+", net)[0]) / 100
        assert net_share(situation, situation.states[tree]) < share - 1e-9


@EVERY
@given(gardens())
def test_heat_mail_says_which_danger_a_net_does_not_end(case: dict[str, Any]) -> None:
    """Held against the same garden with the net up, built anew; of heat that is still to come."""
    situation = build(case)
    event = heat_alert(situation)
    if event is None or event.first_day <= situation.day:
        return
    ready = step(event, "net")
    assert ready is not None
    for part in ready.do.split(": ", 1)[1].split("; "):
        match = re.search(r"a net of (\d+) %(?: instead of the lighter one)? over (.*)", part)
        if match is None:
            continue
        ends_it = " too, which" not in match[2]
        whom = named(situation, match[2].split(" too, which")[0])
        for tree in whom:
            kept = 1.0 - situation.holdings.places[situation.states[tree].place_id].shade_fraction
            extra = 1.0 - (1.0 - int(match[1]) / 100) / kept
            rows = [row | ({"extra_shade": extra} if row["id"] == tree else {}) for row in case["trees"]]
            netted = build({**case, "trees": rows})
            days = [
                event.first_day + timedelta(days=n)
                for n in range((event.last_day - event.first_day).days + 1)
            ]
            left = any(heat_day(netted, day).danger[netted.exposure.row(tree)] for day in days)
            assert left != ends_it


@pytest.mark.parametrize(("highs", "ends_it"), [((34, 34, 34), True), ((34, 40, 40), False)])
def test_net_that_is_enough_today_is_not_said_to_end_the_danger_of_hotter_days_ahead(
    highs: tuple[float, ...], *, ends_it: bool
) -> None:
    """Common practice: who reads that a net ends it looks no more. Held against a garden with the net up."""
    case: dict[str, Any] = {
        "now": NOW,
        "room": {"net": 0, "wall": 0},
        "trees": [{"id": "ash", "name": "Ash", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}}],
        "weather": [{"from": -16, "to": 9, "air_max_c": 27}],
    }
    case["weather"] += hot_days_from_today(highs)
    event = heat_alert(build(case))
    assert event is not None
    ready = step(event, "net")
    assert ready is not None
    match = re.search(r"today: a net of (\d+) % over Ash", ready.do)
    assert match is not None, ready.do
    netted = build({**case, "trees": [case["trees"][0] | {"extra_shade": int(match[1]) / 100}]})
    days = [NOW.date() + timedelta(days=n) for n in range(len(highs))]
    left = [bool(heat_day(netted, day).danger[0]) for day in days]
    assert left == [False, not ends_it, not ends_it]
    assert ("does not end it: look at noon" in ready.do) is not ends_it


STOPPED_BY_HEAT = {
    "big-cut": "cuts",
    "small-cut": "cuts",
    "candle-cut": "cuts",
    "defoliate": "taking leaves off",
    "part-defoliate": "taking leaves off",
    "carve": "carving live wood",
    "wire": "wiring",
    "bend": "bending",
    "repot": "repotting",
    "start-layer": "layers",
    "separate-layer": "layers",
    "feed": "feeding",
    "lime-sulphur": "lime-sulphur",
}
"""Common practice, as the rows of kind ``warning`` have it; and how the mail names each."""


def test_heat_mail_stops_what_the_warning_stops_and_nothing_else() -> None:
    event = heat_alert(
        build(
            {
                "now": NOW,
                "trees": [{"id": "ash", "name": "Ash", "needs": {"leaf_limit_c": 36, "vpd_limit_kpa": 2.5}}],
                "weather": [
                    {"from": -16, "to": 9, "air_max_c": 38, "vpd_max_kpa": 4, "leaf_over_air_k": 6},
                    {"from": -16, "to": -1, "air_max_c": 27},
                ],
            }
        )
    )
    assert event is not None
    stop = step(event, "stop")
    assert stop is not None
    said = re.split(r", | and ", re.sub(r"^Stop | on the trees in danger until it is over$", "", stop.do))
    assert set(said) == set(STOPPED_BY_HEAT.values())
    assert len(said) == len(set(said)), "each once"
    works = load_tables().works
    stopped = {
        work
        for work, rule in works.items()
        for row in rule.checks
        if row.kind == "warning" and "heat" in option_words(row, "stopped_by")
    }
    assert stopped == set(STOPPED_BY_HEAT)


def test_net_whose_effect_is_unknown_is_not_said_to_help() -> None:
    """What cannot be told is said: nothing is known of the hours under the net (principle of the house)."""
    case: dict[str, Any] = {
        "now": NOW,
        "room": {"net": 0, "wall": 0},
        "trees": [{"id": "ash", "name": "Ash", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}}],
        "weather": [{"from": -16, "to": 9, "air_max_c": 27}],
    }
    hot = {"air_max_c": 38, "air_min_c": 24, "vpd_max_kpa": 4, "leaf_over_air_k": 6}
    case["weather"] += [{"from": 0, "to": 3, **hot}]
    situation = build(case)
    seen = situation.expose
    assert seen is not None

    def expose(there: Holdings, doubles: Mapping[str, TreeState]) -> Exposure:
        made = seen(there, doubles)
        names = ("leaf_temperature_c", "vpd_kpa", "bench_temperature_c", "sun_w_m2", "beam_w_m2")
        gone = {name: np.full_like(getattr(made, name), np.nan) for name in names if hasattr(made, name)}
        return replace(made, **gone)

    event = heat_alert(replace(situation, expose=expose))
    assert event is not None
    ready = step(event, "net")
    assert ready is not None
    assert re.search(
        r"a net of \d+ % over Ash too, with an effect that cannot be told: look at noon", ready.do
    )


@EVERY
@given(gardens())
def test_trees_called_safe_get_no_measure_in_the_morning_mail(case: dict[str, Any]) -> None:
    situation = build(case)
    event = heat_alert(situation)
    if event is None:
        return
    told = {tree for piece in shade_advice(situation) for tree in piece.trees if piece.kind == "shade"}
    assert not set(event.spared) & told
    assert not set(event.spared) & set(event.trees)
    stop = step(event, "stop")
    assert stop is not None
    assert set(stop.trees) == set(event.trees), "work is stopped where the warning stops it, and nowhere else"


# --- a silent answer can kill a tree ----------------------------------------------------------------------


def digest_of(situation: Situation) -> DigestInput:
    advice = shade_advice(situation)
    event = heat_alert(situation)
    return DigestInput(
        situation=situation,
        advice=advice,
        events=() if event is None else (event,),
        notices=(),
        quiet_notes=(),
    )


@EVERY
@given(gardens(), st.lists(st.floats(-6.0, 6.0), min_size=9, max_size=9))
def test_a_day_of_danger_is_never_without_a_line_whatever_was_forecast(
    case: dict[str, Any], errors: list[float]
) -> None:
    """The forecast errs by up to 6 K a day; whatever it makes of the spell, today's danger is told today."""
    erring = {
        **case,
        "now": NOW,
        "weather": [
            row if row["from"] < 0 else row | {"air_max_c": row["air_max_c"] + errors[row["from"]]}
            for row in case["weather"]
        ],
    }
    situation = build(erring)
    digest = digest_of(situation)
    heat = heat_day(situation, situation.day, situation.now_utc)
    usual = standing_heat(situation)
    lines = {tree for piece in digest.advice for tree in piece.trees if piece.kind == "shade"}
    first = {tree for piece in chosen(digest) for tree in piece.trees}
    for tree in situation.states:
        row = situation.exposure.row(tree)
        if not heat.danger[row] or tree in usual:
            continue
        assert tree in lines
        if heat.margin_k[row] >= 3.0 and len([piece for piece in digest.advice if piece.must]) <= 3:
            assert tree in first, "3 K and more over the limit stands above the fold"


@pytest.mark.parametrize("left", [0, 1])
def test_the_danger_of_a_day_is_told_though_no_mail_opens_on_a_spell_that_is_all_but_over(left: int) -> None:
    hot = {"air_max_c": 38, "air_min_c": 24, "vpd_max_kpa": 4, "leaf_over_air_k": 6}
    case = {
        "now": NOW,
        "trees": [{"id": "ash", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}}],
        "weather": [{"from": -16, "to": 9, "air_max_c": 27}, {"from": -2, "to": left, **hot}],
    }
    situation = build(case)
    event = heat_alert(situation)
    assert event is not None
    assert not event.opens
    assert {"ash"} == {tree for piece in chosen(digest_of(situation)) for tree in piece.trees}
    assert heat_alert(replace(situation, now_utc=situation.now_utc)) is not None


CLOUDED = [
    # yesterday's high, today's high under thick cloud, caution, told
    (38, 37, "even", True),  # cloud is all that stands between, and a forecast of cloud is wrong often enough
    (38, 37, "cautious", True),
    (38, 37, "bold", False),  # acts from an even chance on
    (27, 37, "even", False),  # no heat yesterday: the forecast is taken at its word
    (38, 27, "even", False),  # a cool day needs no sun to be harmless
]


@pytest.mark.parametrize(("before", "today", "caution", "told"), CLOUDED)
def test_cloud_in_the_middle_of_heat_is_not_taken_at_its_word(
    before: int, today: int, caution: str, *, told: bool
) -> None:
    """Common practice: in a heat wave the nets stay up through a cloudy morning."""

    def day(high: int) -> dict[str, float]:
        return {"air_max_c": high, "air_min_c": high - 14, "vpd_max_kpa": 1.4 + 0.24 * (high - 27)}

    case = {
        "now": NOW,
        "caution": caution,
        "trees": [{"id": "ash", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}}],
        "weather": [
            {"from": -16, "to": 9, "air_max_c": 27},
            {"from": -2, "to": -1, **day(before)},
            {"from": 0, "to": 0, **day(today), "beam_w_m2": 60},
        ],
    }
    situation = build(case)
    lines = [piece for piece in shade_advice(situation) if "ash" in piece.trees]
    assert bool(lines) is told
    assert not any("nan" in piece.do.casefold() for piece in lines)


def test_what_must_be_ready_for_heat_ahead_is_wanted_on_its_first_day_though_that_may_be_cloudy() -> None:
    """The main forecast has cloud on the first day, the runs of the ensemble have sun."""
    hot = {"air_max_c": 38, "air_min_c": 24, "vpd_max_kpa": 4, "leaf_over_air_k": 6}
    sunny: dict[str, Any] = {
        "now": NOW,
        "trees": [{"id": "ash", "needs": {"leaf_limit_c": 38, "vpd_limit_kpa": 2.5}}],
        "weather": [{"from": -16, "to": 9, "air_max_c": 27}, {"from": 2, "to": 5, **hot}],
    }
    clouded = {**sunny, "weather": [*sunny["weather"], {"from": 2, "to": 2, **hot, "beam_w_m2": 60}]}
    runs, main = build(sunny).exposure, build(clouded)
    assert runs is not None
    stacked = {
        name: np.array([getattr(runs, name)] * 3)
        for name in ("leaf_temperature_c", "bench_temperature_c", "vpd_kpa", "sun_w_m2", "direct_sun_share")
    }
    event = heat_alert(replace(main, members=replace(runs, **stacked)))
    assert event is not None
    assert event.first_day == NOW.date() + timedelta(days=2)
    ready = step(event, "net")
    assert ready is not None
    assert re.match(r"Have ready by (\d\d):00 Sun 12 Jul: ", ready.do), ready.do
