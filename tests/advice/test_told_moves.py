"""The cases of told_moves.toml: moves that a digest told and nobody logged, and trees that stay."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import ZONE, holdings, tables, weather
from advice.test_placing_cases import texts, told_moves, told_nets

from advisor.advice.placing import placing
from advisor.advice.readings import other_readings
from advisor.advice.settled import settled_by_the_hour
from advisor.advice.water import watering_rounds
from advisor.garden.told_moves import ToldMove
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.weather.table import stamp_of

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "told_moves.toml").read_text(encoding="utf-8")
)["case"]


def told_of(case: dict[str, Any]) -> tuple[ToldMove, ...]:
    today = case["now"].date()
    found = []
    for row in case.get("told", []):
        day = today - timedelta(days=row["before_d"])
        at, by = (datetime.combine(day, time(hour), tzinfo=ZONE).astimezone(UTC) for hour in (6, 10))
        found.append(ToldMove(row["tree"], row["from"], row["to"], row["kind"], day, at, by))
    return tuple(found)


def evaluated(case: dict[str, Any]) -> Evaluation:
    now = case["now"].replace(tzinfo=ZONE)
    table = weather(case.get("weather", []), now)
    return evaluate(
        holdings(case), tables(), table, now.astimezone(UTC), AlertSettings(), told_moves=told_of(case)
    )


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_advice_is_right_for_both_places(case: dict[str, Any]) -> None:
    found = evaluated(case)
    assert found.failures == ()
    told = texts(found.advice)
    assert told_moves(found) == case["moves"], told
    assert told_nets(found) == set(case.get("net", [])), told
    if case.get("silent"):
        assert not [piece for piece in found.advice if piece.kind in {"shade", "shelter"}], told
    for word in case.get("words", []):
        assert word in told, told
    for word in case.get("absent", []):
        assert word.casefold() not in told.casefold(), told


def test_water_is_reckoned_where_the_tree_stands_in_each_hour() -> None:
    """Told to go before ten: the use of the bench up to then, and of the net from then on (definition)."""
    case = next(case for case in CASES if case["id"] == "told-yesterday-keeps-its-warning")
    today = evaluated({**case, "told": []}).situation
    by_hour, own = settled_by_the_hour(today).exposure, today.exposure
    assert own is not None
    assert by_hour is not None
    (move,) = placing(today).moves
    assert move.burn is not None
    there = evaluated(
        {**case, "trees": [{**case["trees"][0], "place": "net"}], "told": []}
    ).situation.exposure
    assert there is not None
    row = int((stamp_of(move.burn.by_utc) - own.start_utc[0]) // np.timedelta64(3600, "s"))
    assert own.start_utc[row] > stamp_of(today.now_utc), "in the course of today"
    np.testing.assert_array_equal(by_hour.water_use_l[0, :row], own.water_use_l[0, :row])
    np.testing.assert_array_equal(by_hour.water_use_l[0, row:], there.water_use_l[0, row:])
    assert by_hour.water_use_l[0, row : row + 8].sum() < own.water_use_l[0, row : row + 8].sum()


def test_told_move_counts_for_water_since_the_hour_it_was_told_for() -> None:
    case = next(case for case in CASES if case["id"] == "told-yesterday-keeps-its-warning")
    situation = evaluated(case).situation
    after, own = settled_by_the_hour(situation).exposure, situation.exposure
    assert own is not None
    assert after is not None
    (told,) = told_of(case)
    row = int((stamp_of(told.by_utc) - own.start_utc[0]) // np.timedelta64(3600, "s"))
    np.testing.assert_array_equal(after.water_use_l[0, :row], own.water_use_l[0, :row])
    assert after.water_use_l[0, row : row + 10].sum() < 0.9 * own.water_use_l[0, row : row + 10].sum()


def test_tree_that_stays_in_the_sun_is_watered_when_it_needs_it() -> None:
    """Where the old place wants water before the new one does, that is told, with the place named."""
    asked = 0
    for case in CASES:
        found = evaluated({**case, "trees": [{**row, "volume_l": 0.9} for row in case["trees"]]})
        main = watering_rounds(found.situation)
        for reading in other_readings(found.situation):
            for other in watering_rounds(replace(reading.situation, told_moves={})):
                for tree in other.water:
                    if tree not in reading.trees:
                        continue
                    first = min(
                        (one.at_utc for one in main if tree in {*one.water, *one.check}), default=None
                    )
                    if first is None or other.at_utc < first:
                        asked += 1
                        assert any(
                            piece.id.startswith("water-if-") and tree in piece.trees for piece in found.advice
                        )
    assert asked, "some case must ask"


def test_every_case_names_its_fact_and_its_evidence() -> None:
    for case in CASES:
        assert case["fact"]
        assert case["evidence"] in {"common practice", "published", "estimate", "from memory"}
    assert len({case["id"] for case in CASES}) == len(CASES)
