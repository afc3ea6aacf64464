"""New leaves after stripping over real summers: the range told, and the days on which the digest asks."""

from __future__ import annotations

import tomllib
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from garden.observed_seasons import group_of, station_place, tables

from advisor.garden.model import Crown, JournalEntry, Pot, Tree
from advisor.garden.state import fold_state
from advisor.garden.state_model import Flag, TreeState
from advisor.garden.warmth import Warmth

SUMMERS: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("releafing_summers.toml").read_text(encoding="utf-8")
)["summer"]
_EACH = pytest.mark.parametrize("row", SUMMERS, ids=[row["station"] for row in SUMMERS])
TREE = Tree(
    "ember", "Ember", "acer-palmatum", "acer-palmatum", "bench", "shohin",
    Pot(2.0, 20.0, 15.0, 7.0, "oval", "glazed-dark"), Crown(30.0, 30.0), "akadama",
)  # fmt: skip


def _known(warmth: Warmth, until: date) -> Warmth:
    """What is known on a morning: the past, and a forecast of ten days."""
    row = warmth.index(until + timedelta(days=10))
    assert row is not None
    return Warmth(
        warmth.days[: row + 1],
        *(
            getattr(warmth, name)[: row + 1]
            for name in ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days")
        ),
    )


@lru_cache(maxsize=1024)
def _state(station: str, stripped: date, day_n: int, opened_n: int | None = None) -> TreeState:
    garden, warmth = station_place(station)
    today = stripped + timedelta(days=day_n)

    def line(order: int, day: date, entry: str) -> JournalEntry:
        return JournalEntry(
            datetime.combine(day, time(12), garden.zone), "ember", entry, None, "", "", order + 2, order
        )

    entries = [line(0, stripped - timedelta(days=10), "leaves-hard"), line(1, stripped, "defoliated")]
    if opened_n is not None:
        entries.append(line(2, stripped + timedelta(days=opened_n), "leaves-open"))
    return fold_state(
        TREE, group_of("acer-palmatum"), entries, _known(warmth, today), garden, tables(),
        datetime.combine(today, time(18), garden.zone),
    )  # fmt: skip


def _leafless(row: dict[str, Any], day_n: int) -> Flag | None:
    return _state(row["station"], row["stripped"], day_n).flag("leafless")


def _range_d(row: dict[str, Any], day_n: int = 1) -> tuple[int, int]:
    flag = _leafless(row, day_n)
    assert flag is not None
    early, late = flag.expected_end
    return (early - row["stripped"]).days, (late - row["stripped"]).days


def _asked(row: dict[str, Any], day_n: int) -> date | None:
    """Day on which the question about new leaves last fell due, as asked on day ``day_n``."""
    questions = _state(row["station"], row["stripped"], day_n).questions
    return next((one.due for one in questions if one.id == "leafless"), None)


@_EACH
def test_kind_of_the_summer_is_that_of_the_record(row: dict[str, Any]) -> None:
    _, warmth = station_place(row["station"])
    mean = np.nanmean(warmth.between("mean_c", row["stripped"], row["stripped"] + timedelta(days=29)))
    assert bool(mean >= 18.0) is (row["kind"] == "warm")


@_EACH
def test_new_leaves_are_expected_within_two_to_six_weeks(row: dict[str, Any]) -> None:
    early, late = _range_d(row)
    assert early >= 14
    assert late >= 42
    assert (late <= 42) is row["within"] or row["kind"] == "cool"
    low, high = row["middle_d"]
    assert low <= (early + late) / 2 <= high


@_EACH
def test_degree_days_of_new_leaves_were_met_in_due_time(row: dict[str, Any]) -> None:
    """300 degree days over 5 degC, counted from the record itself."""
    _, warmth = station_place(row["station"])
    sums = np.cumsum(warmth.between("degree_days_5", row["stripped"], row["stripped"] + timedelta(days=90)))
    met = int(np.argmax(sums >= 300.0)) + 1
    low, high = row["warmth_d"]
    assert low <= met <= high
    assert _range_d(row, 3)[0] <= max(met, 14) <= _range_d(row, 3)[1]


def test_cool_summers_take_longer_than_warm_ones() -> None:
    middle = {row["station"]: sum(_range_d(row)) / 2 for row in SUMMERS}
    assert middle["sand-point"] > middle["holstebro"] >= middle["laguardia"]
    early = {row["station"]: _range_d(row)[0] for row in SUMMERS}
    assert early["sand-point"] > early["brussels"] >= early["rome"]


@pytest.mark.parametrize(
    "row", [row for row in SUMMERS if row["steady"]], ids=[row["station"] for row in SUMMERS if row["steady"]]
)
def test_range_told_does_not_jump_from_morning_to_morning(row: dict[str, Any]) -> None:
    """What was told the day after stripping holds: forecasts move it by days, not by weeks."""
    told = [_range_d(row, day_n) for day_n in range(1, 15)]
    assert max(early for early, _ in told) - min(early for early, _ in told) <= 5
    assert max(late for _, late in told) - min(late for _, late in told) <= 8


@_EACH
def test_leaves_open_is_asked_inside_the_range_and_again_at_its_end(row: dict[str, Any]) -> None:
    """Not before leaves can be there; first about three weeks on; again when the range is over."""
    early, _ = _range_d(row, 14)
    assert all(_asked(row, day_n) is None for day_n in range(min(early, 21) - 1))
    first = next(day_n for day_n in range(90) if _asked(row, day_n) is not None)
    early, _ = _range_d(row, first)
    assert max(early, 21) - 1 <= first <= max(early, 21) + 1
    end = _range_d(row, first)[1]
    again = next(
        day_n for day_n in range(first + 1, 120) if _asked(row, day_n) not in {None, _asked(row, first)}
    )
    assert abs(again - end) <= 6
    assert any(_asked(row, again + more) is None for more in range(1, 12))


@_EACH
def test_answer_ends_the_question_and_soft_leaves_begin(row: dict[str, Any]) -> None:
    opened = _range_d(row, 14)[0] + 3
    state = _state(row["station"], row["stripped"], opened + 1, opened)
    assert state.flag("leafless") is None
    assert state.flag("tender-flush") is not None
    assert all(question.id != "leafless" for question in state.questions)


@_EACH
def test_unanswered_tree_is_watered_as_in_leaf_and_sheltered_as_bare(row: dict[str, Any]) -> None:
    """Nobody said anything: at the expected time water as in leaf; sun, wind and frost as bare to the end."""
    _, late = _range_d(row, 14)
    state = _state(row["station"], row["stripped"], late - 1)
    assert state.water_leaf_share >= 0.95
    assert state.flag("leafless") is not None
    assert state.needs.direct_sun_h is not None
    assert state.needs.direct_sun_h.value <= 3.0
    assert _state(row["station"], row["stripped"], 3).water_leaf_share <= 0.15
