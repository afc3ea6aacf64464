"""Weather that cannot be or is missing: water, shade, placing and shelter say what they cannot tell."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import CASES as PLACING
from advice.placing_builders import PAST_DAYS, ZONE, holdings, tables, weather
from advice.test_placing_cases import told_moves

from advisor.message.parts.foot import build
from advisor.message.view import DigestInput
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.weather.quality import QualityNumbers, checked

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "bad_weather.toml").read_text(encoding="utf-8")
)["case"]
NOW = datetime(2026, 7, 10, 6, tzinfo=ZONE)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_advice_names_what_it_cannot_tell(case: dict[str, Any]) -> None:
    garden = {
        **PLACING[1],
        "trees": [
            {"id": "tansy", "species": "acer-palmatum"},
            {"id": "quarry", "species": "acer-palmatum-dissectum", "volume_l": 40},
        ],
        "journal": [[10, case["stripped"], "defoliated"]] if "stripped" in case else [],
    }
    days = [{"from": -16, "to": 9, "high_c": case.get("high_c", 31), "low_c": 18, "dew_c": 16}]
    table = weather(days, NOW)
    values = {name: array.copy() for name, array in table.values.items()}
    for name, first, last, from_h, until_h, value in case["spoil"]:
        values.setdefault(name, np.full(table.hours, np.nan))
        for day in range(first, last + 1):
            begin = 24 * (PAST_DAYS + day)
            values[name][begin + from_h : begin + until_h] = float(value)
    table = checked(replace(table, values=values), QualityNumbers.from_numbers(tables().physics))
    found = evaluate(holdings(garden), tables(), table, NOW.astimezone(UTC), AlertSettings())
    assert found.failures == ()
    kinds = {"water", "shade", "shelter"}
    told = "\n".join(f"{piece.do} [{piece.because}]" for piece in found.advice if piece.kind in kinds)
    assert told_moves(found) == case["moves"], told
    for word in case.get("words", []):
        assert word in told, told
    for word in case.get("absent", []):
        assert word not in told, told
    foot = "\n".join(line.text for line in build(DigestInput(found.situation, found.advice, found.events)))
    for word in case.get("foot", []):
        assert word in foot, foot
    for word in case.get("foot_absent", []):
        assert word not in foot, foot
