"""``weather --csv``: the columns of the contract, RFC 4180, a gap an empty field."""

import csv
import io

import numpy as np
from weather.weather_tables import table

from advisor.weather.csv_out import weather_csv

CONTRACT = (
    "start_utc,air_temperature_c,dew_point_c,relative_humidity_pct,wind_speed_10m_m_s,wind_gust_m_s,rain_mm,"
    "shortwave_w_m2,cloud_cover_pct,pressure_hpa,weather_code,reference_et_mm,source"
)


def test_header_is_the_contract_and_every_hour_is_a_line():
    text = weather_csv(table(hours=3))
    assert text.splitlines()[0] == CONTRACT
    assert len(text.splitlines()) == 4
    assert "\r" not in text


def test_gaps_are_empty_and_numbers_plain():
    values = np.array([-0.00001, np.nan, 1234.56789])
    rows = list(
        csv.DictReader(io.StringIO(weather_csv(table(hours=3, air_temperature_c=values, rain_mm=1e-9))))
    )
    assert [row["air_temperature_c"] for row in rows] == ["0", "", "1234.568"]
    assert [row["rain_mm"] for row in rows] == ["0", "0", "0"]
    assert [row["shortwave_w_m2"] for row in rows] == ["", "", ""]
    assert [row["start_utc"] for row in rows] == [f"2026-06-10T0{hour}:00:00Z" for hour in range(3)]
    assert {row["source"] for row in rows} == {"one"}


def test_source_is_that_of_the_hour():
    from dataclasses import replace

    weather = replace(table(hours=2), source_by_hour=("x", ""))
    assert [line.rsplit(",", 1)[1] for line in weather_csv(weather).splitlines()[1:]] == ["x", ""]
