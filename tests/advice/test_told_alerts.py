"""The cases of told_alerts.toml: warnings for both places while nobody logged a told move."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import ZONE, holdings, tables, weather
from advice.test_told_moves import told_of

from advisor.advice import alerts
from advisor.advice.alert_heat import hot_days
from advisor.advice.alert_told import in_either_place
from advisor.advice.heat import heat_day, past_harm
from advisor.advice.model import AlertEvent, Situation
from advisor.advice.settled import as_told, earlier_tellings
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.weather.table import stamp_of

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "told_alerts.toml").read_text(encoding="utf-8")
)["case"]


def evaluated(case: dict[str, Any]) -> Evaluation:
    now = case["now"].replace(tzinfo=ZONE)
    table = weather(case.get("weather", []), now)
    if "hail_from_h" in case:
        begin, end = (stamp_of(now + timedelta(hours=hours)) for hours in case["hail_from_h"])
        code = np.where((table.start_utc >= begin) & (table.start_utc < end), 96.0, 0.0)
        origin = replace(table.provenance, model_names_hail=True)
        table = replace(table, values={**table.values, "weather_code": code}, provenance=origin)
    garden = holdings(case)
    if times := case.get("watering_times"):
        own = replace(garden.garden, watering_times=tuple(time.fromisoformat(one) for one in times))
        garden = replace(garden, garden=own)
    return evaluate(garden, tables(), table, now.astimezone(UTC), AlertSettings(), told_moves=told_of(case))


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_danger_in_either_place_is_warned_of(case: dict[str, Any]) -> None:
    found = evaluated(case)
    assert found.failures == ()
    events = [event for event in found.events if event.hazard == case["hazard"]]
    assert [set(event.trees) for event in events] == ([set(case["named"])] if case["named"] else [])
    if not events:
        return
    (event,) = events
    said = "\n".join([event.headline, *(piece.do for piece in event.advice)])
    assert set(event.spared) == set(case.get("spared", event.spared))
    assert not set(event.spared) & set(event.trees)
    for word in case.get("words", []):
        assert word in said, said
    for word in case.get("absent", []):
        assert word not in said, said


def test_a_told_spell_of_heat_lasts_while_it_is_hot_in_either_place() -> None:
    """Else the mail would go again each few days (definition of a spell: the quiet days between)."""
    case = next(case for case in CASES if case["id"] == "told-into-the-light-and-then-heat")
    situation = evaluated(case).situation
    own = hot_days(replace(situation, told_moves={}), situation.day)
    both = hot_days(situation, situation.day)
    assert own == ()
    assert both
    assert situation.day in both


def test_fault_in_the_other_place_leaves_the_warning_of_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """What cannot be worked out for one place is said, and takes no warning away (principle of the house)."""
    case = next(case for case in CASES if case["id"] == "told-out-of-the-sun-and-not-logged")
    real = alerts.ALERTS["heat"]

    def fails_elsewhere(situation: Situation, *, steps: bool = True) -> object:
        if situation.states["sorrel"].place_id == "net":
            raise ValueError("on purpose")
        return real(situation, steps=steps)

    monkeypatch.setitem(alerts.ALERTS, "heat", fails_elsewhere)
    found = evaluated(case)
    assert [event.hazard for event in found.events] == ["heat"]
    assert any("heat" in line and "on purpose" in line for line in found.failures)


def test_days_taken_over_from_the_journal_s_places_are_those_worked_out_for_the_told_ones() -> None:
    """Definition: a tree that stays meets what it met, one that moved is judged where it was told to go."""
    differ, stayed = 0, 0
    for case in CASES:
        situation = evaluated(case).situation
        for telling in (situation, *earlier_tellings(situation)):
            told = as_told(telling)
            if told is None or told.exposure is None:
                continue
            assert "_take_over" in told.worked_out, case["id"]
            alone = replace(told)
            for number in range(-15, 8):
                day = situation.day + timedelta(days=number)
                for name in ("margin_k", "chance", "danger", "not_used", "by_air"):
                    shared, own = (getattr(heat_day(one, day), name) for one in (told, alone))
                    np.testing.assert_array_equal(shared, own, err_msg=f"{case['id']} {day} {name}")
                np.testing.assert_array_equal(past_harm(told, day), past_harm(alone, day))
                differ += not np.array_equal(
                    heat_day(told, day).margin_k, heat_day(situation, day).margin_k, equal_nan=True
                )
            stayed += len(told.exposure.tree_ids) > len(telling.told_moves)
    assert differ
    assert stayed


def test_which_steps_have_an_if_does_not_hang_on_their_words() -> None:
    """Definition: what is done wherever the tree stands has none, what its place asks for has one."""
    case = next(case for case in CASES if case["id"] == "told-into-the-light-and-then-heat")
    situation = evaluated(case).situation

    def worded(one: Situation, *, steps: bool = True) -> AlertEvent | None:
        event = alerts.ALERTS["heat"](one, steps=steps)
        if event is None:
            return None
        pieces = (
            replace(piece, do=f"Do {piece.id}" if "net" in piece.id else f"Do {piece.id}: so", must=False)
            for piece in event.advice
        )
        return replace(event, advice=tuple(pieces))

    def failed(error: Exception) -> None:
        raise error

    event = in_either_place(situation, worded, failed)
    assert event is not None
    given = {piece.do.split()[1] for piece in event.advice if "if moved to South bench" in piece.do}
    assert given == {"alert-heat-net-sorrel"}
    assert {piece.id for piece in event.advice} == {
        "alert-if-heat-net-sorrel",
        "alert-heat-water-sorrel",
        "alert-heat-stop-sorrel",
        "alert-heat-after-sorrel",
    }


def test_every_case_names_its_fact() -> None:
    assert all(case["fact"] for case in CASES)
    assert len({case["id"] for case in CASES}) == len(CASES)
