"""A made forecast behaves as forecasts do: exact in the past, worse with lead, members no wiser than itself.

Checked against the definitions of forecast verification: error by lead time, lag correlation of a first-
order autoregression (exp(-1) after one correlation length), the rank histogram of a consistent ensemble is
flat (Talagrand; Hamill 2001, Monthly Weather Review 129: 550-560, from memory). The widths are read from
config/ with tomllib alone; the truth is invented. Draws are seeded: nothing here depends on chance.
"""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from advisor.physics.sun import clear_sky_w_m2, hourly_sun
from advisor.store.config_files import load_tables
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.made_forecast import FORECAST, OBSERVED, error_widths, made_forecast, made_members
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import Provenance, WeatherTable

PHYSICS = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "config" / "physics.toml").read_text(encoding="utf-8")
)
NUMBERS = load_tables().physics
START = datetime(2013, 5, 1, tzinfo=UTC)
DAYS = 40
HOURS = 24 * DAYS
NOW = START + timedelta(days=20, hours=10)
PLACE = (47.0, 8.0, 400.0)


def draws_of(seed: int):
    streams = {"shared": 0, "own": 1, "members": 2}
    return lambda stream, hour: np.random.default_rng([seed, streams[stream], hour])


@lru_cache(maxsize=1)
def world() -> tuple[WeatherTable, np.ndarray]:
    """A changeable spring, complete, with a gap of three hours in the temperature."""
    hour = np.arange(HOURS)
    axis = np.datetime64("2013-05-01T00", "s") + hour * np.timedelta64(3600, "s")
    air = 14.0 + 6.0 * np.sin((hour - 9) * np.pi / 12.0) + 4.0 * np.sin(hour / 60.0)
    air[600:603] = np.nan
    cloud = np.clip(50.0 + 60.0 * np.sin(hour / 37.0), 0.0, 100.0)
    wet = (hour % 50) < 4
    values = {
        "air_temperature_c": air,
        "dew_point_c": air - 6.0 - 4.0 * np.sin(hour / 40.0),
        "wind_speed_10m_m_s": 3.0 + 2.0 * np.sin(hour / 29.0),
        "wind_gust_m_s": 5.0 + 3.0 * np.sin(hour / 29.0),
        "rain_mm": np.where(wet, 1.2, 0.0),
        "cloud_cover_pct": cloud,
        "weather_code": np.where(wet, 61.0, 1.0),
    }
    table = WeatherTable(axis, values, Provenance("invented", None, NOW))
    done = complete(
        table,
        *PLACE,
        derive=DeriveNumbers.from_numbers(NUMBERS),
        quality=QualityNumbers.from_numbers(NUMBERS),
    )
    return done, clear_sky_w_m2(hourly_sun(axis, *PLACE))


def forecast(seed: int, now: datetime = NOW, *, growing: bool = True) -> WeatherTable:
    truth, clear = world()
    until = now + timedelta(days=10)
    return made_forecast(
        truth, clear, now, now - timedelta(days=2), until, NUMBERS, draws_of(seed), growing=growing
    )


def error_k(table: WeatherTable) -> np.ndarray:
    truth, _ = world()
    first = truth.index_at(table.start_utc[0].astype(datetime).replace(tzinfo=UTC))
    return table.value("air_temperature_c") - truth.value("air_temperature_c")[first : first + table.hours]


@lru_cache(maxsize=1)
def many_errors() -> np.ndarray:
    return np.array([error_k(forecast(seed)) for seed in range(400)])


def row_of_lead(lead_h: int) -> int:
    return 48 + lead_h


def test_past_hours_are_exact_in_every_variable() -> None:
    truth, _ = world()
    table = forecast(1)
    first = truth.index_at(NOW) - 48
    for name, array in table.values.items():
        np.testing.assert_array_equal(array[:48], truth.value(name)[first : first + 48], err_msg=name)
    assert table.source_by_hour[:48] == (OBSERVED,) * 48
    assert set(table.source_by_hour[48:]) == {FORECAST}
    assert table.seam_utc == NOW


def test_hour_that_has_not_ended_is_forecast() -> None:
    table = forecast(1, NOW + timedelta(minutes=30))
    assert table.seam_utc == NOW
    assert table.source_by_hour.count(OBSERVED) == 48


