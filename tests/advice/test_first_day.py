"""The cases of first_day.toml: mail, digest and ``suits`` agree on a today whose morning is unknown."""

from __future__ import annotations

import tomllib
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import pytest
from advice.placing_builders import ZONE, holdings, tables, weather

from advisor.advice.checks_hazard import HeatRecord, heat_runs_of, stopped_by
from advisor.advice.work import judge
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.weather.table import stamp_of

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "first_day.toml").read_text(encoding="utf-8")
)["case"]


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_every_answer_has_the_same_today(case: dict[str, Any]) -> None:
    now = case["now"].replace(tzinfo=ZONE)
    days = [{"from": -16, "to": -1, "high_c": 25, "low_c": 16, "dew_c": 14}]
    days += [{"from": 0, "to": 9, "high_c": case["high_c"], "low_c": 21, "dew_c": 15}]
    table = weather(days, now)
    first = int((table.start_utc < stamp_of(now + timedelta(hours=case["known_from_h"]))).sum())
    garden = holdings(
        {
            "now": case["now"],
            "places": ["bench", "net"],
            "trees": [{"id": "sorrel", "species": "acer-palmatum-dissectum"}],
        }
    )
    found = evaluate(
        garden, tables(), table.between(first, table.start_utc.size), now.astimezone(UTC), AlertSettings()
    )
    assert found.failures == ()
    (event,) = [event for event in found.events if event.hazard == "heat"]
    assert (event.first_day - now.date()).days == case["begins_d"]
    sent = {
        tree
        for piece in found.advice
        if piece.id.startswith(("shade-move", "shade-net"))
        for tree in piece.trees
    }
    assert sent == set(case["sent"])
    stopped = stopped_by(found.situation, tables().works["bend"], "sorrel", now.date())
    assert (stopped is not None) is case["stopped"]
    runs = heat_runs_of(found.situation, "sorrel").runs
    assert (runs[0].first - now.date()).days == case["begins_d"]


def test_a_few_hours_of_tomorrow_are_no_day_and_say_nothing_of_heat() -> None:
    """Definition: no whole day is known, whether a tree came to its place or always stood there."""
    now = CASES[0]["now"].replace(tzinfo=ZONE)
    table = weather([{"from": 0, "to": 2, "high_c": 38, "low_c": 21, "dew_c": 10}], now)
    first = table.index_at(now.astimezone(UTC) + timedelta(hours=30))
    garden = holdings(
        {
            "now": now,
            "places": ["bench", "net"],
            "trees": [{"id": one, "species": "acer-palmatum"} for one in ("sorrel", "tansy")],
            "journal": [[3, "sorrel", "moved", "net"]],
        }
    )
    found = evaluate(
        garden, tables(), table.between(first, first + 6), now.astimezone(UTC), AlertSettings()
    ).situation
    assert found.states["sorrel"].place_since is not None
    for tree in found.states:
        assert heat_runs_of(found, tree) == HeatRecord((), frozenset())
        assert judge(found, "big-cut", tree, found.day).checks
