"""Every station record: its form, what its provenance says, physics no reader can doubt, published facts.

Radiation, sun and humidity are judged with pvlib and thermofeel, not with the program's own formulas.
"""

from __future__ import annotations

import hashlib
import tomllib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from stations.station_reading import (
    FOLDER,
    StationRecord,
    load_station,
    provenance,
    station_ids,
    stations_with,
)

HOURLY = [
    "air_temperature_c",
    "dew_point_c",
    "relative_humidity_pct",
    "wind_speed_10m_m_s",
    "wind_gust_m_s",
    "rain_mm",
    "shortwave_w_m2",
    "cloud_cover_pct",
    "pressure_hpa",
]
DAILY = ["air_temperature_min_c", "air_temperature_max_c", "rain_mm"]
PLAUSIBLE = {
    # extremes of the World Meteorological Organization's archive, rounded outward (from memory)
    "air_temperature_c": (-60.0, 57.0),
    "air_temperature_min_c": (-60.0, 42.0),
    "air_temperature_max_c": (-60.0, 57.0),
    "dew_point_c": (-65.0, 35.0),
    "relative_humidity_pct": (1.0, 100.0),
    "wind_speed_10m_m_s": (0.0, 60.0),
    "wind_gust_m_s": (0.0, 100.0),
    "rain_mm": (0.0, 305.0),
    "shortwave_w_m2": (0.0, 1400.0),
    "cloud_cover_pct": (0.0, 100.0),
    "pressure_hpa": (800.0, 1085.0),
}
FACTS = tomllib.loads((Path(__file__).parent / "facts.toml").read_text(encoding="utf-8"))["fact"]


@pytest.mark.parametrize("station", station_ids())
def test_record_states_where_it_comes_from(station: str) -> None:
    about = provenance(station)
    assert set(about) == {"station", "record", "coverage", "source"}
    assert set(about["station"]) == {
        "name",
        "climate",
        "kind",
        "latitude_deg",
        "longitude_deg",
        "elevation_m",
        "position_source",
        "timezone",
    }
    assert about["station"]["kind"] in {"observed", "typical year", "analysis", "gridded"}
    for key in (
        "package",
        "version",
        "artifact",
        "files",
        "licence",
        "licence_text",
        "attribution",
        "changed",
    ):
        assert about["source"][key], key
    for row in about["source"]["files"]:
        assert len(row["sha256"]) == 64
    where = about["source"]["licence_text"]
    if where.startswith("licences/"):
        assert (FOLDER / where).stat().st_size > 500
    assert (FOLDER / station / about["record"]["file"]).stat().st_size < 400_000


@pytest.mark.parametrize("station", station_ids())
def test_record_has_our_columns_and_the_stated_coverage(station: str) -> None:
    record = load_station(station)
    allowed = HOURLY if record.hourly else DAILY
    assert list(record.table.columns) == [name for name in allowed if name in record.table.columns]
    counted = {name: int(record.table[name].notna().sum()) for name in record.table.columns}
    assert counted == record.about["coverage"]
    assert min(counted[name] for name in counted if name != "wind_gust_m_s") > 0.85 * len(record.table)


@pytest.mark.parametrize("station", station_ids())
def test_record_time_axis_is_whole(station: str) -> None:
    record = load_station(station)
    index, said = record.table.index, record.about["record"]
    step = pd.Timedelta(hours=1) if record.hourly else pd.Timedelta(days=1)
    assert len(index) == said["rows"]
    assert index[0] == pd.Timestamp(said["first"])
    assert index[-1] == pd.Timestamp(said["last"])
    assert set(np.diff(index.to_numpy())) == {step.to_timedelta64()}
    if record.hourly:
        assert len(index) > 8700


@pytest.mark.parametrize("station", station_ids())
def test_record_values_are_plausible(station: str) -> None:
    record = load_station(station)
    for name in record.table.columns:
        low, high = PLAUSIBLE[name]
        assert low <= record.table[name].min(), name
        assert record.table[name].max() <= high, name
    if record.hourly:
        wet = record.table.get("dew_point_c")
        if wet is not None:
            assert (
                wet - record.table["air_temperature_c"]
            ).max() <= 0.6  # rounded apart, in degrees Fahrenheit
    else:
        assert (record.table["air_temperature_min_c"] <= record.table["air_temperature_max_c"]).all()