def test_perfect_forecast_is_the_truth() -> None:
    truth, _ = world()
    table = forecast(1, growing=False)
    first = truth.index_at(NOW) - 48
    for name, array in table.values.items():
        np.testing.assert_array_equal(array, truth.value(name)[first : first + table.hours], err_msg=name)


@pytest.mark.parametrize(("lead_h", "row"), [(24, "sd_day1_k"), (120, "sd_day5_k"), (192, "sd_day8_k")])
def test_error_of_the_temperature_has_the_width_of_its_lead(lead_h: int, row: str) -> None:
    errors = many_errors()[:, row_of_lead(lead_h)]
    assert errors.std() == pytest.approx(PHYSICS["spread"][row]["value"], rel=0.1)
    assert abs(errors.mean()) < 4.0 * errors.std() / 20.0


def test_error_grows_with_lead() -> None:
    spread = many_errors().std(axis=0)
    by_day = [np.nanmean(spread[row_of_lead(24 * day) : row_of_lead(24 * day + 24)]) for day in range(8)]
    assert np.all(np.diff(by_day) > 0.0), by_day
    assert spread[48] == pytest.approx(
        PHYSICS["made_forecast"]["first_share"]["value"] * PHYSICS["spread"]["sd_day1_k"]["value"], rel=0.1
    )


def test_errors_hang_together_along_the_hours_and_fall_apart_in_a_day() -> None:
    errors = many_errors()
    length = int(PHYSICS["made_forecast"]["correlation_h"]["value"])
    next_hour = np.corrcoef(errors[:, row_of_lead(100)], errors[:, row_of_lead(101)])[0, 1]
    a_length = np.corrcoef(errors[:, row_of_lead(100)], errors[:, row_of_lead(100 + length)])[0, 1]
    assert next_hour > 0.9
    assert a_length == pytest.approx(np.exp(-1.0), abs=0.12)


def test_forecasts_made_at_other_times_share_part_of_their_error() -> None:
    """The same hour, forecast 12 hours and five days apart; other seeds share nothing."""
    share = PHYSICS["made_forecast"]["shared_share"]["value"]
    valid = row_of_lead(150)
    here = many_errors()[:, valid]
    for later in (12, 120):
        there = [error_k(forecast(seed, NOW + timedelta(hours=later)))[valid - later] for seed in range(400)]
        assert np.corrcoef(here, there)[0, 1] == pytest.approx(share, abs=0.12)
    assert abs(np.corrcoef(here[:-1], here[1:])[0, 1]) < 0.15


def test_same_seed_gives_the_same_bytes_in_any_order() -> None:
    moments = [NOW + timedelta(hours=8 * n) for n in range(5)]
    forward = {at: forecast(7, at).value("air_temperature_c").tobytes() for at in moments}
    back = {at: forecast(7, at).value("air_temperature_c").tobytes() for at in reversed(moments)}
    assert forward == back
    assert forecast(8).value("air_temperature_c").tobytes() != forward[NOW]


@pytest.mark.parametrize("seed", range(20))
def test_forecast_stays_physical(seed: int) -> None:
    truth, clear = world()
    table = forecast(seed)
    first = truth.index_at(NOW) - 48
    bright = clear[first : first + table.hours]
    sun = truth.value("shortwave_w_m2")[first : first + table.hours]
    assert np.nanmax(table.value("relative_humidity_pct")) <= 100.0
    assert np.nanmin(table.value("relative_humidity_pct")) > 0.0
    assert np.nanmax(table.value("dew_point_c") - table.value("air_temperature_c")) <= 1e-9
    assert np.nanmin(table.value("wind_speed_10m_m_s")) >= 0.0
    assert np.nanmin(table.value("wind_gust_m_s") - table.value("wind_speed_10m_m_s")) >= 0.0
    assert np.nanmin(table.value("rain_mm")) >= 0.0
    cloud = table.value("cloud_cover_pct")
    assert np.nanmin(cloud) >= 0.0
    assert np.nanmax(cloud) <= 100.0
    short = table.value("shortwave_w_m2")
    assert np.all(short[bright == 0.0] == sun[bright == 0.0])
    assert np.nanmax(short - np.maximum(sun, bright)) <= 1e-9
    day = bright > 100.0
    changed = cloud - truth.value("cloud_cover_pct")[first : first + table.hours]
    assert np.all((short - sun)[day & (changed > 1.0)] <= 0.0), "more cloud, no more sun"


