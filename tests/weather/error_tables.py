"""Made-up forecasts with a known error, the record they are held against, and what is learned of both."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from advisor.store.config_files import load_tables
from advisor.weather.error_learning import summarise
from advisor.weather.error_pairs import ErrorPairs, add_pairs
from advisor.weather.table import Provenance, WeatherTable

NUMBERS = load_tables().physics
ZONE = ZoneInfo("Europe/Berlin")
BEGIN = datetime(2026, 5, 1, tzinfo=UTC)


def hourly(begin, values, fetched, *, seam=None, source="one", **more):
    axis = np.datetime64(begin.replace(tzinfo=None), "s") + np.arange(len(values)) * np.timedelta64(3600, "s")
    columns = {"air_temperature_c": np.asarray(values, dtype=float)}
    columns |= {name: np.asarray(column, dtype=float) for name, column in more.items()}
    return WeatherTable(
        axis,
        columns,
        Provenance(source, None, fetched),
        seam_utc=seam,
        source_by_hour=(source,) * len(values),
    )


def truth_c(hours):
    """A made-up course of air temperature that never stands still."""
    hour = np.arange(hours)
    return 15.0 + 7.0 * np.sin(hour * math.tau / 24.0) + 3.0 * np.sin(hour * math.tau / 157.0)


def station(days, *, spoil=None):
    came = truth_c(24 * days)
    if spoil is not None:
        spoil(came)
    wind = 5.0 + 3.0 * np.sin(np.arange(24 * days) / 11.0)
    return hourly(
        BEGIN,
        came,
        BEGIN + timedelta(days=days),
        source="station",
        wind_speed_10m_m_s=wind,
        wind_gust_m_s=1.8 * wind,
    )


def forecasts(days, error, *, at=timedelta(hours=5, minutes=20), seed=1):
    """One forecast a day; ``error(rng, lead_h, local_hour)`` is what is wrong with its temperatures."""
    rng = np.random.default_rng(seed)
    came = truth_c(24 * (days + 12))
    wind = 5.0 + 3.0 * np.sin(np.arange(came.size) / 11.0)
    found = []
    for day in range(days):
        fetched = BEGIN + timedelta(days=day) + at
        rows = slice(24 * day, 24 * day + 264)
        start = BEGIN + timedelta(days=day)
        local = np.array([(start + timedelta(hours=n)).astimezone(ZONE).hour for n in range(264)])
        lead = np.arange(264) - (fetched - start) / timedelta(hours=1)
        wrong = error(rng, lead, local)
        found.append(
            hourly(
                start,
                came[rows] + wrong,
                fetched,
                seam=fetched.replace(minute=0),
                wind_speed_10m_m_s=wind[rows],
                wind_gust_m_s=1.8 * wind[rows] * 1.25,
            )
        )
    return found


def noise(bias, sd):
    return lambda rng, lead, _: bias + sd * rng.standard_normal(lead.size)


def pairs_of(days, error, *, compared_with="station", spoil=None, seed=1):
    empty = ErrorPairs("one", compared_with)
    return add_pairs(empty, forecasts(days, error, seed=seed), station(days, spoil=spoil), ZONE, NUMBERS)


def learned(days, error, **named):
    found = summarise(pairs_of(days, error, **named), ZONE, NUMBERS)
    assert found is not None
    return found
