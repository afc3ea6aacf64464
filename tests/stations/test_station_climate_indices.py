"""Percentiles, spells, frosts and counts of every day and year against xclim, over thirty-year records.

The values of xclim stand in fixtures/xclim, with its version and the script; the program made none of them.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from weather.daily_records import next_day, station_record

from advisor.physics.degree_days import degree_days_single_sine
from advisor.store.config_files import load_tables
from advisor.weather.calendar_days import by_calendar_day, days_above, warm_spell_days, window_percentile
from advisor.weather.climate import climate_from_daily
from advisor.weather.climate_frost import frost_dates

VALUES: dict[str, dict[str, Any]] = {
    path.stem: json.loads(path.read_text(encoding="utf-8"))
    for path in sorted((Path(__file__).parents[2] / "fixtures" / "xclim").glob("*.json"))
}
HALF_DIGIT = 5.1e-5
MAXIMUM, MINIMUM = "air_temperature_max_c", "air_temperature_min_c"


def matrix(station: str, variable: str) -> NDArray[np.float64]:
    """Years by calendar days, 29 February left out, of the years xclim was given."""
    table = station_record(station)
    years, rows = by_calendar_day(table.day, table.values[variable])
    first, last = VALUES[station]["years"]
    return np.asarray(rows[(years >= first) & (years <= last)])


def every_day(station: str, variable: str) -> dict[int, NDArray[np.float64]]:
    """Real days of each period of a year: January to December, in the south July to June."""
    table = station_record(station)
    years = table.day.astype("datetime64[Y]").astype(int) + 1970
    months = table.day.astype("datetime64[M]").astype(int) % 12 + 1
    if VALUES[station]["hemisphere"] == "south":
        years = years - (months < 7)
    wanted = [int(year) for year in VALUES[station]["frost"]["0"]["days"]]
    return {year: np.asarray(table.values[variable])[years == year] for year in wanted}


def test_three_records_stand_on_both_sides_of_the_equator() -> None:
    assert {name: values["hemisphere"] for name, values in VALUES.items()} == {
        "brussels": "north",
        "champion": "north",
        "cordoba": "south",
    }


@pytest.mark.parametrize("station", VALUES)
def test_percentiles_of_all_days_of_the_year(station: str) -> None:
    highs, lows = matrix(station, MAXIMUM), matrix(station, MINIMUM)
    for expected, found in (
        ("tx90_c", window_percentile(highs, 0.9, 5)),
        ("tx50_c", window_percentile(highs, 0.5, 5)),
        ("tn10_c", window_percentile(lows, 0.1, 5)),
    ):
        np.testing.assert_allclose(found, VALUES[station][expected], atol=HALF_DIGIT, err_msg=expected)


@pytest.mark.parametrize("station", VALUES)
def test_warm_days_and_spells_of_all_years(station: str) -> None:
    highs = matrix(station, MAXIMUM)
    p90 = window_percentile(highs, 0.9, 5)
    values = VALUES[station]
    assert [days_above(row, p90).value for row in highs] == list(values["days_tx_above_tx90"].values())
    for run in (3, 6):
        found = [warm_spell_days(row, p90, run).value for row in highs]
        assert found == list(values["warm_spell_days"][str(run)].values())
    assert max(values["warm_spell_days"]["3"].values()) > 10


@pytest.mark.parametrize("station", VALUES)
def test_counts_of_hot_and_cold_days(station: str) -> None:
    values = VALUES[station]
    highs, lows = every_day(station, MAXIMUM), every_day(station, MINIMUM)

    def counted(rows: dict[int, NDArray[np.float64]], limit_c: float) -> dict[str, float]:
        return {
            str(year): float(days_above(row, np.full(row.size, limit_c)).value) for year, row in rows.items()
        }

    below = {year: -row for year, row in lows.items()}
    assert counted(highs, 25.0) == values["summer_days_tx_above_25"]
    assert counted(highs, 30.0) == values["hot_days_tx_above_30"]
    assert counted(lows, 20.0) == values["tropical_nights_tn_above_20"]
    assert counted({year: -row for year, row in highs.items()}, 0.0) == values["ice_days_tx_below_0"]
    for limit in ("0", "-2", "3"):
        assert counted(below, -float(limit)) == values["frost"][limit]["days"]


@pytest.mark.parametrize("limit", ["0", "-2", "3"])
@pytest.mark.parametrize("station", VALUES)
def test_first_and_last_frosts_at_benches_of_three_kinds(station: str, limit: str) -> None:
    """A bench 2 K warmer than the screen freezes when the screen has -2, one 3 K colder when it has 3 degC.

    xclim looks from midsummer to the turn of the half years and says nothing of frosts beyond it; there the
    first frost of the winter must come later than its half, and the last one earlier, or not at all.
    """
    values = VALUES[station]
    numbers = load_tables().climate
    table = station_record(station)
    climate = climate_from_daily(table, table.station.latitude_deg, next_day(table), numbers)
    south = values["hemisphere"] == "south"
    compared = 0
    for which, key in (("first", "first_autumn"), ("last", "last_spring")):
        found = frost_dates(climate, which, -float(limit), numbers)  # type: ignore[arg-type]
        for winter, after in zip(found.winters, found.after_d, strict=True):
            frost = None if after is None else found.date_in(winter, after)
            # north: autumn of the winter's own year, spring of the next; south: xclim's year begins in July
            year = (winter - 1 if which == "first" else winter) if south else winter + (which == "last")
            if str(year) not in values["frost"][limit][key]:
                continue
            expected = values["frost"][limit][key][str(year)]
            turn = date(winter, 7, 1) if south else date(winter + 1, 1, 1)
            if expected is not None:
                assert frost == date.fromisoformat(expected)
                compared += 1
            elif frost is not None:
                assert frost >= turn if which == "first" else frost < turn
    assert compared >= 15


@pytest.mark.parametrize("base", ["5", "10"])
@pytest.mark.parametrize("station", VALUES)
def test_degree_days_by_the_sine_exceed_those_by_the_mean(station: str, base: str) -> None:
    """A day's sine counts the warm hours of cool days; xclim's mean of extremes does not (convexity)."""
    highs, lows = every_day(station, MAXIMUM), every_day(station, MINIMUM)
    for year, by_mean in VALUES[station]["growing_degree_days"][base].items():
        sine = float(np.sum(degree_days_single_sine(lows[int(year)], highs[int(year)], float(base))))
        assert by_mean - 1e-3 <= sine <= 1.35 * by_mean
