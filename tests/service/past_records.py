"""Hourly records in the advisor's own columns, made of the airports' reports of 2013 (see PROVENANCE.md)."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime

from servers.observations import observed

COLUMNS = (
    "start_utc", "air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_10m_m_s",
    "wind_gust_m_s", "rain_mm", "pressure_hpa",
)  # fmt: skip


def hourly_csv(station: str, first: date, last: date) -> str:
    """The reports from one UTC day to another, both included; a report that is missing is an empty field."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)

    def text(value: float | None, factor: float = 1.0, offset: float = 0.0) -> str:
        return "" if value is None else f"{(value - offset) * factor:.2f}"

    for start, row in sorted(observed(station).items()):
        if first <= start.date() <= last:
            writer.writerow(
                (
                    start.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
                    text(row.temperature_f, 5.0 / 9.0, 32.0),
                    text(row.dew_point_f, 5.0 / 9.0, 32.0),
                    text(row.humidity_pct),
                    text(row.wind_mph, 0.44704),
                    text(row.gust_mph, 0.44704),
                    text(row.rain_inch, 25.4),
                    text(row.pressure_hpa),
                )
            )
    return out.getvalue()


def utc(text: str) -> datetime:
    """An aware moment."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
