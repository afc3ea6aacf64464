"""The suite every registered source of observations passes, over its constructed replies in fixtures/."""

import gzip
import json
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import responses
from responses import matchers

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.http import CONNECT_S, READ_S, HttpClient
from advisor.sources.registry import OBSERVATION_SOURCES, SOURCES
from advisor.weather.days import day_value, hours_of_day
from advisor.weather.stations import Station
from advisor.weather.table import VARIABLES

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
OWED = {
    "ordinary-day",
    "clock-change-spring",
    "clock-change-autumn",
    "all-null-variable",
    "truncated-array",
    "error-body",
    "rate-limit",
    "model-hours",
    "no-such-file",
}
CASES = [
    (source, path.name)
    for source in sorted(OBSERVATION_SOURCES)
    for path in sorted((FIXTURES / source).iterdir())
    if path.is_dir()
]


def _json(source, scenario, name):
    return json.loads((FIXTURES / source / scenario / name).read_text(encoding="utf-8"))


def _station(request):
    return Station(request["station"]["id"], "Somewhere", 50.0, 8.0, request["station"]["elevation_m"])


def _fetch(source, scenario):
    """Ask for the file exactly as the request says."""
    request = _json(source, scenario, "request.json")
    body = (FIXTURES / source / scenario / "response.txt").read_bytes()
    with responses.RequestsMock(assert_all_requests_are_fired=True) as fake:
        for _ in range(2 if scenario == "error-body" else 1):
            fake.add(
                responses.GET,
                "https://records.example" + request["path"],
                body=gzip.compress(body) if request["reply"]["gzipped"] else body,
                status=request["reply"]["status"],
                content_type=request["reply"]["content_type"],
                headers=request["reply"]["headers"],
                match=[
                    matchers.query_param_matcher({}, strict_match=True),
                    matchers.request_kwargs_matcher({"timeout": (CONNECT_S, READ_S), "stream": True}),
                    matchers.header_matcher({"Accept-Encoding": "identity"}, strict_match=False),
                ],
            )
        client = HttpClient("grower@example.org")
        try:
            return OBSERVATION_SOURCES[source].fetch(
                client,
                "https://records.example",
                request["kind"],
                request["year"],
                request["station"]["id"],
                datetime.fromisoformat(request["now_utc"]),
                Budget(lambda: 0.0),
            )
        finally:
            client.close()


def _parse(source, scenario, body):
    request = _json(source, scenario, "request.json")
    one = OBSERVATION_SOURCES[source]
    parse = one.parse_hourly if request["kind"] == "hourly" else one.parse_daily
    return parse({request["year"]: body}, _station(request), datetime.fromisoformat(request["now_utc"]))


def test_an_observation_source_is_no_forecast_source():
    assert not set(OBSERVATION_SOURCES) & set(SOURCES)


@pytest.mark.parametrize("source", sorted(OBSERVATION_SOURCES))
def test_every_source_has_every_scenario_with_its_papers(source):
    folders = {
        path.name: {file.name for file in path.iterdir()}
        for path in (FIXTURES / source).iterdir()
        if path.is_dir()
    }
    assert set(folders) >= OWED
    for papers in folders.values():
        assert papers >= {"request.json", "response.txt", "provenance.md", "expected.json"}


@pytest.mark.parametrize(("source", "scenario"), CASES)
def test_reply_comes_out_as_expected(source, scenario):
    expected = _json(source, scenario, "expected.json")
    if "refused" in expected:
        with pytest.raises(SourceError) as caught:
            _fetch(source, scenario)
        assert caught.value.transient is expected["refused"]["transient"]
        assert caught.value.retry_after_s == expected["refused"].get("retry_after_s")
        for word in (*expected["refused"]["names"], source):
            assert word in str(caught.value)
        return
    reply = _fetch(source, scenario)
    if "none" in expected:
        assert (reply.answer, reply.body) == ("none", b"")
        return
    assert reply.answer == "new"
    if "empty" in expected:
        with pytest.raises(SourceError, match="no observed temperature"):
            _parse(source, scenario, reply.body)
        return
    table = _parse(source, scenario, reply.body)
    if "days" in expected:
        _hold_days(table, expected)
        return
    assert table.hours == expected["rows"]
    assert str(table.start_utc[0]) + "Z" == expected["first_start_utc"]
    for stamp, name, value in expected["cells"]:
        got = table.value(name)[table.index_at(datetime.fromisoformat(stamp))]
        if value is None:
            assert np.isnan(got), (stamp, name)
        else:
            assert got == pytest.approx(value, abs=1e-9), (stamp, name)
    assert list(table.provenance.missing) == expected["missing"]
    assert len(table.provenance.notes) == len(expected["notes"])
    for note in expected["notes"]:
        assert any(said.startswith(note) for said in table.provenance.notes), note
    if "local_day" in expected:
        local = expected["local_day"]
        zone, day = ZoneInfo(local["zone"]), date.fromisoformat(local["day"])
        assert hours_of_day(day, zone) == local["hours"]
        highest = day_value(table, "air_temperature_c", "max", day, zone, minimum_coverage=1.0)
        rain = day_value(table, "rain_mm", "sum", day, zone, minimum_coverage=1.0)
        assert float(highest.value) == local["air_temperature_c_max"]
        assert float(rain.value) == local["rain_mm_sum"]


def _hold_days(table, expected):
    assert table.day.size == expected["days"]
    assert str(table.day[0]) == expected["first_day"]
    assert table.modelled_days == expected["modelled_days"]
    rows = {str(day): row for row, day in enumerate(table.day)}
    for day, name, value in expected["cells"]:
        got = table.values[name][rows[day]]
        if value is None:
            assert np.isnan(got), (day, name)
        else:
            assert got == pytest.approx(value, abs=1e-9), (day, name)


@pytest.mark.parametrize(
    ("source", "scenario"), [case for case in CASES if case[1] not in ("daily-mixed", "year-of-nothing")]
)
def test_values_are_canonical_credited_and_times_strictly_hourly(source, scenario):
    expected = _json(source, scenario, "expected.json")
    if "refused" in expected or "none" in expected:
        body = (FIXTURES / source / scenario / "response.txt").read_bytes()
        with pytest.raises(SourceError):
            _parse(source, scenario, gzip.compress(body))
        return
    table = _parse(source, scenario, _fetch(source, scenario).body)
    assert set(table.values) <= set(VARIABLES)
    assert np.all(np.diff(table.start_utc) == np.timedelta64(3600, "s"))
    assert set(table.source_by_hour) == {f"{source}:10532"}
    assert len(table.source_by_hour) == table.hours
    assert any("CC BY 4.0" in line and "10532" in line for line in table.provenance.attribution)
    for name, array in table.values.items():
        assert array.dtype == np.float64
        assert array.shape == (table.hours,)
        known = array[np.isfinite(array)]
        assert known.size
        assert known.min() >= VARIABLES[name].low
        assert known.max() <= VARIABLES[name].high
