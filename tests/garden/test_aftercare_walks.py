"""The days after each kind of work, folded one by one; what they ask for was written from the trade."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from garden.state_helpers import folded

from advisor.garden.state_model import TreeState
from advisor.store.config_files import load_tables

WALKS: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("aftercare_walks.toml").read_text(encoding="utf-8")
)["walk"]
KNOWN = {"days", "flags", "no_flags", "needs", "no_needs", "feed", "asked", "not_asked"}
LENGTH = 120


def _wrong(state: TreeState, span: dict[str, Any]) -> list[str]:
    """Everything in which a day is not as written."""
    running = {flag.id for flag in state.flags}
    asked = {question.id for question in state.questions}
    wrong = []
    flags = set(span.get("flags", []))
    if flags == {"none"}:
        wrong += [f"{flag} runs" for flag in running]
    else:
        wrong += [f"{flag} does not run, {sorted(running)} do" for flag in flags - running]
    wrong += [f"{flag} runs" for flag in set(span.get("no_flags", [])) & running]
    for name, value in span.get("needs", {}).items():
        need = getattr(state.needs, name)
        if need is None or need.value != pytest.approx(value):
            wrong.append(f"{name} is {need}, not {value}")
    wrong += [
        f"{name} is {getattr(state.needs, name)}"
        for name in span.get("no_needs", [])
        if getattr(state.needs, name) is not None
    ]
    if "feed" in span and (state.needs.no_feed_until is None) is not span["feed"]:
        wrong.append(f"feed: {state.needs.no_feed_until}")
    wrong += [f"{name} is not asked" for name in set(span.get("asked", [])) - asked]
    wrong += [f"{name} is asked" for name in set(span.get("not_asked", [])) & asked]
    return wrong


@pytest.mark.parametrize("walk", WALKS, ids=[walk["id"] for walk in WALKS])
def test_days_after_the_work_are_as_the_trade_says(walk: dict[str, Any]) -> None:
    begins = date.fromisoformat(walk["begins"])

    @cache
    def on(day_n: int) -> TreeState:
        return folded(
            walk["journal"],
            f"{begins + timedelta(days=day_n - 1)}T18:00",
            warmth=walk["warmth"],
            species=walk.get("species", "maple"),
            tree_id=walk.get("tree", "ember"),
            practice=walk.get("practice"),
        )

    wrong = []
    for span in walk["span"]:
        assert not set(span) - KNOWN, "an expectation nobody checks"
        first, last = span["days"]
        assert 1 <= first <= last <= LENGTH
        for day_n in range(first, last + 1):
            wrong += [f"day {day_n}: {one}" for one in _wrong(on(day_n), span)]
    assert not wrong, "\n".join(wrong[:40])


def test_every_kind_of_work_is_walked_to_its_end() -> None:
    assert {walk["work"] for walk in WALKS} == set(load_tables().works)
    for walk in WALKS:
        assert walk["rule"]
        assert walk["evidence"]
        assert max(span["days"][1] for span in walk["span"]) >= 45
