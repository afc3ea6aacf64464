"""The plan as text and as JSON: the same sessions in both, narrow enough for a phone, nothing left unsaid."""

from __future__ import annotations

import json
from typing import Any

import pytest
from advice.plan_builders import garden_of

from advisor.advice.model import Situation
from advisor.advice.plan import plan
from advisor.advice.plan_model import Plan
from advisor.message.json_out import dump
from advisor.message.parts import work
from advisor.message.plan_object import plan_object
from advisor.message.plan_text import plan_text
from advisor.message.view import DigestInput

GARDENS: dict[str, dict[str, Any]] = {
    "full-days": {
        "works_per_day": 1,
        "rain_days": [1, 2, 3, 4, 5, 6, 7, 8, 9],
        "tree": [
            {"id": "wren", "species": "acer-palmatum"},
            {"id": "hen", "species": "acer-palmatum"},
            {"id": "owl", "species": "fagus"},
        ],
    },
    "closing-in-wind": {
        "frost": "2026-09-22",
        "weather": {"wind": 9, "gust": 14},
        "tree": [{"id": "wren", "species": "acer-palmatum"}],
    },
    "tomorrow": {"rain_days": [0], "tree": [{"id": "wren", "species": "acer-palmatum"}]},
    "layer-first": {
        "tell": {"start-layer": ["LEAVES_HARD"]},
        "tree": [{"id": "wren", "species": "acer-palmatum"}],
    },
    "resting": {"tree": [{"id": "wren", "species": "acer-palmatum", "stage": "DORMANT", "events": []}]},
    "no-weather": {"no_weather": True, "tree": [{"id": "wren", "species": "acer-palmatum"}]},
    "empty": {"tree": []},
}


def planned(name: str) -> tuple[Situation, Plan]:
    situation = garden_of(GARDENS[name])
    return situation, plan(situation)


def words(text: str) -> str:
    """The text as one line: where it is broken does not matter."""
    return " ".join(text.split())


@pytest.mark.parametrize("name", GARDENS)
def test_plan_text_fits_and_names_every_tree(name: str) -> None:
    situation, found = planned(name)
    text = plan_text(situation, found)
    assert max(map(len, text.splitlines())) <= 78
    assert all(sign.isprintable() or sign == "\n" for sign in text)
    for tree in situation.holdings.trees:
        assert tree.name in text, "silence is explained"


@pytest.mark.parametrize("name", GARDENS)
def test_plan_text_and_json_say_the_same(name: str) -> None:
    situation, found = planned(name)
    text = words(plan_text(situation, found))
    given = json.loads(dump(plan_object(situation, found)))
    assert given["schema"] == "plan/1"
    assert [day["day"] for day in given["days"]] == [day.isoformat() for day in found.days]
    assert len(given["days"]) == 10
    entries = [entry for day in given["days"] for entry in day["entries"]]
    for entry in [*entries, *given["also_ready"]]:
        assert entry["verdict"] in {"suits", "suits-with-care"}
        assert entry["reasons"]
        assert entry["from"] < entry["until"]
        assert set(entry["order"]) == {entry["work"], *entry["with"]}
        for kind in (entry["work"], *entry["with"]):
            assert situation.tables.works[kind].name.casefold() in text.casefold()
    for day in given["days"]:
        assert all(entry["day"] == day["day"] for entry in day["entries"])
        for ready in day["prepare"]:
            assert ready["for_day"] >= day["day"]
            for do in ready["do"]:
                assert words(do) in text
    prepared = [ready["tree"] for day in given["days"] for ready in day["prepare"]]
    assert sorted(prepared) == sorted(tree for entry in entries for tree in entry["trees"])
    for one in given["closing"]:
        assert one["hindered_by"] in text
        assert one["last_sensible_why"] in text
    for one in given["resting"]:
        assert one["why"] in text
    for caution in given["cautions"]:
        assert words(caution["text"]) in text
    named = {kind for entry in entries for kind in (entry["work"], *entry["with"])}
    wanted = {caution for kind in named for caution in situation.tables.works[kind].cautions}
    assert {caution["caution"] for caution in given["cautions"]} >= wanted, "no work without its cautions"


def test_plan_text_prepares_the_day_before_and_today_at_once() -> None:
    situation, found = planned("tomorrow")
    text = words(plan_text(situation, found))
    assert "Prepare for Sun 21 Jun, full stripping of Wren: Sharpen and disinfect the scissors." in text
    assert text.index("TODAY, SAT 20 JUN") < text.index("Prepare for Sun 21 Jun") < text.index("SUN 21 JUN")
    assert "Prepare now" not in text
    situation, found = planned("full-days")
    assert "Prepare now, full stripping of Wren: Water until it runs through" in words(
        plan_text(situation, found)
    )


def test_plan_text_says_what_is_full_what_closes_and_what_waits() -> None:
    full = words(plan_text(*planned("full-days")))
    assert "ALSO READY, BUT THE DAYS ARE FULL" in full
    assert "Hen; best day Sat 20 Jun" in full or "Wren; best day Sat 20 Jun" in full
    closing = words(plan_text(*planned("closing-in-wind")))
    assert "last sensible day Tue 30 Jun" in closing
    assert "no day suits without a but: mean wind while you work" in closing
    assert "Decide" in closing
    layer = words(plan_text(*planned("layer-first")))
    assert "wiring may go before it" in layer, "a layer is not wired afterwards"
    assert "must then wait: big cuts, full stripping and partial stripping, until that is over" in layer
    assert "No weather is known" in plan_text(*planned("no-weather"))
    assert "Nothing is proposed" in plan_text(*planned("empty"))


@pytest.mark.parametrize(("name", "lines"), [("tomorrow", 1), ("full-days", 0), ("empty", 0)])
def test_digest_prepares_today_for_the_session_of_tomorrow(name: str, lines: int) -> None:
    situation, found = planned(name)
    section = work.build(DigestInput(situation, (), plan=found))
    told = [line.text for line in section.lines if line.id.startswith("prepare:")] if section else []
    assert len(told) == lines
    assert all(text.startswith("Prepare for Sun 21 Jun, full stripping of Wren: ") for text in told)
    assert work.build(DigestInput(situation, ())) is None, "without a plan nothing is said"