def test_missing_hours_stay_missing_and_nothing_is_made_of_them() -> None:
    truth, _ = world()
    table = forecast(3)
    first = truth.index_at(NOW) - 48
    gap = slice(600 - first, 603 - first)
    assert np.isnan(table.value("air_temperature_c")[gap]).all()
    assert np.isfinite(table.value("air_temperature_c")).sum() == table.hours - 3
    assert np.isnan(table.value("dew_point_c")[gap]).all()


def test_rain_falls_at_other_hours_and_in_other_amounts_further_ahead() -> None:
    truth, _ = world()
    first = truth.index_at(NOW)
    hours = {"near": slice(0, 24), "far": slice(120, 216)}
    wrong = {}
    for name, rows in hours.items():
        was = truth.value("rain_mm")[first:][rows] > 0.0
        said = np.array([forecast(seed).value("rain_mm")[48:][rows] > 0.0 for seed in range(60)])
        wrong[name] = float((said != was).mean()) / float(was.mean())
    assert 0.0 < wrong["near"] < wrong["far"]
    total = [forecast(seed).value("rain_mm")[48:].sum() for seed in range(200)]
    assert np.mean(total) == pytest.approx(truth.value("rain_mm")[first : first + 240].sum(), rel=0.1)


# --- members ---------------------------------------------------------------------------------------


def members_of(seed: int, count: int, now: datetime = NOW, *, growing: bool = True) -> np.ndarray:
    truth, clear = world()
    table = forecast(seed, now, growing=growing)
    first = truth.index_at(now) - 48
    made = made_members(
        table,
        clear[first : first + table.hours],
        now,
        now + timedelta(days=8, hours=12),
        count,
        NUMBERS,
        draws_of(seed),
        growing=growing,
    )
    assert made is not None
    assert made.member_count == count
    assert made.start_utc[0] == table.start_utc[48]
    return made.members["air_temperature_c"]


def test_members_spread_is_the_error_of_the_forecast() -> None:
    around = np.array([members_of(seed, 20) - forecast(seed).value("air_temperature_c")[48:252]
                       for seed in range(20)])  # fmt: skip
    errors = many_errors()
    for lead in (2, 24, 72, 120, 190):
        assert around[:, :, lead].std() == pytest.approx(errors[:, row_of_lead(lead)].std(), rel=0.12)


def test_truth_ranks_evenly_among_the_members() -> None:
    truth, _ = world()
    row = truth.index_at(NOW) + 120
    ranks = [int((members_of(seed, 4)[:, 120] < truth.value("air_temperature_c")[row]).sum())
             for seed in range(400)]  # fmt: skip
    counts = np.bincount(ranks, minlength=5)
    assert ((counts - 80.0) ** 2 / 80.0).sum() < 18.5, "chi-square, 4 degrees of freedom, 0.1 %"


def test_members_tell_no_more_than_the_forecast() -> None:
    """Their mean is as wrong as the forecast itself: draws around the truth would give it away."""
    truth, _ = world()
    row = truth.index_at(NOW) + 120
    was = truth.value("air_temperature_c")[row]
    mean_wrong = np.std([members_of(seed, 30)[:, 120].mean() - was for seed in range(60)])
    assert mean_wrong > 0.8 * many_errors()[:, row_of_lead(120)].std()


def test_members_of_a_perfect_forecast_are_the_forecast() -> None:
    same = members_of(1, 3, growing=False)
    np.testing.assert_array_equal(same, np.broadcast_to(forecast(1, growing=False).value("air_temperature_c")[48:252], same.shape))  # fmt: skip # noqa: E501


def test_no_members_without_an_hour_to_come() -> None:
    truth, clear = world()
    end = START + timedelta(days=DAYS)
    table = made_forecast(
        truth, clear, end, end - timedelta(days=2), end + timedelta(days=10), NUMBERS, draws_of(1)
    )
    assert table.seam_utc is None
    assert made_members(table, clear[-48:], end, end + timedelta(days=8), 5, NUMBERS, draws_of(1)) is None


def test_widths_are_zero_in_the_past_and_without_error() -> None:
    truth, _ = world()
    widths = error_widths(truth.start_utc, NOW, NUMBERS)
    row = truth.index_at(NOW)
    for array in (widths.air_k, widths.wind, widths.rain, widths.cloud_pct, widths.moisture, widths.shift_h):
        assert np.all(array[:row] == 0.0)
        assert np.all(array[row:] > 0.0)
    assert not error_widths(truth.start_utc, NOW, NUMBERS, growing=False).air_k.any()
