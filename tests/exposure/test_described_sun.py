"""Places described by hours of sun: on the 21st of that month the sun comes and goes as it was told."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from pvlib import solarposition

from advisor.exposure.places import horizon_elevation_deg, horizon_of
from advisor.garden.model import Place, SunHours

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "described_sun.toml").read_text(encoding="utf-8")
)["case"]
MONTHS = ["january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
          "november", "december"]  # fmt: skip
YEARS = (2024, 2026, 2031)
"""Other years than the one the horizon is made from."""
QUARTER_H = 0.25


def place_of(case: dict[str, Any]) -> Place:
    first, last = (time.fromisoformat(clock) for clock in case["sun"])
    hours = SunHours(
        first, last, MONTHS.index(case["sun_in"]) + 1, case["latitude"], case["longitude"], 300.0,
        case["timezone"],
    )  # fmt: skip
    return Place("here", "Here", sun_hours=hours)


def sunny(case: dict[str, Any], day: date) -> tuple[pd.DatetimeIndex, np.ndarray, np.ndarray]:
    """Minutes of a local day, whether the sun is up, and whether it clears the horizon, by pvlib."""
    zone = ZoneInfo(case["timezone"])
    midnight = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).astimezone(UTC)
    minutes = pd.date_range(midnight, end, freq="1min", inclusive="left")
    found = solarposition.spa_python(minutes, case["latitude"], case["longitude"])
    elevation = found["apparent_elevation"].to_numpy()
    hidden = horizon_elevation_deg(horizon_of(place_of(case)), found["azimuth"].to_numpy())
    return minutes.tz_convert(zone), elevation > 0.0, elevation > np.maximum(hidden, 0.0)


@pytest.mark.parametrize("year", YEARS)
@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_sun_on_the_21st_comes_and_goes_as_told(case: dict[str, Any], year: int) -> None:
    month = MONTHS.index(case["sun_in"]) + 1
    minutes, up, lit = sunny(case, date(year, month, 21))
    clock = np.asarray(minutes.hour) + np.asarray(minutes.minute) / 60.0
    first, last = (at.hour + at.minute / 60.0 for at in map(time.fromisoformat, case["sun"]))
    wanted = up & (clock >= first) & (clock < last)
    assert wanted.any()
    assert abs(clock[lit].min() - clock[wanted].min()) <= QUARTER_H
    assert abs(clock[lit].max() - clock[wanted].max()) <= QUARTER_H
    assert abs(lit.sum() - wanted.sum()) / 60.0 <= QUARTER_H, "nothing hides it in between"


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_sun_over_the_month_is_that_told_on_the_mean(case: dict[str, Any]) -> None:
    month = MONTHS.index(case["sun_in"]) + 1
    first, last = (at.hour + at.minute / 60.0 for at in map(time.fromisoformat, case["sun"]))
    has, wanted = [], []
    for day in (1, 6, 11, 16, 21, 26):
        minutes, up, lit = sunny(case, date(2026, month, day))
        clock = np.asarray(minutes.hour) + np.asarray(minutes.minute) / 60.0
        has.append(lit.sum() / 60.0)
        wanted.append((up & (clock >= first) & (clock < last)).sum() / 60.0)
    assert abs(np.mean(has) - np.mean(wanted)) <= 2 * QUARTER_H


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_sun_of_other_months_is_plausible(case: dict[str, Any]) -> None:
    for other in case["other"]:
        _, up, lit = sunny(case, date(2026, other["month"], 21))
        hours = lit.sum() / 60.0
        assert other["least"] <= hours <= other["most"], (other, hours, up.sum() / 60.0)


def test_no_sun_in_the_hours_told_is_full_shade() -> None:
    case = {**CASES[0], "sun": ["00:10", "01:00"]}
    _, up, lit = sunny(case, date(2026, 6, 21))
    assert up.any()
    assert not lit.any()


def test_a_surveyed_horizon_stands_as_it_is() -> None:
    points = ((90.0, 20.0), (180.0, 10.0))
    assert horizon_of(Place("here", "Here", horizon_deg=points)) == points