def summer_less_winter_k(record: StationRecord) -> float:
    """June to August less December to February."""
    table, months = record.local(), record.local().index.month
    names = [name for name in table.columns if name.startswith("air_temperature")]
    mean = table[names].mean(axis=1)
    return float(mean[np.isin(months, (6, 7, 8))].mean() - mean[np.isin(months, (12, 1, 2))].mean())


@pytest.mark.parametrize("station", station_ids())
def test_record_summer_is_on_its_side_of_the_equator(station: str) -> None:
    record = load_station(station)
    difference = summer_less_winter_k(record)
    assert np.sign(difference) == np.sign(record.latitude_deg)
    assert abs(difference) > 4.0


@pytest.mark.parametrize("station", station_ids("hour"))
def test_record_day_is_warmest_after_local_noon(station: str) -> None:
    """Common practice: warmest from noon to five, coolest about sunrise; a wrong zone or label shows."""
    temperature = load_station(station).local()["air_temperature_c"]
    by_hour = temperature.groupby(temperature.index.hour).mean()
    assert 12 <= by_hour.idxmax() <= 17
    assert 3 <= by_hour.idxmin() <= 8


@pytest.mark.parametrize("station", stations_with("pressure_hpa"))
def test_record_pressure_is_that_of_its_height(station: str) -> None:
    """Standard atmosphere, FAO-56 table 2.1: 101.3 kPa at 0 m, 95.5 at 500, 90.0 at 1000, 84.8 at 1500."""
    record = load_station(station)
    printed = np.interp(record.elevation_m, [0.0, 500.0, 1000.0, 1500.0], [1013.0, 955.0, 900.0, 848.0])
    assert record.table["pressure_hpa"].mean() == pytest.approx(printed, abs=12.0)


@pytest.mark.parametrize("station", stations_with("dew_point_c", "relative_humidity_pct"))
def test_record_dew_point_and_humidity_agree(station: str) -> None:
    """Humidity from temperature and dew point by thermofeel."""
    from thermofeel import calculate_relative_humidity_percent

    table = load_station(station).table.dropna(
        subset=["air_temperature_c", "dew_point_c", "relative_humidity_pct"]
    )
    table = table[table["air_temperature_c"] > 0.0]
    theirs = calculate_relative_humidity_percent(
        table["air_temperature_c"].to_numpy() + 273.15, table["dew_point_c"].to_numpy() + 273.15
    )
    apart = np.abs(theirs - table["relative_humidity_pct"].to_numpy())
    assert np.median(apart) < 1.5
    assert np.quantile(apart, 0.99) < 6.0


def sun(record: StationRecord) -> tuple[pd.Series, pd.Series]:
    """Clear-sky radiation and sun height, means of each hour from its minutes 5, 15 .. 55, by pvlib."""
    from pvlib.clearsky import haurwitz
    from pvlib.solarposition import get_solarposition

    index = record.table.index
    clear, height = pd.Series(0.0, index=index), pd.Series(-90.0, index=index)
    for minute in range(5, 60, 10):
        at = get_solarposition(
            index + pd.Timedelta(minutes=minute),
            record.latitude_deg,
            record.longitude_deg,
            record.elevation_m,
        )
        clear += haurwitz(at["apparent_zenith"])["ghi"].to_numpy() / 6.0
        height = pd.Series(np.maximum(height, at["elevation"].to_numpy()), index=index)
    return clear, height


