"""Work windows ahead use the stage expected on that day, and the model alone opens none of them."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from advice.work_builders import situation_of
from garden.observed_seasons import first_day, group_of, station_place, tables

from advisor.advice.model import Situation
from advisor.advice.windows import half_days
from advisor.advice.work import judge
from advisor.garden.model import Crown, JournalEntry, Pot, Tree
from advisor.garden.phenology import StageModel
from advisor.garden.state import fold_state
from advisor.garden.state_model import Stage, StageKnown, TreeState
from advisor.garden.warmth import Warmth

CASES: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("stage_ahead_cases.toml").read_text(encoding="utf-8")
)["case"]
_EACH = pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
WORKS = sorted(tables().works)


def _expecting(situation: Situation, stage: str, days: int) -> Situation:
    begins = situation.day + timedelta(days=days)
    known = StageKnown(Stage[stage], "guess", f"expected from {begins}", begins, None)
    states = {
        tree: replace(state, stages_ahead=((begins, known),)) for tree, state in situation.states.items()
    }
    return replace(situation, states=states)


def _situation(case: dict[str, Any]) -> Situation:
    asked = {
        "species": case["species"],
        "stage": case["now"],
        "known": case["known"],
        "leaves_hard_seen": case["leaves_hard_seen"],
        "events": [["leaves-hard", 6]] if case["leaves_hard_seen"] else [],
        "places": ["net", "roof", "shed"],
        "frost": "2026-12-20",
    }
    situation, _ = situation_of(asked, tables())
    return _expecting(situation, case["ahead"], case["from"])


@_EACH
def test_windows_ahead_follow_the_expected_stage(case: dict[str, Any]) -> None:
    situation = _situation(case)
    found = judge(situation, case["work"], "t1", situation.day)
    offered = {(half.day - situation.day).days for half in found.windows}
    assert set(case["open"]) <= offered
    assert not offered & set(case["shut"])
    if case["care"]:
        after = [half for half in found.windows if (half.day - situation.day).days >= case["from"]]
        assert {half.verdict for half in after} <= {"suits-with-care"}


@_EACH
def test_day_asked_for_is_judged_by_its_own_stage(case: dict[str, Any]) -> None:
    situation = _situation(case)
    later = judge(situation, case["work"], "t1", situation.day + timedelta(days=case["from"]))
    stage = next(check for check in later.checks if check.check == "stage")
    assert Stage[case["ahead"]].label in stage.text
    assert "expected from" in stage.text
    today = judge(situation, case["work"], "t1", situation.day)
    assert "expected from" not in next(check for check in today.checks if check.check == "stage").text


@pytest.mark.parametrize("work", WORKS)
def test_expected_stage_alone_never_passes_a_stage_check(work: str) -> None:
    """Whatever the pair of stages: on days of an expected stage the stage is care at best."""
    for species in ("acer-palmatum", "pinus-thunbergii", "ulmus-parvifolia"):
        for ahead in Stage:
            situation, day = situation_of({"species": species, "stage": "DORMANT"}, tables())
            here = _expecting(situation, ahead.name, 2)
            for half in half_days(here, tables().works[work], here.states["t1"], day + timedelta(days=3)):
                told = [check.verdict for check in half.checks if check.check == "stage"]
                assert "pass" not in told, (species, ahead)


@pytest.mark.parametrize("work", WORKS)
def test_guess_by_the_calendar_never_passes_a_stage_check(work: str) -> None:
    """Without temperatures every stage is a guess (tests/garden): no gate opens freely by the calendar."""
    for species in ("acer-palmatum", "pinus-thunbergii", "ulmus-parvifolia"):
        for stage in Stage:
            asked = {"species": species, "stage": stage.name, "known": "guess", "events": []}
            situation, day = situation_of({**asked, "leaves_hard_seen": False}, tables())
            for half in half_days(situation, tables().works[work], situation.states["t1"], day):
                told = [check.verdict for check in half.checks if check.check == "stage"]
                assert "pass" not in told, (species, stage)


# --- where the expected stage comes from ------------------------------------------------------------


def _tree(species: str) -> Tree:
    return Tree(
        "ember", "Ember", species, group_of(species).id, "bench", "shohin",
        Pot(2.0, 20.0, 15.0, 7.0, "oval", "glazed-dark"), Crown(30.0, 30.0), "akadama",
    )  # fmt: skip


def _until(warmth: Warmth, day: date) -> Warmth:
    row = warmth.index(day)
    assert row is not None
    columns = ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days")
    return Warmth(warmth.days[: row + 1], *(getattr(warmth, name)[: row + 1] for name in columns))


def _state(species: str, day: date, lines: list[tuple[date, str]], *, forecast_d: int = 11) -> TreeState:
    garden, warmth = station_place("laguardia")
    entries = [
        JournalEntry(datetime.combine(when, time(12), garden.zone), "ember", entry, None, "", "", n + 2, n)
        for n, (when, entry) in enumerate(lines)
    ]
    return fold_state(
        _tree(species), group_of(species), entries, _until(warmth, day + timedelta(days=forecast_d)), garden,
        tables(), datetime.combine(day, time(7), garden.zone),
    )  # fmt: skip


def _leaf_out() -> date:
    garden, warmth = station_place("laguardia")
    model = StageModel(group_of("acer-palmatum"), garden, warmth, tables().phenology)
    return first_day(model, Stage.LEAVES_UNFOLDING, date(2013, 1, 1))


@pytest.mark.parametrize("lead", [1, 4, 9])
def test_leaf_out_of_the_coming_days_is_expected_on_its_day(lead: int) -> None:
    opens = _leaf_out()
    state = _state("acer-palmatum", opens - timedelta(days=lead), [])
    expected = [first for first, known in state.stages_ahead if known.stage is Stage.LEAVES_UNFOLDING]
    assert expected == [opens]
    assert state.on(opens).stage.stage is Stage.LEAVES_UNFOLDING
    assert state.on(opens).stage.certainty == "guess"
    assert state.on(opens - timedelta(days=1)).stage.stage.order < Stage.LEAVES_UNFOLDING.order


def test_state_of_today_is_left_alone() -> None:
    opens = _leaf_out()
    state = _state("acer-palmatum", opens - timedelta(days=4), [])
    assert state.stage.certainty == "estimated"
    assert state.on(state.at_utc.date()) is state


def test_nothing_is_expected_beyond_the_known_days() -> None:
    assert _state("acer-palmatum", _leaf_out() - timedelta(days=8), [], forecast_d=0).stages_ahead == ()


def test_nothing_is_expected_of_a_bare_tree_or_one_without_rest() -> None:
    """The year stands still while a stripped tree leafs again; a fig has no stages to come."""
    stripped = [(date(2013, 6, 10), "leaves-hard"), (date(2013, 10, 8), "defoliated")]
    assert _state("acer-palmatum", date(2013, 10, 12), stripped).stages_ahead == ()
    assert _state("ficus", date(2013, 4, 10), []).stages_ahead == ()


def test_sighting_moves_what_is_expected() -> None:
    """Buds seen late: leaves are expected later than the model alone had them."""
    opens = _leaf_out()
    day = opens - timedelta(days=5)
    alone = _state("acer-palmatum", day, [])
    late = _state("acer-palmatum", day, [(day - timedelta(days=1), "buds-swelling")])

    def first(state: TreeState) -> date:
        return next((one for one, known in state.stages_ahead if known.stage.in_leaf), date.max)

    assert first(late) > first(alone)
