"""Replies in every documented variety, and every way in which one may be no weather."""

import json
from datetime import UTC, datetime
from time import monotonic

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from servers.forecast_server import ForecastServer

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.model import Site
from advisor.sources.open_meteo import VARIABLES_ASKED, call_weight, fetch_forecast, parse_forecast

NOW = datetime(2013, 7, 17, 9, 40, tzinfo=UTC)
SITE = Site(40.777219, -73.87261, 3.0)
START = int(datetime(2026, 6, 10, tzinfo=UTC).timestamp())


def _reply(hours=4, **columns):
    """A small reply; ``columns`` are name=(unit, values)."""
    reply = {
        "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime", "temperature_2m": "°C"},
        "hourly": {"time": [START + 3600 * i for i in range(hours)], "temperature_2m": [20.0] * hours},
    }
    for name, (unit, values) in columns.items():
        reply["hourly_units"][name] = unit
        reply["hourly"][name] = values
    return reply


def _parse(reply):
    body = reply if isinstance(reply, bytes) else json.dumps(reply).encode()
    return parse_forecast(body, datetime(2026, 6, 10, 1, tzinfo=UTC))


def _refused(reply):
    with pytest.raises(SourceError) as caught:
        _parse(reply)
    return caught.value


@pytest.mark.parametrize(
    ("name", "unit", "given_value", "ours", "expected"),
    [
        # definitions: NIST Special Publication 811, appendix B
        ("temperature_2m", "°F", 98.6, "air_temperature_c", 37.0),
        ("temperature_2m", "°C", 21.5, "air_temperature_c", 21.5),
        ("dew_point_2m", "°F", 14.0, "dew_point_c", -10.0),
        ("wind_speed_10m", "km/h", 36.0, "wind_speed_10m_m_s", 10.0),
        ("wind_speed_10m", "mp/h", 10.0, "wind_speed_10m_m_s", 4.4704),
        ("wind_speed_10m", "kn", 10.0, "wind_speed_10m_m_s", 5.144444),
        ("wind_speed_10m", "m/s", 3.3, "wind_speed_10m_m_s", 3.3),
        ("snow_depth", "m", 0.25, "snow_depth_cm", 25.0),
        ("surface_pressure", "hPa", 948.2, "pressure_hpa", 948.2),
    ],
)
def test_units_are_converted_as_declared(name, unit, given_value, ours, expected):
    table = _parse(_reply(**{name: (unit, [given_value] * 4)}))
    np.testing.assert_allclose(table.value(ours), expected, rtol=1e-6)


def test_inches_of_the_hour_before_become_millimetres_of_the_row_above():
    table = _parse(_reply(precipitation=("inch", [0.0, 0.1, 0.0, 0.0])))
    np.testing.assert_allclose(table.value("rain_mm"), [2.54, 0.0, 0.0, np.nan])


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("temperature_2m", "K"),
        ("wind_speed_10m", "°C"),
        ("shortwave_radiation", "MJ/m²"),
        ("precipitation", "cm"),
        ("surface_pressure", "Pa"),
        ("cloud_cover", None),
        ("cloud_cover", 7),
    ],
)
def test_unknown_unit_is_refused_with_variable_and_unit(name, unit):
    error = _refused(_reply(**{name: (unit, [1.0] * 4)}))
    assert error.transient is False
    assert name in str(error)
    assert repr(unit) in str(error)


@pytest.mark.parametrize(
    ("spoilt", "words"),
    [
        (["20.1", 20, 20, 20], "'20.1' in place 1"),
        ([20, True, 20, 20], "True in place 2"),
        ([20, 20, [1], 20], "[1] in place 3"),
        ([20, 20, 20, {}], "{} in place 4"),
        ([20, 20, 20], "3 values for 4 hours"),
        ([20] * 5, "5 values for 4 hours"),
        ("20", "not an array"),
        (None, "not an array"),
        (10**400, "not an array"),
        ([10**400, 1, 1, 1], "without bound"),
    ],
)
def test_structural_fault_refuses_the_reply_and_names_the_variable(spoilt, words):
    error = _refused(_reply(relative_humidity_2m=("%", spoilt)))
    assert error.transient is False
    assert "relative_humidity_2m" in str(error)
    assert words in str(error)


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_json_does_not_know_are_refused_with_the_variable(token):
    """RFC 8259 section 6: NaN and Infinity are not permitted."""
    body = json.dumps(_reply()).replace("20.0", token, 1).encode()
    assert "temperature_2m" in str(_refused(body))


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b'{"hourly":{"time":[1]}Unexpected error while streaming data: x',
        b"\xff\xfe\x00",
        b"[" * 100000,
        b"1" * 5000,
    ],
)
def test_broken_json_is_a_fault_of_the_moment(body):
    assert _refused(body).transient is True


