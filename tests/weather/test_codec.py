"""Stored weather comes back to the last bit, and damaged bytes are refused."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.weather_tables import table

from advisor.weather.codec import decode_ensemble, decode_table, encode_ensemble, encode_table
from advisor.weather.members import Ensemble
from advisor.weather.table import VARIABLES, Provenance, WeatherTable

floats = st.floats(allow_nan=True, allow_infinity=True)
words = st.text(max_size=12)
several = st.lists(words, max_size=2).map(tuple)


@st.composite
def tables(draw):
    hours = draw(st.integers(0, 30))
    start = draw(st.integers(-(10**6), 10**6))
    axis = (3600 * (start + np.arange(hours))).astype("datetime64[s]")
    names = draw(st.lists(st.sampled_from(sorted(VARIABLES)), unique=True, max_size=4))
    count = draw(st.integers(1, 3))
    column = st.lists(floats, min_size=hours, max_size=hours)
    stamps = st.datetimes(timezones=st.just(UTC))
    return WeatherTable(
        axis,
        {name: np.array(draw(column), dtype=np.float64) for name in names},
        Provenance(
            draw(words), draw(st.none() | stamps), draw(stamps), draw(several), draw(several), (),
            draw(several), draw(st.booleans()),
        ),
        {name: np.array([draw(column) for _ in range(count)]).reshape(count, hours) for name in names[:2]},
        draw(st.none() | stamps),
        tuple(draw(st.sampled_from(["a", "b", ""])) for _ in range(hours)),
    )  # fmt: skip


def _same(one, other):
    assert one.start_utc.tobytes() == other.start_utc.tobytes()
    for mine, theirs in ((one.values, other.values), (one.members, other.members)):
        assert list(mine) == list(theirs)
        for name in mine:
            assert mine[name].shape == theirs[name].shape
            assert mine[name].tobytes() == theirs[name].tobytes()


@given(tables())
@settings(derandomize=True, max_examples=150, deadline=None)
def test_round_trip_is_exact(weather):
    data = encode_table(weather)
    back = decode_table(data)
    _same(weather, back)
    assert back.provenance == weather.provenance
    assert back.seam_utc == weather.seam_utc
    assert back.source_by_hour == weather.source_by_hour
    assert encode_table(back) == data


def test_round_trip_of_an_ensemble_is_exact():
    axis = np.datetime64("2026-06-10T00", "s") + np.arange(5) * np.timedelta64(3600, "s")
    array = np.array([[0.1, np.nan, -0.0, 1e-300, 3.0], [1, 2, 3, 4, 5]])
    ensemble = Ensemble(
        axis, {"rain_mm": array}, "m", datetime(2026, 6, 10, 1, tzinfo=UTC), ("cape_j_kg",), ("by x",), ("n",)
    )
    back = decode_ensemble(encode_ensemble(ensemble))
    assert back.members["rain_mm"].tobytes() == array.tobytes()
    assert replace(back, members={}, start_utc=axis) == replace(ensemble, members={}, start_utc=axis)


def test_a_forecast_of_ten_days_is_small():
    rng = np.random.default_rng(1)
    weather = table(hours=288, **{name: np.round(rng.normal(10, 5, 288), 1) for name in list(VARIABLES)[:14]})
    assert len(encode_table(weather)) < 16_000


@given(st.data())
@settings(derandomize=True, max_examples=300, deadline=None)
def test_damaged_bytes_are_refused(data):
    good = bytearray(encode_table(table(hours=6, rain_mm=0.5)))
    if data.draw(st.booleans()):
        bad = bytes(good[: data.draw(st.integers(0, len(good) - 1))])
    else:
        place = data.draw(st.integers(0, len(good) - 1))
        good[place] ^= data.draw(st.integers(1, 255))
        bad = bytes(good)
    with pytest.raises(ValueError, match=r"stored weather"):
        decode_table(bad)


@pytest.mark.parametrize("bytes_", [b"", b"\x80\x04K\x01.", b"PK\x03\x04" + b"\0" * 40, b"{}" * 10])
def test_other_formats_are_refused(bytes_):
    with pytest.raises(ValueError, match="no stored weather"):
        decode_table(bytes_)


def test_kinds_and_versions_are_told_apart():
    data = encode_table(table())
    with pytest.raises(ValueError, match="another kind"):
        decode_ensemble(data)
    with pytest.raises(ValueError, match="version 9"):
        decode_table(data[:5] + b"\x09" + data[6:])


def test_a_table_with_holes_in_its_hours_is_not_stored():
    weather = table(hours=3)
    with pytest.raises(ValueError, match="hourly"):
        encode_table(replace(weather, start_utc=weather.start_utc[[0, 2, 1]]))


def test_a_table_remembered_is_that_of_its_own_bytes_and_nobody_can_change_it():
    one, other = (encode_table(table(hours=6, air_temperature_c=air)) for air in (4.0, 5.0))
    found = decode_table(one)
    assert decode_table(bytes(bytearray(one))) is found
    assert decode_table(other).value("air_temperature_c")[0] == 5.0
    with pytest.raises(ValueError, match="read-only"):
        found.value("air_temperature_c")[0] = 9.0
    assert decode_table(one).value("air_temperature_c")[0] == 4.0
