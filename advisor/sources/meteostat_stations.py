"""The public list of weather stations: fetched whole, proven sound, and only its neighbourhood kept.

Source: https://dev.meteostat.net/data/weather-stations: an SQLite file with the tables ``stations``,
``names`` and ``inventory`` (station, provider, parameter, start, end), and one JSON file a station.
"""

from __future__ import annotations

import math
import sqlite3
import tempfile
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from advisor.sources.budget import Budget
from advisor.sources.columns import read_json
from advisor.sources.http import HttpClient
from advisor.sources.meteostat_text import LIST_PATH, BadFileError, station_path
from advisor.weather.stations import ListedStation, Record, is_station_id

__all__ = ["LIST_ASKED_AS", "MAX_LIST", "fetch_list", "fetch_station", "near_in_list", "station_of_json"]

LIST_ASKED_AS = "meteostat-stations"
"""The list is large: it has a time budget of its own."""
MAX_LIST = 96 * 1024 * 1024
_NAME = "the list of stations"
_COLUMNS = {
    "stations": {"id", "latitude", "longitude", "elevation"},
    "names": {"station", "language", "name"},
    "inventory": {"station", "provider", "parameter", "start", "end"},
}
_TEMPERATURES = ("temp", "tmin", "tmax")
_KM_PER_DEGREE = 111.2


def fetch_list(client: HttpClient, base_url: str, now_utc: datetime, budget: Budget) -> bytes:
    """Fetch the list of all stations.

    Raises
    ------
    SourceError
        No usable answer, or one that is no SQLite file.
    """
    reply = client.get(
        base_url.rstrip("/") + LIST_PATH,
        {},
        source=LIST_ASKED_AS,
        budget=budget,
        now_utc=now_utc,
        accept="application/vnd.sqlite3, */*;q=0.5",
        headers={"Accept-Encoding": "identity"},
        max_bytes=MAX_LIST,
    )
    if reply.body[:16] != b"SQLite format 3\0":
        raise BadFileError(_NAME, "is no SQLite file")
    return reply.body


def near_in_list(
    body: bytes, latitude_deg: float, longitude_deg: float, reach_km: float
) -> tuple[ListedStation, ...]:
    """Return the stations of the list around a place, in the order of their ids.

    The file is opened read-only from a temporary folder, after SQLite's own check. Rows that cannot be
    (no elevation, an id that is none, a place off the map) are left out.

    Raises
    ------
    BadFileError
        Damaged, cut short, or without the tables and columns that are needed.
    """
    with tempfile.TemporaryDirectory(prefix="advisor-stations-") as folder:
        path = Path(folder) / "stations.db"
        path.write_bytes(body)
        try:
            with closing(sqlite3.connect(f"file:{quote(str(path))}?mode=ro&immutable=1", uri=True)) as found:
                found.execute("PRAGMA trusted_schema = OFF")
                found.execute("PRAGMA query_only = ON")
                _check(found)
                return _near(found, latitude_deg, longitude_deg, reach_km)
        except sqlite3.Error as error:
            raise BadFileError(_NAME, f"is damaged ({error})") from None