@pytest.mark.parametrize(
    "reply", [[], [_reply(), _reply()], {}, 7, None, {"hourly": []}, {"hourly": {}, "hourly_units": {}}]
)
def test_other_shapes_are_refused(reply):
    assert _refused(json.dumps(reply).encode()).transient is False


def test_list_of_one_place_is_that_place():
    assert _parse(json.dumps([_reply()]).encode()).hours == 4


@pytest.mark.parametrize(
    "stamps",
    [
        [START, START + 3600, START + 3600, START + 7200],
        [START, START + 3600, START + 10800, START + 14400],
        [START + 3600, START, START - 3600, START - 7200],
        [START, START + 10800, START + 21600, START + 32400],
        [START + 1800 + 3600 * i for i in range(4)],
        [START, None, START + 7200, START + 10800],
        [START, True, START + 7200, START + 10800],
        [float(START + 3600 * i) for i in range(4)],
        ["2026-06-10T00:00"] * 4,
        [-3600, 0, 3600, 7200],
        [],
        None,
    ],
)
def test_time_axis_that_is_not_hourly_is_refused(stamps):
    reply = _reply()
    reply["hourly"]["time"] = stamps
    assert _refused(reply).transient is False


@pytest.mark.parametrize(
    ("first", "offset"),
    [("2026-06-10T{:02d}:00", 0), ("2026-06-10T{:02d}:00", 7200), ("2026-06-10T{:02d}:00+02:00", 7200)],
)
def test_iso_times_are_shifted_by_the_offset_the_reply_names(first, offset):
    reply = _reply()
    reply["utc_offset_seconds"] = offset
    reply["hourly_units"]["time"] = "iso8601"
    reply["hourly"]["time"] = [first.format(hour) for hour in range(4)]
    expected = np.datetime64("2026-06-10T00:00:00") - np.timedelta64(offset, "s")
    assert _parse(reply).start_utc[0] == expected


@pytest.mark.parametrize("offset", [19800, "0", None, True, 1e9])
def test_offset_that_leaves_the_full_hour_or_is_no_number_is_refused(offset):
    reply = _reply()
    reply["utc_offset_seconds"] = offset
    reply["hourly_units"]["time"] = "iso8601"
    reply["hourly"]["time"] = [f"2026-06-10T{hour:02d}:00" for hour in range(4)]
    _refused(reply)


def test_names_with_a_model_appended_are_read_and_said():
    reply = _reply(
        temperature_2m_icon_seamless=("°C", [11.0] * 4),
        temperature_2m_ecmwf_ifs=("°C", [12.0] * 4),
        precipitation_probability=("%", [50] * 4),
        cloud_cover_low=("%", [99] * 4),
    )
    del reply["hourly"]["temperature_2m"]
    table = _parse(reply)
    np.testing.assert_array_equal(table.value("air_temperature_c"), 11.0)
    assert "rain_mm" in table.provenance.missing
    assert "cloud_cover_pct" in table.provenance.missing
    assert any("icon_seamless" in note for note in table.provenance.notes)


def test_a_reply_without_air_temperature_is_no_weather():
    reply = _reply(temperature_2m=("°C", [None] * 4))
    assert "no air temperature" in str(_refused(reply))


def test_single_values_out_of_range_are_left_out_and_counted():
    """World records: 56.7 degC, 113 m/s gust (WMO weather and climate extremes archive)."""
    table = _parse(
        _reply(temperature_2m=("°C", [20, 99.9, -9999, 21]), relative_humidity_2m=("%", [101, 130, 0, 50]))
    )
    np.testing.assert_array_equal(table.value("air_temperature_c"), [20, np.nan, np.nan, 21])
    np.testing.assert_array_equal(table.value("relative_humidity_pct"), [100, np.nan, 0, 50])
    assert any(note.startswith("range: air_temperature_c, 2 h") for note in table.provenance.notes)
    assert any(note.startswith("range: relative_humidity_pct, 1 h") for note in table.provenance.notes)


def test_default_model_never_says_hail():
    """The service's documentation limits hail codes to central Europe; the default is a mix of models."""
    assert _parse(_reply(weather_code=("wmo code", [96, 99, 95, 0]))).provenance.model_names_hail is False


@given(st.binary(max_size=300))
@settings(derandomize=True, max_examples=150, deadline=None)
def test_any_bytes_give_a_table_or_a_source_error(body):
    with pytest.raises(SourceError):
        _parse(body)


@given(
    st.sampled_from([variable.name for variable in VARIABLES_ASKED]),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
        max_leaves=8,
    ),
    st.none() | st.text(max_size=6) | st.sampled_from(["%", "°C", "mm", "W/m²", "undefined"]),
)
@settings(derandomize=True, max_examples=300, deadline=None)
def test_any_column_gives_a_table_or_a_source_error(name, values, unit):
    reply = _reply(**{name: (unit, values)})
    try:
        table = _parse(json.dumps(reply).encode())
    except SourceError:
        return
    assert table.hours == 4
    assert set(table.values) <= {variable.ours for variable in VARIABLES_ASKED}