@pytest.mark.parametrize("station", stations_with("shortwave_w_m2"))
def test_record_radiation_is_that_of_its_hour(station: str) -> None:
    """No sun, no radiation; and the record follows the clear sky best where it is, to ten minutes.

    The best shift is the top of the parabola through the correlations at minus one, no and plus one hour.
    """
    record = load_station(station)
    clear, height = sun(record)
    radiation = record.table["shortwave_w_m2"]
    assert radiation[height < -3.0].max() <= 1.0
    assert (radiation > 1.25 * clear + 100.0).mean() < 0.001
    before, here, after = (float(radiation.corr(clear.shift(shift))) for shift in (-1, 0, 1))
    assert here > max(before, after, 0.8)
    best_shift_h = (before - after) / (2.0 * (before - 2.0 * here + after))
    assert abs(best_shift_h) < 1.0 / 6.0


def test_giessen_model_values_are_gaps() -> None:
    """Per value, as the source column says; counted with the standard library from the unpacked file."""
    import csv
    import gzip

    about = provenance("giessen")
    source = FOLDER / "giessen" / about["source"]["files"][0]["file"]
    assert hashlib.sha256(source.read_bytes()).hexdigest() == about["source"]["files"][0]["sha256"]
    with gzip.open(source, "rt", newline="") as lines:
        rows = list(csv.DictReader(lines))
    for ours, theirs in (("air_temperature_c", "temp"), ("cloud_cover_pct", "cldc")):
        observed = sum(row[theirs] != "" and row[f"{theirs}_source"] == "dwd_poi" for row in rows)
        assert about["coverage"][ours] == observed
    modelled = [row for row in rows if row["temp_source"] == "dwd_mosmix"]
    assert len(modelled) > 300
    parts = [[int(row[name]) for name in ("year", "month", "day", "hour")] for row in modelled]
    hours = pd.DatetimeIndex([datetime(*part, tzinfo=UTC) for part in parts])
    assert load_station("giessen").table["air_temperature_c"].loc[hours].isna().all()


def test_stations_stand_in_many_climates() -> None:
    """First letters of Koeppen's classes: tropical, dry, temperate, continental."""
    for step, wanted in (("hour", {"A", "B", "C", "D"}), ("day", {"B", "C"})):
        classes = [
            provenance(name)["station"]["climate"].split("(")[1].split(")")[0] for name in station_ids(step)
        ]
        assert wanted <= {letter for name in classes for letter in name if letter.isupper()}
    assert any(load_station(name).latitude_deg < 0.0 for name in station_ids("hour"))
    assert any(load_station(name).latitude_deg < 0.0 for name in station_ids("day"))


def found(fact: dict[str, Any]) -> float:
    """What a record says about a fact."""
    record = load_station(fact["station"])
    values = record.local()[fact["variable"]]
    days = np.array([stamp.date() for stamp in values.index])
    first, last = fact["from"], fact["until"]
    assert isinstance(first, date)
    values = values[(days >= first) & (days <= last)]
    days = days[(days >= first) & (days <= last)]
    assert values.notna().mean() > 0.9
    by_day = values.groupby(days)
    match fact["quantity"]:
        case "max" | "min" | "mean" | "sum" as plain:
            return float(getattr(values, plain)())
        case "mean_of_daily_max":
            return float(by_day.max().mean())
        case "mean_of_month":
            return float(values[[day.month == fact["month"] for day in days]].mean())
        case "days_max_at_least":
            return float((by_day.max() >= fact["limit"]).sum())
        case "days_with_at_least":
            return float((by_day.sum() >= fact["limit"]).sum())
        case other:
            raise AssertionError(other)


@pytest.mark.parametrize("fact", FACTS, ids=[fact["name"] for fact in FACTS])
def test_record_agrees_with_what_was_published(fact: dict[str, Any]) -> None:
    value = found(fact)
    if "value" in fact:
        assert value == pytest.approx(fact["value"], abs=fact["tolerance"] + 1e-9), fact["source"]
    else:
        assert fact["at_least"] <= value <= fact["at_most"], fact["source"]


def test_every_station_but_the_modelled_deserts_has_a_fact() -> None:
    """Those without one: no publication was found for that place and year, and none was invented."""
    without = set(station_ids()) - {fact["station"] for fact in FACTS}
    assert without == {"daggett", "greensboro", "rome", "sand-point", "somerset"}
