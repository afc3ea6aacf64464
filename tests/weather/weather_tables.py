"""Small tables for tests, and the numbers the checks and fillers read."""

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from advisor.units import Number, NumberTable
from advisor.weather.derive import DeriveNumbers
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import Provenance, WeatherTable

FETCHED = datetime(2026, 6, 10, 6, tzinfo=UTC)


def numbers():
    rows = {}

    def walk(node, path):
        for name, value in node.items():
            if "value" in value:
                rows[f"{path}{name}"] = Number(
                    float(value["value"]),
                    value["unit"],
                    value["evidence"],
                    value["source"],
                    value.get("low"),
                    value.get("high"),
                )
            else:
                walk(value, f"{path}{name}.")

    walk(tomllib.loads((Path(__file__).parent / "weather_numbers.toml").read_text()), "")
    return NumberTable("physics.toml", rows)


QUALITY = QualityNumbers.from_numbers(numbers())
DERIVE = DeriveNumbers.from_numbers(numbers())


def table(start="2026-06-10T00", hours=24, fetched=FETCHED, source="one", **values):
    axis = np.datetime64(start, "s") + np.arange(hours) * np.timedelta64(3600, "s")
    full = {"air_temperature_c": np.full(hours, 20.0)}
    full.update(
        {
            name: np.broadcast_to(np.asarray(value, dtype=np.float64), (hours,)).copy()
            for name, value in values.items()
        }
    )
    return WeatherTable(axis, full, Provenance(source, None, fetched, attribution=(f"by {source}",)))
