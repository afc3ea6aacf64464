"""Makes forecast.json.gz of the demo: invented weather in the documented reply shape of the forecast service.

Run it only to change the demo's weather: ``python config/demo/make_weather.py``. Nothing here is an
observation of anywhere; the shape of days is drawn by hand and the noise comes from a fixed seed.
"""

import gzip
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

LATITUDE, LONGITUDE, ELEVATION = 46.71, 14.43, 640.0
NOW = datetime(2026, 7, 11, 4, tzinfo=UTC)  # 06:00 local
PAST_DAYS, FORECAST_DAYS = 92, 11

# Days from the forecast's first day (11 July): low, high, cloud, afternoon rain, wind, gust factor
WEEK = {
    0: (16.5, 30.5, 15, 0.0, 1.8, 1.7),
    1: (18.0, 33.5, 10, 0.0, 1.8, 1.7),
    2: (19.5, 35.5, 8, 0.0, 2.4, 1.8),
    3: (20.0, 36.0, 20, 0.0, 2.6, 1.9),
    4: (18.0, 30.0, 65, 14.0, 4.5, 3.1),
    5: (10.5, 17.0, 75, 5.0, 4.0, 2.1),
    6: (3.5, 16.0, 15, 0.0, 1.2, 1.6),
    7: (3.0, 18.5, 10, 0.0, 1.0, 1.6),
    8: (7.0, 22.0, 20, 0.0, 1.4, 1.7),
    9: (10.5, 24.0, 25, 0.0, 1.6, 1.7),
    10: (12.0, 25.0, 30, 0.0, 1.8, 1.7),
}


def sine_of_sun(at: datetime) -> float:
    """Sine of the sun's height, simple almanac form: good enough for an invented sky."""
    day = at.timetuple().tm_yday
    declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + day) / 365)
    hour = math.radians(15.0 * (at.hour + at.minute / 60 + LONGITUDE / 15.0 - 12.0))
    latitude = math.radians(LATITUDE)
    return math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        hour
    )


def ordinary_day(
    offset: int, generator: np.random.Generator
) -> tuple[float, float, float, float, float, float]:
    """An invented spring or early summer day, ``offset`` days before 11 July."""
    season = 1.0 + offset / 120.0  # offset is negative
    high = 9.0 + 17.0 * season + generator.normal(0.0, 2.2)
    low = high - 10.5 + generator.normal(0.0, 1.0)
    wet = generator.random() < 0.3
    cloud = 75.0 if wet else float(generator.uniform(10, 50))
    return low, high - (4.0 if wet else 0.0), cloud, float(generator.uniform(1, 12)) if wet else 0.0, 2.2, 1.8


def main() -> None:
    """Write the reply."""
    generator = np.random.default_rng(20260711)
    first = NOW.replace(hour=0) - timedelta(days=PAST_DAYS)
    days = {
        offset: WEEK.get(offset) or ordinary_day(offset, generator)
        for offset in range(-PAST_DAYS - 1, FORECAST_DAYS + 1)
    }
    days[FORECAST_DAYS] = days[FORECAST_DAYS - 1]
    names = (
        "temperature_2m", "relative_humidity_2m", "dew_point_2m", "precipitation",
        "precipitation_probability", "cloud_cover", "surface_pressure", "wind_speed_10m",
        "wind_gusts_10m", "shortwave_radiation",
        "direct_normal_irradiance", "diffuse_radiation", "weather_code", "snow_depth", "cape",
    )  # fmt: skip
    hourly: dict[str, list[float]] = {"time": [], **{name: [] for name in names}}
    for hour in range((PAST_DAYS + FORECAST_DAYS) * 24):
        at = first + timedelta(hours=hour)
        solar = at + timedelta(hours=LONGITUDE / 15.0)
        offset = (solar.date() - NOW.date()).days
        low, high, cloud, rain, wind, gust_factor = days[offset]
        clock = solar.hour + solar.minute / 60.0
        if 5.0 <= clock < 15.0:
            temperature = low + (high - low) * math.sin(math.pi / 2 * (clock - 5.0) / 10.0)
        else:
            since = (clock - 15.0) % 24.0
            next_low = days[offset + (1 if clock >= 15.0 else 0)][0] if clock >= 15.0 else low
            last_high = high if clock >= 15.0 else days[offset - 1][1]
            temperature = next_low + (last_high - next_low) * math.exp(-since / 4.8)
        dew = min(low - 1.0 if cloud < 50 else low + 1.5, temperature - 0.3)
        humidity = 100.0 * math.exp(17.27 * dew / (dew + 237.3) - 17.27 * temperature / (temperature + 237.3))
        breeze = wind * (0.55 + 0.65 * max(0.0, math.sin(math.pi * (clock - 7.0) / 14.0)))
        stormy = rain > 10.0 and 15.0 <= clock < 19.0
        wet = rain / 4.0 if rain and 15.0 <= clock < 19.0 else 0.0
        middle = sine_of_sun(at - timedelta(minutes=30))
        clear = 1098.0 * middle * math.exp(-0.057 / middle) if middle > 0.02 else 0.0
        shortwave = clear * (1.0 - 0.75 * (cloud / 100.0) ** 3.4)
        diffuse_share = 0.16 + 0.8 * (cloud / 100.0) ** 1.5
        diffuse = shortwave * min(diffuse_share, 1.0)
        normal = (shortwave - diffuse) / middle if middle > 0.05 else 0.0
        hourly["time"].append(int(at.timestamp()))
        for name, value in zip(
            names,
            (
                round(temperature, 1), round(humidity), round(dew, 1), round(wet, 1),
                90 if wet else 5, round(cloud), round(1013.0 * (1 - 2.2558e-5 * ELEVATION) ** 5.2559, 1),
                round(breeze, 1), round(breeze * (4.2 if stormy else gust_factor), 1), round(shortwave),
                round(min(normal, 950.0)), round(diffuse),
                95 if stormy else 61 if wet else 3 if cloud > 60 else 1, 0.0, 900 if stormy else 20,
            ),
            strict=True,
        ):  # fmt: skip
            hourly[name].append(value)
    units = dict(
        zip(
            names,
            (
                "°C",
                "%",
                "°C",
                "mm",
                "%",
                "%",
                "hPa",
                "m/s",
                "m/s",
                "W/m²",
                "W/m²",
                "W/m²",
                "wmo code",
                "m",
                "J/kg",
            ),
            strict=True,
        )
    )
    reply = {
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": ELEVATION,
        "hourly_units": {"time": "unixtime", **units},
        "hourly": hourly,
    }
    target = Path(__file__).parent / "forecast.json.gz"
    with target.open("wb") as out, gzip.GzipFile(filename="", mode="wb", fileobj=out, mtime=0) as packed:
        packed.write(json.dumps(reply).encode())


if __name__ == "__main__":
    main()
