"""Whole gardens for the cases of placing_cases.toml: real sun and physics, invented weather by the day."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from advisor.garden.model import Crown, Garden, Holdings, JournalEntry, Place, Pot, Tree
from advisor.garden.tables import Tables
from advisor.physics.sun import hourly_sun
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.store.config_files import load_tables
from advisor.weather.table import Provenance, WeatherTable, stamp_of

ZONE = ZoneInfo("Europe/Berlin")
GARDEN = Garden("Test yard", 48.0, 11.0, 500.0, "Europe/Berlin")
FILE = tomllib.loads((Path(__file__).parent / "placing_cases.toml").read_text(encoding="utf-8"))
CASES: list[dict[str, Any]] = FILE["case"]
PAST_DAYS, AHEAD_DAYS = 20, 10
DAY: dict[str, float] = {
    "high_c": 24.0, "low_c": 13.0, "dew_c": 12.0, "wind_m_s": 2.0, "gust_m_s": 4.0, "cloud_pct": 0.0,
}  # fmt: skip


@lru_cache(maxsize=1)
def tables() -> Tables:
    return load_tables()


def place(place_id: str, room: int | None = None) -> Place:
    row = dict(FILE["place"][place_id])
    horizon = tuple((float(azimuth), float(elevation)) for azimuth, elevation in row.pop("horizon", []))
    return Place(place_id, horizon_deg=horizon, room=room, **row)


def tree(row: dict[str, Any], first_place: str) -> Tree:
    group = tables().group_of(row["species"])
    assert group is not None
    pot = Pot(row.get("volume_l", 3.2), 30.0, 22.0, 6.0, "rectangle", row.get("wall", "glazed-dark"))
    return Tree(
        row["id"],
        row["id"].capitalize(),
        row["species"],
        group.id,
        row.get("place", first_place),
        "chuhin",
        pot,
        Crown(35.0, 30.0),
        "akadama-pumice-lava",
        4,
    )


def journal(lines: list[list[Any]], today: date) -> tuple[JournalEntry, ...]:
    found = []
    for number, (before, tree_id, entry, *amount) in enumerate(lines):
        at = datetime.combine(today - timedelta(days=before), time(9), tzinfo=ZONE).astimezone(UTC)
        unit = "place" if entry == "moved" else ""
        found.append(
            JournalEntry(at, tree_id, entry, amount[0] if amount else None, unit, "", number + 2, number)
        )
    return tuple(sorted(found, key=lambda line: line.at_utc))


def weather(rows: list[dict[str, Any]], now: datetime) -> WeatherTable:
    """Air lowest before sunrise and highest three hours after noon; beam and diffuse light by the cloud."""
    first = datetime.combine(now.date() - timedelta(days=PAST_DAYS), time(), tzinfo=ZONE)
    count = 24 * (PAST_DAYS + AHEAD_DAYS)
    start = stamp_of(first) + np.arange(count) * np.timedelta64(3600, "s")
    offsets = (np.arange(count) // 24) - PAST_DAYS
    of_day = []
    for offset in offsets:
        values = dict(DAY)
        for row in rows:
            if row["from"] <= offset <= row.get("to", row["from"]):
                values |= {key: value for key, value in row.items() if key not in ("from", "to")}
        of_day.append(values)

    def each(name: str) -> np.ndarray:
        return np.array([day[name] for day in of_day], dtype=np.float64)

    sun = hourly_sun(start, GARDEN.latitude_deg, GARDEN.longitude_deg, GARDEN.elevation_m, 6)
    hour = np.arange(count) % 24
    wave = 0.5 + 0.5 * np.cos(2 * np.pi * (hour - 16.0) / 24.0)
    air = each("low_c") + (each("high_c") - each("low_c")) * wave
    clear = np.where(sun.mean_sin_elevation > 0.03, sun.mean_sin_elevation, 0.0)
    cloud = each("cloud_pct") / 100.0
    beam = 850.0 * clear * (1.0 - cloud)
    diffuse = (90.0 * np.sqrt(sun.mean_sin_elevation)) * (1.0 + cloud)
    values = {
        "air_temperature_c": air,
        "dew_point_c": np.minimum(each("dew_c"), air),
        "wind_speed_10m_m_s": each("wind_m_s") * (0.6 + 0.4 * wave),
        "wind_gust_m_s": each("gust_m_s") * (0.6 + 0.4 * wave),
        "rain_mm": np.zeros(count),
        "shortwave_w_m2": beam + diffuse,
        "diffuse_w_m2": diffuse,
        "cloud_cover_pct": each("cloud_pct"),
        "snow_depth_cm": np.zeros(count),
        "weather_code": np.zeros(count),
    }
    return WeatherTable(start, values, Provenance("invented", None, now.astimezone(UTC)))


def holdings(case: dict[str, Any]) -> Holdings:
    rooms = case.get("room", {})
    places = {name: place(name, rooms.get(name)) for name in case["places"]}
    trees = tuple(tree(row, case["places"][0]) for row in case["trees"])
    return Holdings(GARDEN, places, trees, journal(case.get("journal", []), case["now"].date()))


def evaluated(case: dict[str, Any], warmer_k: float = 0.0) -> Evaluation:
    """All that a pass would say in a case; ``warmer_k`` is added to each hour of air and dew point."""
    now = case["now"].replace(tzinfo=ZONE)
    table = weather(case.get("weather", []), now)
    shifted = {
        name: array + warmer_k if name in {"air_temperature_c", "dew_point_c"} else array
        for name, array in table.values.items()
    }
    return evaluate(
        holdings(case), tables(), replace(table, values=shifted), now.astimezone(UTC), AlertSettings()
    )
