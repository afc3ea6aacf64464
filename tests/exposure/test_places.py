"""Sun over the horizon, bench wind and bench air against published sun times and growers' figures."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from exposure.exposure_builders import GARDEN, changed, summer, weather_of

from advisor.exposure.places import (
    Spot,
    bench_and_gust_m_s,
    horizon_elevation_deg,
    place_sun,
    place_temperature_c,
    place_temperatures_c,
    spot_traits,
    sun_of,
)
from advisor.garden.model import Garden, Place, PlaceCorrection

OPEN = Place("open", "Open", sky_view=1.0)


def direct_by_hour(place, weather, garden, tables):
    spots = [Spot(place)]
    return place_sun(spots, spot_traits(spots, tables), sun_of(weather, garden, tables)).direct_share[0]


def spa_day(facts):
    row = facts["spa_day"]
    garden = Garden("Golden", row["latitude_deg"], row["longitude_deg"], row["elevation_m"], "America/Denver")
    midnight = datetime.fromisoformat(row["day"]).replace(tzinfo=UTC) - timedelta(hours=row["utc_offset_h"])
    return row, garden, weather_of(midnight, {"air_temperature_c": np.full(24, 10.0)})


# Reda and Andreas 2008: sunrise 06:12:43, sunset 17:20:19 on the day of the worked example.
def test_sun_flat_horizon_lasts_from_published_sunrise_to_sunset(tables, facts):
    row, garden, weather = spa_day(facts)
    share = direct_by_hour(OPEN, weather, garden, tables)
    assert share.sum() == pytest.approx(row["sunset_h"] - row["sunrise_h"], abs=row["tolerance_h"])
    assert 6 + (1 - share[6]) == pytest.approx(row["sunrise_h"], abs=row["tolerance_h"] / 2)
    assert 17 + share[17] == pytest.approx(row["sunset_h"], abs=row["tolerance_h"] / 2)


# Noon of the same day from the printed equation of time: a wall to one side leaves exactly the other half.
@pytest.mark.parametrize(
    ("walled", "horizon"),
    [
        ("east", ((0.0, 90.0), (179.9, 90.0), (180.0, 0.0), (359.9, 0.0))),
        ("west", ((0.0, 0.0), (180.0, 0.0), (180.1, 90.0), (359.9, 90.0))),
    ],
)
def test_sun_wall_on_one_side_leaves_the_half_day_of_the_other(tables, facts, walled, horizon):
    row, garden, weather = spa_day(facts)
    noon = (
        12.0 - row["equation_of_time_min"] / 60.0 + (15.0 * row["utc_offset_h"] - row["longitude_deg"]) / 15.0
    )
    left = row["sunset_h"] - noon if walled == "east" else noon - row["sunrise_h"]
    share = direct_by_hour(replace(OPEN, horizon_deg=horizon), weather, garden, tables)
    assert share.sum() == pytest.approx(left, abs=row["tolerance_h"])


# South of the tropics the noon sun stands in the north, north of them in the south (common knowledge).
@pytest.mark.parametrize(("latitude", "noon_side"), [(-34.0, "north"), (48.0, "south")])
def test_sun_noon_is_hidden_by_the_wall_towards_the_equator(tables, latitude, noon_side):
    garden = replace(GARDEN, latitude_deg=latitude, longitude_deg=0.0)
    weather = weather_of(datetime(2023, 6, 21, tzinfo=UTC), {"air_temperature_c": np.full(24, 10.0)})
    north = ((0.0, 90.0), (60.0, 90.0), (61.0, 0.0), (299.0, 0.0), (300.0, 90.0))
    south = ((119.0, 0.0), (120.0, 90.0), (240.0, 90.0), (241.0, 0.0))
    noon = {
        side: direct_by_hour(replace(OPEN, horizon_deg=points), weather, garden, tables)[12]
        for side, points in (("north", north), ("south", south))
    }
    assert noon[noon_side] == 0.0
    assert noon["south" if noon_side == "north" else "north"] == 1.0


def test_horizon_linear_between_points_and_wrapping_over_north():
    points = ((350.0, 10.0), (10.0, 30.0), (180.0, 0.0))
    azimuth = np.array([0.0, 355.0, 10.0, 95.0, 180.0, 265.0])
    assert horizon_elevation_deg(points, azimuth) == pytest.approx([20.0, 15.0, 30.0, 15.0, 0.0, 5.0])
    assert horizon_elevation_deg(tuple(reversed(points)), azimuth) == pytest.approx(
        horizon_elevation_deg(points, azimuth)
    )


def test_night_cooling_by_height_cloud_and_wind_as_growers_see_it(tables, facts):
    for group in facts["night_cooling"]:
        for case in group["cases"]:
            night = weather_of(
                datetime(2023, 5, 1, 23, tzinfo=UTC),
                {
                    "air_temperature_c": np.full(3, 4.0),
                    "cloud_cover_pct": np.full(3, float(case["cloud_pct"])),
                    "wind_speed_10m_m_s": np.full(3, case["wind_m_s"]),
                },
            )
            place = replace(OPEN, height_m=case["height_m"])
            bench = place_temperature_c(place, night, GARDEN, tables)
            assert 4.0 - bench == pytest.approx(np.full(3, case["colder_k"])), case


def test_bench_air_by_day_is_screen_air(tables):
    weather = changed(summer(2), cloud_cover_pct=np.zeros(48), wind_speed_10m_m_s=np.zeros(48))
    sun = sun_of(weather, GARDEN, tables)
    day = sun.sunlit_share == 1.0
    bench = place_temperature_c(OPEN, weather, GARDEN, tables)
    air = weather.value("air_temperature_c")
    assert day.sum() > 20
    assert np.array_equal(bench[day], air[day])
    assert np.all(bench[sun.sunlit_share == 0.0] < air[sun.sunlit_share == 0.0] - 1.0)


def test_bench_air_hidden_sky_and_gain_take_cooling_away(tables):
    weather = summer(1, cloud=0.0, wind=1.0)
    dark = sun_of(weather, GARDEN, tables).sunlit_share == 0.0
    air = weather.value("air_temperature_c")
    full = (air - place_temperature_c(OPEN, weather, GARDEN, tables))[dark]
    half = (air - place_temperature_c(replace(OPEN, sky_view=0.5), weather, GARDEN, tables))[dark]
    gain = (air - place_temperature_c(replace(OPEN, night_gain_c=2.0), weather, GARDEN, tables))[dark]
    assert half == pytest.approx(full / 2)
    assert gain == pytest.approx(full - 2.0)


def test_bench_air_missing_cloud_counts_as_clear_and_missing_air_stays_missing(tables):
    weather = summer(1, cloud=100.0, wind=1.0)
    air = weather.value("air_temperature_c").copy()
    air[3] = np.nan
    cloudless = changed(weather, cloud_cover_pct=np.full(24, np.nan), air_temperature_c=air)
    clear = changed(weather, cloud_cover_pct=np.zeros(24), air_temperature_c=air)
    found = place_temperature_c(OPEN, cloudless, GARDEN, tables)
    assert np.array_equal(found, place_temperature_c(OPEN, clear, GARDEN, tables), equal_nan=True)
    assert np.isnan(found[3])
    assert np.isfinite(np.delete(found, 3)).all()


def test_bench_air_of_places_side_by_side_is_that_of_each_alone(tables):
    weather = summer(2, cloud=10.0, wind=1.0)
    taught = replace(OPEN, correction=PlaceCorrection(night_k=-1.5, day_k=2.0))
    places = [OPEN, replace(OPEN, height_m=0.1), taught, replace(OPEN, shelter_level=5)]
    together = place_temperatures_c(places, weather, GARDEN, tables)
    alone = [place_temperature_c(place, weather, GARDEN, tables) for place in places]
    assert np.array_equal(together, np.stack(alone))
    assert len({air.tobytes() for air in alone}) == len(places)


def test_bench_air_frost_free_room_never_below_its_floor(tables):
    weather = weather_of(datetime(2023, 1, 10, tzinfo=UTC), {"air_temperature_c": np.full(24, -15.0)})
    room = place_temperature_c(replace(OPEN, shelter_level=5), weather, GARDEN, tables)
    shed = place_temperature_c(replace(OPEN, shelter_level=4), weather, GARDEN, tables)
    assert np.all(room >= 0.0)
    # an unheated shed: 3 to 8 K warmer at night (estimate of the trade)
    assert 3.0 <= shed[0] + 15.0 <= 8.0


# FAO-56 table 2.9: the wind at 2 m is 0.748 of that at 10 m.
def test_bench_wind_open_bench_is_the_2_m_wind_and_shelter_comes_off(tables, facts):
    spots = [Spot(OPEN), Spot(replace(OPEN, wind_shelter=0.4))]
    wind, gust = bench_and_gust_m_s(
        np.array([[10.0]]), np.array([[20.0]]), spot_traits(spots, tables), tables
    )
    row = facts["wind"]
    assert wind[0, 0, 0] / 10.0 == pytest.approx(row["factor_10m_to_2m"], abs=row["tolerance"])
    assert wind[0, 1, 0] == pytest.approx(0.6 * wind[0, 0, 0])
    assert gust[0, 1, 0] == pytest.approx(2.0 * wind[0, 1, 0])
