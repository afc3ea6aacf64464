"""Reads the files of published and golden numbers that lie beside the tests."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np

from advisor.physics.missing import FloatArray

HERE = Path(__file__).parent


def load(name: str) -> dict[str, Any]:
    data = json.loads((HERE / name).read_text(encoding="utf-8"))
    assert data["source"] if "source" in data else data["wbgt_source"]
    return data


def golden_day() -> dict[str, FloatArray]:
    """Columns of the golden day (made for this project, proves only 'unchanged')."""
    lines = [
        line
        for line in (HERE / "golden_day_48n_11e.csv").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    ]
    rows = list(csv.DictReader(lines))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def golden_day_start_utc() -> np.ndarray:
    return np.datetime64("2023-07-14T23:00", "s") + np.arange(24) * np.timedelta64(1, "h")


class Greeley:
    """The printed hourly example of the ASCE standard, in our units (30 hours from 15:00, 1 July)."""

    latitude, longitude, elevation_m = 40.41, -104.78, 1462.4

    def __init__(self) -> None:
        table = load("asce_2005_appendix_c.json")
        assert table["site"] == {
            "lat": self.latitude,
            "lon": self.longitude,
            "elev_m": self.elevation_m,
            "zw_m": 3.0,
            "tz_meridian_W": 105,
        }
        self.daily = {k: np.array(v, dtype=float) for k, v in table["daily"].items() if k != "tol"}
        hourly = {k: np.array(v, dtype=float) for k, v in table["hourly"].items() if k != "tol"}
        self.hourly = hourly
        self.start_utc = np.datetime64("2000-07-01T22:00", "s") + np.arange(30) * np.timedelta64(1, "h")
        self.shortwave_w_m2 = hourly["Rs"] / 0.0036
