"""Pots of trees that are taken as moved go on from where they stood, and end as if run from the beginning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import ZONE, holdings, tables, weather
from advice.test_told_moves import told_of

from advisor.advice import settled
from advisor.advice.model import Situation
from advisor.advice.settled import as_told
from advisor.exposure.compute import compute_exposure
from advisor.service.evaluate import AlertSettings, evaluate

CASE: dict[str, Any] = {
    "now": datetime(2026, 7, 11, 6, tzinfo=ZONE),
    "places": ["bench", "shed", "net"],
    "trees": [
        {"id": tree, "species": "acer-palmatum", "volume_l": volume_l}
        for tree, volume_l in (
            ("sorrel", 1.5),
            ("tansy", 2.2),
            ("larkin", 3.2),
            ("quarry", 5.0),
            ("heron", 8.0),
        )
    ],
    "told": [
        {"tree": "sorrel", "from": "bench", "to": "shed", "kind": "shade", "before_d": 5},
        {"tree": "tansy", "from": "bench", "to": "shed", "kind": "shade", "before_d": 4},
        {"tree": "larkin", "from": "bench", "to": "shed", "kind": "shade", "before_d": 3},
        {"tree": "quarry", "from": "bench", "to": "net", "kind": "shade", "before_d": 2},
        {"tree": "heron", "from": "bench", "to": "shed", "kind": "shade", "before_d": 1},
    ],
}
HOT = [{"from": -16, "to": 8, "high_c": 33.0, "low_c": 19.0, "dew_c": 8.0}]


def told_places(told: list[dict[str, Any]], now: datetime, tray_l: Mapping[str, float]) -> Situation:
    garden = holdings({**CASE, "now": now})
    places = {name: replace(place, tray_l=tray_l.get(name, 0.0)) for name, place in garden.places.items()}
    found = evaluate(
        replace(garden, places=places),
        tables(),
        weather(HOT, now),
        now.astimezone(UTC),
        AlertSettings(),
        told_moves=told_of({"now": now, "told": told}),
    )
    after = as_told(found.situation)
    assert after is not None
    return after


@pytest.mark.parametrize(
    ("later_h", "tray_l"),
    [(0, {}), (8, {}), (13, {}), (8, {"bench": 0.6}), (8, {"bench": 0.6, "shed": 0.2}), (8, {"shed": 0.6})],
)
def test_water_of_a_moved_tree_hangs_neither_on_where_its_run_begins_nor_on_its_company(
    later_h: int, tray_l: Mapping[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Definition. What is taken as given at a watering time looks ahead to the next, past the move.

    A tray that a tree leaves behind never was water it could use (as in ``pot_water``).
    """
    now = CASE["now"] + timedelta(hours=later_h)
    together = told_places(CASE["told"], now, tray_l).exposure
    monkeypatch.setattr(settled, "_before", lambda *_: None)
    whole = told_places(CASE["told"], now, tray_l).exposure
    monkeypatch.undo()
    assert together is not None
    assert whole is not None
    np.testing.assert_allclose(together.water_left_share, whole.water_left_share, atol=1e-9)
    np.testing.assert_allclose(together.waterings_l, whole.waterings_l, atol=1e-9)
    for move in CASE["told"]:
        alone = told_places([move], now, tray_l).exposure
        assert alone is not None
        row = alone.row(move["tree"])
        np.testing.assert_allclose(
            together.water_left_share[row], alone.water_left_share[row], atol=1e-9, err_msg=move["tree"]
        )


@pytest.mark.parametrize(("tray_l", "goes_on"), [({}, True), ({"bench": 0.6}, False)])
def test_the_run_begins_near_the_move_unless_a_tray_is_left_behind(
    tray_l: Mapping[str, float], goes_on: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Definition: what the exposure knows of the days before is not worked out again."""
    begun: list[np.datetime64 | None] = []

    def spied(holdings: Any, states: Any, table: Any, *rest: Any, **options: Any) -> Any:
        before = options["before"]
        begun.append(None if before is None else table.start_utc[before.row])
        return compute_exposure(holdings, states, table, *rest, **options)

    monkeypatch.setattr(settled, "compute_exposure", spied)
    told_places(CASE["told"][-1:], CASE["now"], tray_l)
    assert begun
    if goes_on:
        moved = CASE["now"].astimezone(UTC).replace(tzinfo=None) - timedelta(days=1)
        assert all(at is not None for at in begun)
        assert all(np.datetime64(moved, "s") - at <= np.timedelta64(2, "D") for at in begun)
    else:
        assert begun == [None] * len(begun)
