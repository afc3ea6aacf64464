"""A server that answers like the open data host of station records, on loopback.

It speaks the documented addresses (https://dev.meteostat.net/data): ``/hourly/{year}/{station}.csv.gz``,
``/daily/{year}/{station}.csv.gz``, ``/stations.db``, ``/stations/{station}.json``; 404 for what it does not
have; ``ETag`` and ``If-None-Match`` (RFC 9110 section 13).

    with StationServer() as server:
        server.put("/hourly/2024/10532.csv.gz", gzipped)
        server.fail("cut", "/hourly/2024/10532.csv.gz")
"""

from __future__ import annotations

import gzip
import hashlib
import json
import socket
import sqlite3
import struct
import tempfile
import threading
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

FIXTURES = Path(__file__).parents[2] / "fixtures" / "meteostat"
MODES = (
    "cut", "html", "bomb", "huge", "server-error", "rate-limit", "reset", "wrong-header", "garbage", "empty",
    "redirect",
)  # fmt: skip

SCHEMA = """
CREATE TABLE stations(
    id TEXT PRIMARY KEY, country TEXT, region TEXT, latitude REAL, longitude REAL, elevation INTEGER,
    timezone TEXT
);
CREATE TABLE names(station TEXT, language TEXT, name TEXT);
CREATE TABLE identifiers(station TEXT, key TEXT, value TEXT);
CREATE TABLE inventory(
    station TEXT, provider TEXT, parameter TEXT, start TEXT, "end" TEXT, completeness REAL
);
"""
"""The tables as documented (https://dev.meteostat.net/data/weather-stations)."""


