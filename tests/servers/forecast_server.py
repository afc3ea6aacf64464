"""A server that answers like a forecast service, with real observations as its forecast.

It speaks the documented shape of Open-Meteo's /v1/forecast and /v1/ensemble
(https://open-meteo.com/en/docs) and honours hourly, past_days, forecast_days, the unit parameters and
timeformat. The forecast is perfect: future hours are what was later observed. An instant stamped t is
the report of the hour that starts at t; precipitation and gusts stamped t are those of the hour before.
Radiation, cloud, snow, probability, CAPE and weather code were not observed: they are null.

Members of the ensemble: the control run is the observation; member k of n is shifted by
``share(k, n)`` in -1..1 (0, then +1/n, -1/n, +2/n ...), growing with lead: temperature by 1 K a day,
wind by 5 %, rain by 20 % of the share, dew point not at all.

    with ForecastServer(datetime(2013, 7, 17, 9, 40, tzinfo=UTC)) as server:
        server.base_url, server.requests, server.now_utc = ...
        server.fail("html", times=2)
"""

from __future__ import annotations

import gzip
import json
import math
import socket
import struct
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self
from urllib.parse import parse_qs, urlsplit

from servers.observations import Observed, observed

Warp = Callable[[str, list[float | None]], list[float | None]]

MODES = (
    "truncated", "streaming", "wrong-unit", "nulls", "all-null", "strings", "nan-token", "booleans",
    "short-array", "html", "bad-gateway", "error-object", "rate-limit", "bad-request", "server-error",
    "timeout", "reset", "redirect", "redirect-here", "drip", "huge", "gzip-bomb", "two-places",
    "gap-in-time", "old",
)  # fmt: skip

_HOUR = timedelta(hours=1)


