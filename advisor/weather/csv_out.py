"""The weather table as CSV (RFC 4180): one hour a line, a gap is an empty field."""

from __future__ import annotations

import csv
import io
import math

from advisor.weather.table import WeatherTable, utc_of

__all__ = ["COLUMNS", "weather_csv"]

COLUMNS: tuple[str, ...] = (
    "air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_10m_m_s", "wind_gust_m_s",
    "rain_mm", "shortwave_w_m2", "cloud_cover_pct", "pressure_hpa", "weather_code", "reference_et_mm",
)  # fmt: skip


def weather_csv(table: WeatherTable) -> str:
    """Return the text: header ``start_utc``, the columns, ``source``; lines end with a line feed.

    ``start_utc`` is the start of the hour [start, start + 1 h) as ``2026-06-10T13:00:00Z``. Numbers
    have at most three decimals.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["start_utc", *COLUMNS, "source"])
    columns = [table.value(name) for name in COLUMNS]
    for row in range(table.hours):
        source = table.source_by_hour[row] if table.source_by_hour else table.provenance.source
        stamp = utc_of(table.start_utc[row]).strftime("%Y-%m-%dT%H:%M:%SZ")
        writer.writerow([stamp, *(_number(float(column[row])) for column in columns), source])
    return out.getvalue()


def _number(value: float) -> str:
    if not math.isfinite(value):
        return ""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