def stations_db(rows: Iterable[Mapping[str, Any]], schema: str = SCHEMA, *, inventory: bool = True) -> bytes:
    """Return an SQLite file with these stations.

    A row has ``id``, ``name``, ``place`` (latitude, longitude, elevation) and ``records``, a mapping of
    provider to (first day, last day) of its temperatures.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stations.db"
        made = sqlite3.connect(path)
        made.executescript(schema)
        for row in rows:
            made.execute(
                "INSERT INTO stations (id, latitude, longitude, elevation) VALUES (?, ?, ?, ?)",
                (row["id"], *row["place"]),
            )
            made.execute("INSERT INTO names VALUES (?, 'de', ?)", (row["id"], "Anders"))
            made.execute("INSERT INTO names VALUES (?, 'en', ?)", (row["id"], row["name"]))
            for provider, (first, last) in row.get("records", {}).items() if inventory else ():
                made.execute(
                    "INSERT INTO inventory VALUES (?, ?, 'temp', ?, ?, 0.99)",
                    (row["id"], provider, first, last),
                )
        made.commit()
        made.close()
        return path.read_bytes()


def hourly_file(
    first: datetime,
    hours: int,
    temperature: float = 10.0,
    source: str = "dwd_hourly",
    rain: float | None = 0.0,
) -> bytes:
    """Return a gzipped file of hours that rise and fall by 5 K around ``temperature``, humidity alike."""
    lines = ["year,month,day,hour,temp,temp_source,rhum,rhum_source,prcp,prcp_source"]
    for hour in range(hours):
        at = first + timedelta(hours=hour)
        swing = abs(at.hour - 12) / 12.0
        wet = f"{rain},{source}" if rain is not None else ","
        lines.append(
            f"{at.year},{at.month},{at.day},{at.hour},{temperature + 5 - 10 * swing:.1f},{source},"
            f"{50 + round(40 * swing)},{source},{wet}"
        )
    return gzip.compress("\n".join([*lines, ""]).encode())


def daily_file(year: int, lowest: float = 0.0, source: str = "dwd_daily") -> bytes:
    """Return a gzipped file of the days of a year: minimum ``lowest``, mean 5 K and maximum 10 K above."""
    lines = ["year,month,day,temp,temp_source,tmin,tmin_source,tmax,tmax_source"]
    day = date(year, 1, 1)
    while day.year == year:
        values = ",".join(f"{lowest + more:.1f},{source}" for more in (5.0, 0.0, 10.0))
        lines.append(f"{day.year},{day.month},{day.day},{values}")
        day += timedelta(days=1)
    return gzip.compress("\n".join([*lines, ""]).encode())


class StationServer:
    """The server; a context manager. Files and faults may be changed between requests."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.requests: list[dict[str, Any]] = []
        self._faults: list[tuple[str, str]] = []
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.owner = self
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self._server is not None
        assert self._thread is not None
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    @property
    def base_url(self) -> str:
        """Address for ``base_url`` of the settings."""
        assert self._server is not None
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def paths(self) -> list[str]:
        """Paths asked for, in order."""
        return [str(request["path"]) for request in self.requests]

    def put(self, path: str, body: bytes) -> None:
        """Serve ``body`` under ``path``."""
        self.files[path] = body

    def put_station(
        self, station_id: str, place: tuple[float, float, float], name: str = "Somewhere"
    ) -> None:
        """Serve the JSON file of one station."""
        location = dict(zip(("latitude", "longitude", "elevation"), place, strict=True))
        self.put(
            f"/stations/{station_id}.json",
            json.dumps({"id": station_id, "name": {"en": name}, "location": location}).encode(),
        )

    def fail(self, mode: str, path: str = "/") -> None:
        """Answer every request under ``path`` with a fault until ``heal``."""
        if mode not in MODES:
            raise ValueError(f"no fault {mode!r}; one of {MODES}")
        self._faults.append((path, mode))

    def heal(self) -> None:
        """Forget the faults."""
        self._faults.clear()

    def fault_of(self, path: str) -> str | None:
        return next((mode for start, mode in self._faults if path.startswith(start)), None)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    owner: StationServer

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is part of the tests."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class names it so
        pass

    def do_GET(self) -> None:
        owner = self.server.owner
        owner.requests.append({"path": self.path, "headers": dict(self.headers)})
        body = owner.files.get(self.path)
        mode = owner.fault_of(self.path)
        if mode is not None:
            self.fail(mode, body or gzip.compress(b"x" * 999))
        elif body is None:
            self.answer(404, b"Not found", "text/plain")
        else:
            tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
            if self.headers.get("If-None-Match") == tag:
                self.answer(304, b"", "application/gzip", {"ETag": tag})
            else:
                self.answer(200, body, "application/gzip", {"ETag": tag})

    def answer(self, status: int, body: bytes, kind: str, more: Mapping[str, str] | None = None) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        for name, value in (more or {}).items():
            self.send_header(name, value)
        if status != 304:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def fail(self, mode: str, body: bytes) -> None:
        packed = "application/gzip"
        if mode == "cut":
            self.answer(200, body[: len(body) // 2], packed)
        elif mode == "html":
            self.answer(
                200, b"<!DOCTYPE html><html>Sign in to the network</html>", "text/html; charset=utf-8"
            )
        elif mode == "bomb":
            self.answer(200, gzip.compress(b"year,month,day,hour,temp,temp_source\n" * 2_000_000, 1), packed)
        elif mode == "huge":
            self.answer(200, b"\x1f\x8b" + b"\0" * (5 * 1024 * 1024), packed)
        elif mode == "wrong-header":
            self.answer(200, gzip.compress(b"date,hour,temp\n2024-01-01,0,5.0\n"), packed)
        elif mode == "garbage":
            self.answer(200, b"\xfe\xed" * 5000, packed)
        elif mode == "empty":
            self.answer(200, b"", packed)
        elif mode == "server-error":
            self.answer(503, b"try later", "text/plain")
        elif mode == "rate-limit":
            self.answer(429, b"slow down", "text/plain", {"Retry-After": "7200"})
        elif mode == "redirect":
            self.answer(302, b"", "text/plain", {"Location": "http://elsewhere.example/file"})
        else:
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()
            self.close_connection = True