@pytest.mark.parametrize(
    ("variables", "members", "days", "weight"),
    [
        (10, 1, 14, 1.0),
        (10, 1, 7, 1.0),
        (15, 1, 14, 1.5),
        (10, 51, 16, 58.285714),
        (7, 31, 11, 21.7),
        (1, 1, 1, 1.0),
    ],
)
def test_call_weight_counts_as_the_service_says(variables, members, days, weight):
    """https://open-meteo.com/en/docs: 10 variables over 2 weeks are one call; more count in proportion."""
    assert call_weight(variables, members, days) == pytest.approx(weight)


# --- over HTTP, from the server of observations ------------------------------------------------------


def _fetch(server, now=NOW):
    client = HttpClient("grower@example.org")
    try:
        return fetch_forecast(client, SITE, now, 2, 5, Budget(monotonic), base_url=server.base_url)
    finally:
        client.close()


@pytest.mark.parametrize(
    ("mode", "details", "transient", "words", "asked"),
    [
        ("truncated", {}, True, "broke off", 2),
        ("streaming", {}, True, "not JSON", 2),
        ("html", {}, True, "web page", 2),
        ("bad-gateway", {}, True, "HTTP 502", 2),
        ("error-object", {"reason": "Data corrupted"}, True, "Data corrupted", 2),
        ("rate-limit", {"limit": "Hourly"}, True, "asking again in 20 min", 1),
        ("rate-limit", {"retry_after": "30"}, True, "asking again in 30 s", 1),
        ("bad-request", {}, False, "No data is available", 1),
        ("server-error", {}, True, "HTTP 500", 2),
        ("reset", {}, True, "broke off", 2),
        ("redirect", {}, False, "another host", 1),
        ("wrong-unit", {"unit": "K"}, False, "temperature_2m comes in 'K'", 1),
        ("strings", {}, False, "temperature_2m holds '", 1),
        ("nan-token", {}, False, "temperature_2m holds NaN in place 4", 1),
        ("booleans", {}, False, "temperature_2m holds True", 1),
        ("short-array", {"variable": "precipitation"}, False, "precipitation has", 1),
        ("all-null", {}, False, "no air temperature", 1),
        ("two-places", {}, False, "2 places", 1),
        ("gap-in-time", {}, False, "one hour apart", 1),
        ("old", {}, False, "not the time now (2013-07-17 09:40 UTC)", 1),
    ],
)
def test_bad_reply_is_said_in_plain_words(mode, details, transient, words, asked):
    with ForecastServer(NOW) as server:
        server.fail(mode, **details)
        with pytest.raises(SourceError) as caught:
            _fetch(server)
        assert caught.value.transient is transient
        assert words in str(caught.value)
        assert "40.77" not in str(caught.value)
        assert len(server.requests) == asked
        server.heal()
        assert _fetch(server).table.hours == 8 * 24


def test_a_fault_that_passes_is_healed_by_the_second_try():
    with ForecastServer(NOW) as server:
        server.fail("streaming", times=1)
        assert _fetch(server).table.covers(NOW)
        assert len(server.requests) == 2


def test_nulls_stay_gaps():
    with ForecastServer(NOW) as server:
        server.fail("nulls", variable="dew_point_2m")
        gaps = np.isnan(_fetch(server).table.value("dew_point_c"))
    np.testing.assert_array_equal(np.flatnonzero(gaps), np.arange(0, 8 * 24, 3))


def test_reply_of_another_time_is_refused():
    with (
        ForecastServer(datetime(2013, 3, 1, tzinfo=UTC)) as server,
        pytest.raises(SourceError, match="not the time now"),
    ):
        _fetch(server)


def test_fetch_returns_body_weight_and_seam():
    with ForecastServer(NOW) as server:
        fetched = _fetch(server)
    assert fetched.weight == pytest.approx(1.5)
    assert json.loads(fetched.body)["hourly"]["time"]
    assert fetched.table.seam_utc == NOW.replace(minute=0)
    assert fetched.table.provenance.fetched_at_utc == NOW
    np.testing.assert_array_equal(
        parse_forecast(fetched.body, NOW).value("air_temperature_c"), fetched.table.value("air_temperature_c")
    )


@pytest.mark.parametrize(
    ("latitude", "longitude", "sent"),
    [
        (40.777219, -73.87261, ("40.7772", "-73.8726")),
        (-0.00001, 0.0, ("0", "0")),
        (47.9, 120.00004, ("47.9", "120")),
        (-33.45, -170.123456, ("-33.45", "-170.1235")),
    ],
)
def test_coordinates_go_out_with_four_decimals(latitude, longitude, sent):
    site = Site(latitude, longitude, None)
    assert (site.latitude(), site.longitude()) == sent
