"""Many days judged at once get the answers that each of them gets alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import pytest
from advice.placing_builders import ZONE, holdings, tables, weather

from advisor.advice import heat, pot_heat
from advisor.advice.hours import whole_days
from advisor.advice.model import Situation
from advisor.service.evaluate import AlertSettings, evaluate

HOT = [
    {"from": -12, "to": 8, "high_c": 34.0, "low_c": 19.0, "dew_c": 8.0},
    {"from": -3, "to": -2, "high_c": 20.0},
]
"""A heat wave with cool days in it, so that days of harm and others, and limits that count earlier, occur."""


def _situation(day: date, gaps: Sequence[tuple[str, int, int, int]]) -> Situation:
    """Trees in sun and shade; ``gaps`` are (array, tree, first hour, hours) without a value."""
    case: dict[str, Any] = {
        "places": ["bench", "net"],
        "trees": [
            {"id": "sorrel", "species": "acer-palmatum"},
            {"id": "tansy", "species": "acer-palmatum", "place": "net", "volume_l": 0.6},
            {"id": "larkin", "species": "acer-palmatum-dissectum", "volume_l": 12.0},
        ],
    }
    now = datetime.combine(day, time(7), tzinfo=ZONE)
    found = evaluate(
        holdings({**case, "now": now}), tables(), weather(HOT, now), now.astimezone(UTC), AlertSettings()
    ).situation
    assert found.exposure is not None
    arrays = {name: getattr(found.exposure, name).copy() for name, *_ in gaps}
    for name, tree, first, hours in gaps:
        arrays[name][tree, first : first + hours] = np.nan
    return replace(found, exposure=replace(found.exposure, **arrays))


GAPS = (
    ("leaf_temperature_c", 0, 30, 40),
    ("leaf_temperature_c", 1, 200, 3),
    ("vpd_kpa", 2, 250, 30),
    ("bench_temperature_c", 0, 100, 20),
    ("bench_temperature_c", 1, 300, 72),
    ("sun_w_m2", 2, 60, 11),
    ("pot_core_c", 0, 130, 8),
    ("pot_rim_c", 1, 150, 20),
    ("pot_rim_shaded_c", 2, 170, 30),
)


@pytest.mark.parametrize("day", [date(2026, 7, 15), date(2026, 4, 2), date(2026, 11, 1)], ids=str)
@pytest.mark.parametrize("gaps", [(), GAPS], ids=["whole", "gaps"])
def test_many_days_at_once_are_each_day_alone(
    day: date, gaps: Sequence[tuple[str, int, int, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Definition; the spans hold days of 23 and 25 hours, and a day that the table begins within."""
    situation = _situation(day, gaps)
    exposure = situation.exposure
    assert exposure is not None
    days = [day + timedelta(days=number) for number in range(-21, 11)]
    at_once = _answers(situation, days)
    many = whole_days(situation.holdings.garden, exposure.start_utc)
    assert len(many.spans) >= 29
    assert set(many.last - many.first) == {24} | (
        {23} if day.month == 4 else {25} if day.month == 11 else set()
    )
    monkeypatch.setattr(heat, "_day_margins", lambda *_: {})
    monkeypatch.setattr(heat, "_maxima_c", lambda *_: {})
    monkeypatch.setattr(pot_heat, "_past_pots", lambda *_: {})
    alone = _answers(replace(situation), days)
    assert alone.keys() == at_once.keys()
    for asked, answer in alone.items():
        np.testing.assert_array_equal(at_once[asked], answer, err_msg=str(asked))
    if day.month == 7:
        harmed = np.array([alone["past_harm", one] for one in days if one < day])
        assert {0.0, 1.0} <= set(harmed[np.isfinite(harmed)])
        assert np.array([alone["not_used", one] for one in days]).any()
    if gaps:
        assert np.array([alone["by_air", one] for one in days]).any()


def _answers(situation: Situation, days: Sequence[date]) -> dict[tuple[str, date], Any]:
    found: dict[tuple[str, date], Any] = {}
    for day in days:
        judged = heat.heat_day(situation, day)
        found["past_harm", day] = heat.past_harm(situation, day)
        found["past_pots", day] = pot_heat.past_pots(situation, day)
        found["margin", day], found["danger", day] = heat.day_danger(situation, day)
        found["daily_maximum", day] = heat.daily_maximum_c(situation, [day])
        for name in ("margin_k", "chance", "danger", "leaf_max_c", "by_air", "not_used", "starts_utc"):
            found[name, day] = np.array(getattr(judged, name))
    return found