def _fixed(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _celsius(f: float | None) -> float | None:
    return None if f is None else (f - 32.0) * 5.0 / 9.0


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


NOT_OBSERVED: dict[str, str] = {
    "precipitation_probability": "%", "weather_code": "wmo code", "cloud_cover": "%",
    "shortwave_radiation": "W/m²", "direct_normal_irradiance": "W/m²", "diffuse_radiation": "W/m²",
    "snow_depth": "m", "cape": "J/kg",
}  # fmt: skip
INSTANT: dict[str, tuple[str, Callable[[Observed], float | None]]] = {
    # name: (quantity, in metric units)
    "temperature_2m": ("temperature", lambda o: _celsius(o.temperature_f)),
    "dew_point_2m": ("temperature", lambda o: _celsius(o.dew_point_f)),
    "relative_humidity_2m": ("%", lambda o: o.humidity_pct),
    "wind_speed_10m": ("wind", lambda o: _scaled(o.wind_mph, 0.44704)),
    "surface_pressure": ("hPa", lambda o: o.pressure_hpa),
}
ENDING: dict[str, tuple[str, Callable[[Observed], float | None]]] = {
    "precipitation": ("rain", lambda o: _scaled(o.rain_inch, 25.4)),
    "wind_gusts_10m": ("wind", lambda o: _scaled(o.gust_mph, 0.44704)),
}
_UNITS: dict[str, dict[str, tuple[str, Callable[[float], float], int]]] = {
    # quantity: {value of the unit parameter: (unit text, from metric, decimals)}
    "temperature": {
        "celsius": ("°C", lambda c: c, 1),
        "fahrenheit": ("°F", lambda c: c * 9.0 / 5.0 + 32.0, 1),
    },
    "wind": {
        "kmh": ("km/h", lambda v: v * 3.6, 1),
        "ms": ("m/s", lambda v: v, 2),
        "mph": ("mp/h", lambda v: v / 0.44704, 1),
        "kn": ("kn", lambda v: v * 3600.0 / 1852.0, 1),
    },
    "rain": {"mm": ("mm", lambda r: r, 2), "inch": ("inch", lambda r: r / 25.4, 3)},
}
_PARAMETER = {
    "temperature": ("temperature_unit", "celsius"),
    "wind": ("wind_speed_unit", "kmh"),
    "rain": ("precipitation_unit", "mm"),
}


class BadRequestError(Exception):
    """A request the real service would refuse with 400; the text is its reason."""


def share(member: int, count: int) -> float:
    """Place of a member between -1 and 1: 0 for the control run, then alternating outwards."""
    if member == 0 or count < 2:
        return 0.0
    return math.copysign((member + 1) // 2 / ((count) // 2), 1 if member % 2 else -1)


class ForecastServer:
    """The server; a context manager. Everything may be set between requests.

    Parameters
    ----------
    now_utc : datetime
        The service's today is the UTC date of this; ``server.now_utc`` may be moved.
    station : str
        EWR, JFK or LGA.
    warp : callable, optional
        ``warp(name, values)`` returns changed values in metric units for a variable (the values of
        the whole reply by stamp), to make weeks that differ in one thing only.
    members : int
        Members of the ensemble, the control run included.
    """

    def __init__(
        self, now_utc: datetime, station: str = "LGA", *, warp: Warp | None = None, members: int = 9
    ) -> None:
        self.now_utc = now_utc
        self.station = station
        self.warp = warp
        self.members = members
        self.requests: list[dict[str, Any]] = []
        self._faults: list[dict[str, Any]] = []
        self._released = threading.Event()
        self._lock = threading.Lock()
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.owner = self
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._released.set()
        assert self._server is not None
        assert self._thread is not None
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    @property
    def base_url(self) -> str:
        """Address for ``base_url`` and ``ensemble_url`` of the settings."""
        assert self._server is not None
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def fail(self, mode: str, *, times: int | None = None, path: str = "/v1/", **details: Any) -> None:
        """Answer the next ``times`` requests under ``path`` with a fault (None: until ``heal``)."""
        if mode not in MODES:
            raise ValueError(f"no fault {mode!r}; one of {MODES}")
        with self._lock:
            self._faults.append({"mode": mode, "left": times, "path": path, **details})

    def heal(self) -> None:
        """Forget the faults, and let requests go that were kept waiting."""
        with self._lock:
            self._faults.clear()
        self._released.set()
        self._released = threading.Event()

    def take_fault(self, path: str) -> dict[str, Any] | None:
        with self._lock:
            for fault in self._faults:
                if path.startswith(fault["path"]):
                    if fault["left"] is not None:
                        fault["left"] -= 1
                        if fault["left"] <= 0:
                            self._faults.remove(fault)
                    return fault
        return None

    def wait_released(self) -> None:
        self._released.wait(60.0)

    # --- the reply -------------------------------------------------------------------------------

    def reply(self, path: str, query: dict[str, str]) -> dict[str, Any]:
        """Return the JSON object of a good reply."""
        names = [name for name in query.get("hourly", "").split(",") if name]
        for key, most in (("latitude", 90.0), ("longitude", 180.0)):
            try:
                ok = abs(float(query[key])) <= most
            except (KeyError, ValueError):
                ok = False
            if not ok:
                raise BadRequestError(
                    f"{key} must be in range of -{most:g} to {most:g}°. Given: {query.get(key)}."
                )
        if query.get("timezone", "GMT") not in ("GMT", "UTC"):
            raise BadRequestError("Invalid timezone")
        past, ahead = int(query.get("past_days", 0)), int(query.get("forecast_days", 7))
        longest = 35 if path.endswith("ensemble") else 16
        if not 0 <= past <= 92 or not 0 <= ahead <= longest:
            raise BadRequestError(f"Forecast days is invalid. Allowed range 0 to {longest}.")
        today = self.now_utc.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        stamps = [today - timedelta(days=past) + i * _HOUR for i in range(24 * (past + ahead))]
        iso = query.get("timeformat", "iso8601") == "iso8601"
        units: dict[str, str] = {"time": "iso8601" if iso else "unixtime"}
        hourly: dict[str, list[Any]] = {
            "time": [f"{t:%Y-%m-%dT%H:%M}" if iso else int(t.timestamp()) for t in stamps]
        }
        count = self.members if path.endswith("ensemble") else 1
        for name in names:
            if name not in INSTANT and name not in ENDING and name not in NOT_OBSERVED:
                raise BadRequestError(
                    f"Cannot initialize WeatherVariable from invalid String value {name} for key hourly"
                )
            metric = self._metric(name, stamps)
            for member in range(count):
                key = name if member == 0 else f"{name}_member{member:02d}"
                shifted = self._perturbed(name, metric, stamps, share(member, count))
                units[key], hourly[key] = self._in_units(name, shifted, query)
        latitude, longitude = (round(float(query[key]) * 8) / 8 for key in ("latitude", "longitude"))
        return {
            "latitude": latitude,
            "longitude": longitude,
            "generationtime_ms": 0.42,
            "utc_offset_seconds": 0,
            "timezone": "GMT",
            "timezone_abbreviation": "GMT",
            "elevation": float(query.get("elevation", 3.0)),
            "hourly_units": units,
            "hourly": hourly,
        }

    def _metric(self, name: str, stamps: list[datetime]) -> list[float | None]:
        reports = observed(self.station)
        values: list[float | None]
        if name in INSTANT:
            take = INSTANT[name][1]
            values = [take(reports[t]) if t in reports else None for t in stamps]
        elif name in ENDING:
            take = ENDING[name][1]
            values = [take(reports[t - _HOUR]) if t - _HOUR in reports else None for t in stamps]
        else:
            values = [None] * len(stamps)
        return self.warp(name, values) if self.warp is not None else values

    def _perturbed(
        self, name: str, values: list[float | None], stamps: list[datetime], part: float
    ) -> list[float | None]:
        out: list[float | None] = []
        for stamp, value in zip(stamps, values, strict=True):
            lead_d = max((stamp - self.now_utc).total_seconds(), 0.0) / 86400.0
            if value is None or part == 0.0:
                out.append(value)
            elif name == "temperature_2m":
                out.append(value + part * lead_d)
            elif name == "precipitation":
                out.append(value * (1.0 + 0.2 * part))
            elif name.startswith("wind"):
                out.append(value * (1.0 + 0.05 * part))
            else:
                out.append(value)
        return out

    @staticmethod
    def _in_units(
        name: str, values: list[float | None], query: dict[str, str]
    ) -> tuple[str, list[float | None]]:
        quantity = (INSTANT.get(name) or ENDING.get(name) or (NOT_OBSERVED.get(name, ""), None))[0]
        if quantity not in _UNITS:
            return quantity, [_fixed(value, 1) for value in values]
        parameter, default = _PARAMETER[quantity]
        wanted = query.get(parameter, default)
        if wanted not in _UNITS[quantity]:
            raise BadRequestError(
                f"Cannot initialize Unit from invalid String value {wanted} for key {parameter}"
            )
        text, convert, digits = _UNITS[quantity][wanted]
        return text, [None if value is None else round(convert(value), digits) for value in values]


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    owner: ForecastServer

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is part of the tests."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class names it so
        pass

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        query = {name: values[-1] for name, values in parse_qs(parts.query).items()}
        owner = self.server.owner
        owner.requests.append({"path": parts.path, "query": query, "headers": dict(self.headers)})
        if parts.path not in ("/v1/forecast", "/v1/ensemble"):
            self.send_json(404, {"error": True, "reason": "Not Found"})
            return
        fault = owner.take_fault(parts.path)
        if fault is not None and self.fail_early(fault):
            return
        try:
            reply = owner.reply(parts.path, query)
        except BadRequestError as error:
            self.send_json(400, {"error": True, "reason": str(error)})
            return
        if fault is None:
            self.send_json(200, reply)
        else:
            self.fail_late(fault, reply)

    # --- answers ---------------------------------------------------------------------------------

    def send_body(self, status: int, body: bytes, kind: str, headers: dict[str, str] | None = None) -> None:
        packed = "gzip" in self.headers.get("Accept-Encoding", "") and len(body) > 1000
        sent = gzip.compress(body, 5) if packed else body
        self.send_response(status)
        self.send_header("Content-Type", kind)
        if packed:
            self.send_header("Content-Encoding", "gzip")
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(sent)))
        self.end_headers()
        self.wfile.write(sent)

    def send_json(self, status: int, value: Any, headers: dict[str, str] | None = None) -> None:
        body = json.dumps(value, ensure_ascii=False).encode()
        self.send_body(status, body, "application/json; charset=utf-8", headers)

    def fail_early(self, fault: dict[str, Any]) -> bool:
        """Answer faults that need no weather; True when answered."""
        mode = fault["mode"]
        if mode == "html":
            page = "<!DOCTYPE html><html><body>Down for maintenance</body></html>"
            self.send_body(200, page.encode(), "text/html; charset=utf-8")
        elif mode == "bad-gateway":
            self.send_body(502, b"<html><body>502 Bad Gateway</body></html>", "text/html")
        elif mode == "error-object":
            self.send_json(200, {"error": True, "reason": fault.get("reason", "Data corrupted")})
        elif mode == "rate-limit":
            words = f"{fault.get('limit', 'Minutely')} API request limit exceeded. Please try again later."
            after = fault.get("retry_after")
            self.send_json(429, {"reason": words, "error": True}, {"Retry-After": after} if after else None)
        elif mode == "bad-request":
            self.send_json(400, {"error": True, "reason": "No data is available for this location"})
        elif mode == "server-error":
            self.send_json(fault.get("status", 500), {"error": True, "reason": "Internal Server Error"})
        elif mode == "timeout":
            self.server.owner.wait_released()
            self.close_connection = True
        elif mode == "reset":
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()
            self.close_connection = True
        elif mode == "redirect":
            self.send_body(
                302, b"", "text/plain", {"Location": fault.get("to", "http://elsewhere.example/v1/forecast")}
            )
        elif mode == "redirect-here":
            self.send_body(301, b"", "text/plain", {"Location": self.path})
        elif mode in ("huge", "gzip-bomb"):
            self.send_large(packed=mode == "gzip-bomb", size=fault.get("size", 64 * 1024 * 1024))
        else:
            return False
        return True

    def send_large(self, *, packed: bool, size: int) -> None:
        body = gzip.compress(b" " * size, 1) if packed else b" " * size
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        if packed:
            self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def fail_late(self, fault: dict[str, Any], reply: dict[str, Any]) -> None:
        """Answer with weather that is spoilt in one way."""
        mode, hourly = fault["mode"], reply["hourly"]
        name = fault.get("variable", "temperature_2m")
        if mode == "truncated":
            body = json.dumps(reply).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body[: len(body) // 2])
            self.close_connection = True
            return
        if mode == "streaming":
            body = json.dumps(reply).encode()
            words = b"Unexpected error while streaming data: cannot read"
            self.send_body(200, body[: len(body) // 2] + words, "application/json; charset=utf-8")
            return
        if mode == "drip":
            self.drip(json.dumps(reply).encode())
            return
        if mode == "wrong-unit":
            reply["hourly_units"][name] = fault.get("unit", "K")
        elif mode == "nulls":
            hourly[name] = [None if i % 3 == 0 else value for i, value in enumerate(hourly[name])]
        elif mode == "all-null":
            hourly[name] = [None] * len(hourly[name])
        elif mode == "strings":
            hourly[name] = [None if value is None else str(value) for value in hourly[name]]
        elif mode == "nan-token":
            hourly[name][3] = math.nan
        elif mode == "booleans":
            hourly[name][3] = True
        elif mode == "short-array":
            hourly[name] = hourly[name][:-5]
        elif mode == "gap-in-time":
            for values in hourly.values():
                del values[7]
        elif mode == "old":
            year = 365 * 86400 if isinstance(hourly["time"][0], int) else None
            hourly["time"] = [stamp - (year or 0) for stamp in hourly["time"]]
        self.send_json(200, [reply, reply] if mode == "two-places" else reply)

    def drip(self, body: bytes) -> None:
        """One byte at a time, slower than any time budget."""
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        released = self.server.owner._released
        for byte in body:
            self.wfile.write(bytes([byte]))
            if released.wait(0.05):
                return