def _check(found: sqlite3.Connection) -> None:
    verdict = found.execute("PRAGMA quick_check(1)").fetchone()[0]
    if verdict != "ok":
        raise BadFileError(_NAME, f"is damaged ({str(verdict)[:80]})")
    for table, wanted in _COLUMNS.items():
        kind = found.execute("SELECT type FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        columns = {str(row[1]) for row in found.execute(f"PRAGMA table_info({table})")}
        if kind != ("table",) or not wanted <= columns:
            lacking = ", ".join(sorted(wanted - columns)) or "as a table"
            raise BadFileError(_NAME, f"has no {table}: {lacking}")


def _near(
    found: sqlite3.Connection, latitude_deg: float, longitude_deg: float, reach_km: float
) -> tuple[ListedStation, ...]:
    high = reach_km / _KM_PER_DEGREE
    outermost = abs(latitude_deg) + high
    wide = 180.0 if outermost >= 89.0 else high / math.cos(math.radians(outermost))
    rows = found.execute(
        "SELECT id, latitude, longitude, elevation FROM stations WHERE latitude BETWEEN ? AND ? ORDER BY id",
        (latitude_deg - high, latitude_deg + high),
    ).fetchall()
    stations = []
    for row in rows:
        place = _place(*row)
        if place is None or abs((place[2] - longitude_deg + 180.0) % 360.0 - 180.0) > wide:
            continue
        names = found.execute(
            "SELECT name FROM names WHERE station = ? ORDER BY language <> 'en', language LIMIT 1",
            (place[0],),
        ).fetchone()
        spans = _spans(found, place[0])
        stations.append(
            ListedStation(*_named(place, names[0] if names else None), spans["hourly"], spans["daily"])
        )
    return tuple(stations)


def _place(
    identity: Any, latitude: Any, longitude: Any, elevation: Any
) -> tuple[str, float, float, float] | None:
    """Id and place where they can be; the file may hold anything anywhere."""
    if not isinstance(identity, str) or not is_station_id(identity):
        return None
    numbers = [
        float(one)
        for one in (latitude, longitude, elevation)
        if type(one) in (int, float) and math.isfinite(one)
    ]
    if (
        len(numbers) != 3
        or abs(numbers[0]) > 90.0
        or abs(numbers[1]) > 180.0
        or not -500.0 <= numbers[2] <= 9000.0
    ):
        return None
    return identity, numbers[0], numbers[1], numbers[2]


def _named(place: tuple[str, float, float, float], name: Any) -> tuple[str, str, float, float, float]:
    plain = "".join(c if c.isprintable() else " " for c in name).strip()[:60] if isinstance(name, str) else ""
    return place[0], plain or place[0], place[1], place[2], place[3]


def _spans(found: sqlite3.Connection, station_id: str) -> dict[Record, tuple[date, date] | None]:
    """First and last day of observed temperatures by kind of record; models do not count."""
    spans: dict[Record, tuple[date, date] | None] = {"hourly": None, "daily": None}
    rows = found.execute(
        'SELECT provider, parameter, start, "end" FROM inventory WHERE station = ?', (station_id,)
    )
    for provider, parameter, start, end in rows.fetchall():
        record = _record_of(str(provider))
        if record is None or parameter not in _TEMPERATURES:
            continue
        try:
            first, last = date.fromisoformat(str(start)[:10]), date.fromisoformat(str(end)[:10])
        except ValueError:
            continue
        known = spans[record]
        spans[record] = (first, last) if known is None else (min(first, known[0]), max(last, known[1]))
    return spans


def _record_of(provider: str) -> Record | None:
    """Whether a provider gives hours or days; None for a model, for months and for an unknown one."""
    from meteostat.core.providers import provider_service
    from meteostat.enumerations import Grade, Granularity

    spec = provider_service.get_provider(provider)
    if spec is None or spec.grade in (Grade.FORECAST, Grade.ANALYSIS):
        return None
    if spec.granularity is Granularity.HOURLY:
        return "hourly"
    return "daily" if spec.granularity is Granularity.DAILY else None


def fetch_station(
    client: HttpClient, base_url: str, station_id: str, now_utc: datetime, budget: Budget
) -> ListedStation | None:
    """Fetch what is known of one station; None where the service knows none of that id.

    Raises
    ------
    SourceError
        No usable answer.
    ValueError
        ``station_id`` cannot be a station's id.
    """
    reply = client.get(
        base_url.rstrip("/") + station_path(station_id),
        {},
        source=LIST_ASKED_AS,
        budget=budget,
        now_utc=now_utc,
        max_bytes=64 * 1024,
        wanted=(200, 203, 404),
    )
    return None if reply.status == 404 else station_of_json(station_id, reply.body)


def station_of_json(station_id: str, body: bytes) -> ListedStation:
    """Return the station of a station's JSON file.

    Raises
    ------
    SourceError
        No JSON, another station, or no place with an elevation.
    """
    found = read_json(LIST_ASKED_AS, body)
    place = None
    if isinstance(found, dict) and found.get("id") == station_id and isinstance(found.get("location"), dict):
        where = found["location"]
        place = _place(station_id, where.get("latitude"), where.get("longitude"), where.get("elevation"))
    if place is None:
        raise BadFileError(f"the file of station {station_id}", "does not say where it stands")
    names = found.get("name")
    name = names.get("en") or next(iter(names.values()), None) if isinstance(names, dict) else names
    return ListedStation(*_named(place, name))
