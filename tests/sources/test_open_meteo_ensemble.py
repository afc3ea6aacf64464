"""Members: told apart by name, kept together by variable, put beside the main forecast."""

import json
from datetime import UTC, datetime
from time import monotonic

import numpy as np
import pytest
from servers.forecast_server import ForecastServer, share

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.model import Site
from advisor.sources.open_meteo import fetch_forecast
from advisor.sources.open_meteo_ensemble import DAYS, MEMBERS_ASKED, MODEL, fetch_ensemble, parse_ensemble
from advisor.weather.members import attach_members

NOW = datetime(2013, 7, 17, 9, 40, tzinfo=UTC)
SITE = Site(40.7772, -73.8726, 3.0)
START = int(datetime(2013, 7, 17, tzinfo=UTC).timestamp())


def _reply(keys, hours=3):
    names = {key: (unit, values) for key, unit, values in keys}
    return json.dumps(
        {
            "utc_offset_seconds": 0,
            "hourly_units": {"time": "unixtime", **{key: unit for key, (unit, _) in names.items()}},
            "hourly": {
                "time": [START + 3600 * i for i in range(hours)],
                **{key: values for key, (_, values) in names.items()},
            },
        }
    ).encode()


@pytest.mark.parametrize("suffix", ["", "_ncep_gefs_seamless", "_icon_seamless_eps"])
def test_members_are_found_with_any_model_name_appended(suffix):
    body = _reply(
        [
            (f"temperature_2m{m}{suffix}", "°C", [v] * 3)
            for m, v in (("", 1), ("_member02", 3), ("_member01", 2))
        ]
    )
    ensemble = parse_ensemble(body, NOW)
    np.testing.assert_array_equal(ensemble.members["air_temperature_c"][:, 0], [1, 2, 3])
    assert ensemble.model == (suffix[1:] or MODEL)


def test_variable_with_other_members_than_the_temperature_is_taken_from_the_main_forecast():
    body = _reply(
        [(f"temperature_2m{m}", "°C", [20] * 3) for m in ("", "_member01", "_member02")]
        + [(f"cloud_cover{m}", "%", [50] * 3) for m in ("", "_member01")]
        + [(f"precipitation{m}", "undefined", [None] * 3) for m in ("", "_member01", "_member02")]
        + [(f"wind_speed_10m{m}", "km/h", [36] * 3) for m in ("", "_member01", "_member02")]
        + [("wind_gusts_10m", "m/s", [9] * 3)]
    )
    ensemble = parse_ensemble(body, NOW)
    assert set(ensemble.members) == {"air_temperature_c", "wind_speed_10m_m_s"}
    np.testing.assert_allclose(ensemble.members["wind_speed_10m_m_s"], 10.0)
    assert {"cloud_cover_pct", "rain_mm", "wind_gust_m_s", "shortwave_w_m2"} <= set(ensemble.derived)


@pytest.mark.parametrize(
    "body",
    [
        _reply([("temperature_2m", "°C", [20] * 3)]),
        _reply([("cloud_cover", "%", [20] * 3), ("cloud_cover_member01", "%", [20] * 3)]),
        _reply([("temperature_2m", "K", [20] * 3), ("temperature_2m_member01", "K", [20] * 3)]),
        _reply([("temperature_2m", "°C", [20] * 3), ("temperature_2m_member01", "°C", [20] * 2)]),
        _reply([("temperature_2m", "°C", [None] * 3), ("temperature_2m_member01", "°C", [None] * 3)]),
    ],
)
def test_reply_without_usable_members_is_refused(body):
    with pytest.raises(SourceError, match="temperature_2m"):
        parse_ensemble(body, NOW)


@pytest.fixture(scope="module")
def both():
    client = HttpClient("grower@example.org")
    with ForecastServer(NOW, members=9) as server:
        budget = Budget(monotonic)
        main = fetch_forecast(client, SITE, NOW, 2, 10, budget, base_url=server.base_url).table
        fetched = fetch_ensemble(client, SITE, NOW, budget, base_url=server.base_url)
        request = server.requests[-1]["query"]
    client.close()
    return main, fetched, request


def test_one_named_model_at_most_ten_variables_ten_days(both):
    _, fetched, request = both
    assert request["models"] == MODEL
    assert len(request["hourly"].split(",")) == len(MEMBERS_ASKED) <= 10
    assert request["forecast_days"] == str(DAYS + 1)
    assert fetched.weight > 1.0
    assert fetched.ensemble.member_count == 9


def test_members_differ_as_the_server_perturbed_them(both):
    """The server shifts member k by share(k, n) K for each day of lead (see its head)."""
    main, fetched, _ = both
    table = attach_members(main, fetched.ensemble)
    assert table.member_count == 9
    row = table.index_at(datetime(2013, 7, 20, 10, tzinfo=UTC))
    lead_d = 3.0 + 20 / 1440
    for member in range(9):
        expected = main.value("air_temperature_c")[row] + share(member, 9) * lead_d
        assert table.member("air_temperature_c")[member, row] == pytest.approx(expected, abs=0.11)


def test_past_hours_are_the_same_in_every_member_and_hours_beyond_stay_unknown(both):
    main, fetched, _ = both
    table = attach_members(main, fetched.ensemble)
    seam = table.index_at(NOW)
    past = table.member("air_temperature_c")[:, :seam]
    np.testing.assert_array_equal(past, np.broadcast_to(main.value("air_temperature_c")[:seam], past.shape))
    short = attach_members(
        main, parse_ensemble(_reply([(f"temperature_2m{m}", "°C", [20] * 3) for m in ("", "_member01")]), NOW)
    )
    last = table.index_at(datetime(2013, 7, 17, 2, tzinfo=UTC))
    assert np.isfinite(short.member("air_temperature_c")[:, last]).all()
    assert np.isnan(short.member("air_temperature_c")[:, seam + 1 :]).all()


def test_dew_point_of_a_member_fits_its_own_air(both):
    main, fetched, _ = both
    table = attach_members(main, fetched.ensemble)
    air, dew = table.member("air_temperature_c"), table.member("dew_point_c")
    known = np.isfinite(dew) & np.isfinite(air)
    assert known.sum() > 1000
    ahead = np.arange(table.hours) > table.index_at(NOW)
    assert (dew[:, ahead] <= air[:, ahead] + 1e-6).all()


def test_what_members_lack_is_listed_as_derived(both):
    main, fetched, _ = both
    table = attach_members(main, fetched.ensemble)
    assert {"shortwave_w_m2", "cloud_cover_pct"} <= set(table.provenance.derived)
