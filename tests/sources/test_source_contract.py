"""The suite every registered source passes, over its constructed replies in fixtures/."""

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
from advisor.sources.model import Site
from advisor.sources.registry import KNOWN_LATER, SOURCES
from advisor.weather.days import day_value, hours_of_day
from advisor.weather.table import VARIABLES

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SCENARIOS = {
    "ordinary-day",
    "clock-change-spring",
    "clock-change-autumn",
    "all-null-variable",
    "truncated-array",
    "error-body",
    "rate-limit",
}
CASES = [(source, scenario) for source in sorted(SOURCES) for scenario in sorted(SCENARIOS)]
pytestmark = pytest.mark.filterwarnings("error")


def _json(source, scenario, name):
    return json.loads((FIXTURES / source / scenario / name).read_text(encoding="utf-8"))


def _fetch(source, scenario):
    """Ask for the scenario exactly as its request says, so that a changed request shows."""
    request = _json(source, scenario, "request.json")
    body = (FIXTURES / source / scenario / "response.json").read_bytes()
    base_url = "https://weather.example"
    with responses.RequestsMock(assert_all_requests_are_fired=True) as fake:
        fake.add(
            responses.GET,
            base_url + request["path"],
            body=body,
            status=request["reply"]["status"],
            content_type=request["reply"]["content_type"],
            match=[
                matchers.query_param_matcher(request["query"], strict_match=True),
                matchers.request_kwargs_matcher({"timeout": (CONNECT_S, READ_S), "stream": True}),
                matchers.header_matcher({"Accept-Encoding": "gzip"}, strict_match=False),
            ],
        )
        try:
            return SOURCES[source].fetch(
                HttpClient("grower@example.org"),
                Site(**request["site"]),
                datetime.fromisoformat(request["now_utc"]),
                request["past_days"],
                request["forecast_days"],
                Budget(lambda: 0.0),
                base_url=base_url,
            )
        finally:
            agent = fake.calls[0].request.headers["User-Agent"]
            assert agent.startswith("growing-season-advisor/")
            assert "(grower@example.org)" in agent


def test_registry_and_fixture_folders_agree():
    assert {path.name for path in FIXTURES.iterdir() if path.is_dir()} >= set(SOURCES)
    assert not set(KNOWN_LATER) & set(SOURCES)


@pytest.mark.parametrize("source", sorted(SOURCES))
def test_every_source_has_every_scenario_with_its_papers(source):
    folders = {path.name: {file.name for file in path.iterdir()} for path in (FIXTURES / source).iterdir()}
    assert set(folders) >= SCENARIOS
    for scenario in SCENARIOS:
        assert folders[scenario] >= {"request.json", "response.json", "provenance.md", "expected.json"}


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
        assert "47.9" not in str(caught.value)
        return
    fetched = _fetch(source, scenario)
    table = fetched.table
    assert table.hours == expected["rows"]
    assert str(table.start_utc[0]) + "Z" == expected["first_start_utc"]
    for stamp, name, value in expected["cells"]:
        got = table.value(name)[table.index_at(datetime.fromisoformat(stamp))]
        if value is None:
            assert np.isnan(got), (stamp, name)
        else:
            assert got == pytest.approx(value, abs=1e-9), (stamp, name)
            assert not np.signbit(got) or value < 0
    assert list(table.provenance.missing) == expected["missing"]
    assert table.provenance.attribution == (SOURCES[source].attribution,)
    if "local_day" in expected:
        local = expected["local_day"]
        zone, day = ZoneInfo(local["zone"]), date.fromisoformat(local["day"])
        assert hours_of_day(day, zone) == local["hours"]
        highest = day_value(table, "air_temperature_c", "max", day, zone, minimum_coverage=1.0)
        rain = day_value(table, "rain_mm", "sum", day, zone, minimum_coverage=1.0)
        assert float(highest.value) == local["air_temperature_c_max"]
        assert float(rain.value) == local["rain_mm_sum"]


@pytest.mark.parametrize(("source", "scenario"), CASES)
def test_values_are_canonical_and_times_strictly_hourly(source, scenario):
    if "refused" in _json(source, scenario, "expected.json"):
        body = (FIXTURES / source / scenario / "response.json").read_bytes()
        with pytest.raises(SourceError):
            SOURCES[source].parse(body, datetime.fromisoformat("2026-06-10T09:20:00+00:00"))
        return
    table = _fetch(source, scenario).table
    assert set(table.values) <= set(VARIABLES)
    assert np.all(np.diff(table.start_utc) == np.timedelta64(3600, "s"))
    for name, array in table.values.items():
        assert array.dtype == np.float64
        assert array.shape == (table.hours,)
        known = array[np.isfinite(array)]
        assert known.size
        assert known.min() >= VARIABLES[name].low
        assert known.max() <= VARIABLES[name].high
