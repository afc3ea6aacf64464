"""Which heat mails go over mornings on end, with forecasts that err: once a spell, across restarts.

Expected answers: ``heat_stories.toml``, written from the stated rule. The weather is invented, by the day.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from advice.rule_builders import ZONE, build

from advisor.advice.model import Situation
from advisor.advice.registry import advise
from advisor.service.compose import Envelope
from advisor.service.evaluate import Evaluation, events_of
from advisor.service.queue import queue_alerts
from advisor.store.database import Store

STORIES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "heat_stories.toml").read_text(encoding="utf-8")
)["story"]
FIRST = datetime(2026, 7, 10, 6, tzinfo=ZONE)
ENVELOPE = Envelope(b"key", "advisor@example.org", ("grower@example.org",), attached=False)
QUIET = (time(22), time(6))
NEEDS = {
    "ember": {"leaf_limit_c": 40.0, "vpd_limit_kpa": 2.8},
    "alder": {"leaf_limit_c": 46.0, "vpd_limit_kpa": 4.0},
}


def day_of(high_c: float) -> dict[str, float]:
    """A sunny day: the air is the drier the hotter it is, the leaf 6 K above it."""
    return {
        "air_max_c": high_c,
        "air_min_c": high_c - 14.0,
        "vpd_max_kpa": 1.4 + 0.24 * (high_c - 27.0),
        "leaf_over_air_k": 6.0,
    }


def morning_of(story: dict[str, Any], number: int) -> Situation:
    """The situation of one morning: days past as they were, days ahead as that morning foresees them."""
    rows = [[float(high) for high in line.split()] for line in story["mornings"]]
    was = {day - number: row[0] for day, row in enumerate(rows[:number])}
    ahead = dict(enumerate(rows[number]))
    weather: list[dict[str, Any]] = [{"from": -16, "to": 9, **day_of(27.0)}]
    weather += [{"from": day, "to": day, **day_of(high)} for day, high in {**was, **ahead}.items()]
    trees = [{"id": tree, "needs": NEEDS[tree]} for tree in story.get("trees", ["ember"])]
    return build(
        {"now": (FIRST + timedelta(days=number)).replace(tzinfo=None), "trees": trees, "weather": weather}
    )


@dataclass(frozen=True)
class Told:
    """What one morning did: keys of the mails queued, and the evaluation."""

    queued: tuple[str, ...]
    evaluation: Evaluation


def told(story: dict[str, Any], state: Path, times: int = 1) -> Iterator[Told]:
    """Go through the mornings; the store is closed and opened for each pass, as by a restart."""
    for number in range(len(story["mornings"])):
        situation = morning_of(story, number)
        events, failed = events_of(situation)
        assert failed == ()
        heat = tuple(event for event in events if event.hazard == "heat")
        evaluation = Evaluation(situation, advise(situation).advice, heat, ())
        queued: list[str] = []
        for _ in range(times):
            with Store.open(state, situation.now_utc, "given") as store:
                queued += queue_alerts(store, evaluation, ENVELOPE, situation.now_utc, QUIET, ())
        yield Told(tuple(queued), evaluation)


def mails_of(passes: Sequence[Told]) -> tuple[list[int], list[int]]:
    """Mornings with a mail, and those of them with an update."""
    sent = [number for number, one in enumerate(passes) if one.queued]
    updates = [
        number for number, one in enumerate(passes) if any(not key.endswith("/0") for key in one.queued)
    ]
    return sent, updates


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story["id"])
def test_story_mails_go_on_the_mornings_that_the_rule_says(story: dict[str, Any], tmp_path: Path) -> None:
    passes = list(told(story, tmp_path))
    assert mails_of(passes) == (story["mails"], story.get("updates", [])), story["rule"]


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story["id"])
def test_story_three_passes_a_morning_send_no_more_than_one(story: dict[str, Any], tmp_path: Path) -> None:
    passes = list(told(story, tmp_path, times=3))
    assert all(len(one.queued) <= 1 for one in passes)
    assert mails_of(passes)[0] == story["mails"]
