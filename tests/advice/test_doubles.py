"""What doubles meet is worked out once, and is what each would have met alone."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, time
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import ZONE, holdings, tables, weather

from advisor.advice import placing_elsewhere
from advisor.advice.model import Situation
from advisor.advice.placing_elsewhere import Stand, doubles_of, elsewhere
from advisor.exposure.model import HOURLY, Exposure
from advisor.service.evaluate import AlertSettings, evaluate

CASE: dict[str, Any] = {
    "now": datetime(2026, 7, 11, 6, tzinfo=ZONE),
    "places": ["bench", "net", "wall"],
    "trees": [
        {"id": "sorrel", "species": "acer-palmatum", "volume_l": 0.6},
        {"id": "tansy", "species": "acer-palmatum-dissectum", "volume_l": 12.0},
    ],
    "journal": [[1, "sorrel", "watered"], [2, "tansy", "watered"]],
}
HOT = [{"from": -3, "to": 8, "high_c": 35.0, "low_c": 19.0, "dew_c": 8.0}]
STANDS = [
    Stand(tree, place, net) for tree in ("sorrel", "tansy") for place in CASE["places"] for net in (0.0, 0.5)
]


@pytest.fixture(scope="module")
def situation() -> Situation:
    now = CASE["now"]
    found = evaluate(holdings(CASE), tables(), weather(HOT, now), now.astimezone(UTC), AlertSettings())
    return replace(found.situation)


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of doubles that were worked out together."""
    real, counts = placing_elsewhere.compute_exposure, []

    def counting(garden: Any, states: Any, *args: Any, **more: Any) -> Exposure:
        counts.append(len(states))
        return real(garden, states, *args, **more)

    monkeypatch.setattr(placing_elsewhere, "compute_exposure", counting)
    return counts


def _same(one: Situation, other: Situation, *, but_last_day: bool = False) -> None:
    """All fields are the same; of water and pots, ``but_last_day``, up to a day before the end."""
    assert one.exposure is not None
    assert other.exposure is not None
    assert dict(one.states) == dict(other.states)
    hours = -24 if but_last_day else None
    slots = int((one.exposure.slot_utc < one.exposure.start_utc[-24]).sum()) if but_last_day else None
    for each in fields(Exposure):
        if each.name == "dry_known_share" and but_last_day:
            continue
        found, alone = getattr(one.exposure, each.name), getattr(other.exposure, each.name)
        if each.name in (*HOURLY, "pot_rim_shaded_c"):
            found, alone = found[:, :hours], alone[:, :hours]
        elif each.name == "waterings_l":
            found, alone = found[:, :slots], alone[:, :slots]
        np.testing.assert_array_equal(found, alone, err_msg=each.name)


def test_asked_again_for_some_and_for_fewer_days_it_is_what_it_is_alone(
    situation: Situation, worked_out: list[int]
) -> None:
    one = replace(situation)
    elsewhere(one, STANDS[:7], 6.0)
    assert worked_out == [7]
    for stands, ahead_d, new in (
        (STANDS[2:5], 6.0, []),
        (STANDS[::-1], 3.0, [5]),
        (STANDS, 6.0, []),
        (STANDS[1:4], 7.0, [3]),
        (STANDS, 4.0, []),
    ):
        worked_out.clear()
        shared = elsewhere(one, stands, ahead_d)
        assert worked_out == new
        _same(shared, elsewhere(replace(situation), stands, ahead_d), but_last_day=True)


def test_what_moving_trees_makes_of_a_situation_shares_them(
    situation: Situation, worked_out: list[int]
) -> None:
    """A double stands where it is put, wherever the tree stands itself."""
    one = replace(situation)
    elsewhere(one, STANDS, 3.0)
    moved = {tree: replace(state, place_id="net") for tree, state in one.states.items()}
    after = replace(one, states=moved, doubles=doubles_of(one))
    worked_out.clear()
    shared = elsewhere(after, STANDS, 3.0)
    assert worked_out == []
    _same(shared, elsewhere(replace(after, doubles=None), STANDS, 3.0))


@pytest.mark.parametrize("what", ["state", "weather", "journal", "thirst", "now"])
def test_nothing_is_shared_that_rests_on_something_else(
    situation: Situation, worked_out: list[int], what: str
) -> None:
    one = replace(situation)
    first = elsewhere(one, STANDS, 3.0)
    assert one.weather is not None
    assert one.exposure is not None
    other = replace(one, doubles=doubles_of(one))
    if what == "state":
        bare = replace(one.states["tansy"], sun_leaf_share=0.0, water_leaf_share=0.0)
        other = replace(other, states={**one.states, "tansy": bare})
    elif what == "weather":
        warmer = {**one.weather.values, "air_temperature_c": one.weather.values["air_temperature_c"] + 2.0}
        other = replace(other, weather=replace(one.weather, values=warmer))
    elif what == "journal":
        other = replace(other, holdings=replace(one.holdings, journal=()))
    elif what == "thirst":
        other = replace(other, exposure=replace(one.exposure, thirst={}))
    else:
        other = replace(other, now_utc=datetime.combine(one.day, time(15), tzinfo=ZONE).astimezone(UTC))
    worked_out.clear()
    found = elsewhere(other, STANDS, 3.0)
    assert worked_out == [6 if what == "state" else 12]
    _same(found, elsewhere(replace(other, doubles=None), STANDS, 3.0))
    if what in {"state", "weather"}:
        assert found.exposure is not None
        assert first.exposure is not None
        assert not np.array_equal(found.exposure.water_use_l, first.exposure.water_use_l)
