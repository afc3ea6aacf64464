"""Forecast from Open-Meteo: hourly, in UTC, with past days, for the garden's own height.

Source: https://open-meteo.com/en/docs. Instants hold at ``time``; sums, means and gusts belong to the
hour that ends at ``time``. Values are CC BY 4.0 and are processed here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.columns import column, converted, hour_axis, placed, read_json, refuse
from advisor.sources.http import HttpClient
from advisor.sources.model import Fetched, Foreign, Site, accepted
from advisor.sources.replies import HttpReply, json_object_error, printable
from advisor.weather.quality import in_range
from advisor.weather.table import FloatArray, Provenance, TimeArray, WeatherTable, stamp_of

__all__ = [
    "ATTRIBUTION",
    "BASE_URL",
    "ID",
    "VARIABLES_ASKED",
    "call_weight",
    "check_json",
    "columns_of",
    "fetch_forecast",
    "hourly_block",
    "parse_forecast",
    "query_of",
    "require_cover",
]

ID = "open-meteo"
BASE_URL = "https://api.open-meteo.com"
ATTRIBUTION = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0, processed"
_MOST_DAYS = 16

_WIND = accepted("m/s", "m/s", "km/h", "mp/h", "mph", "kn")
_RADIATION = accepted("W/m2", "W/m²")
VARIABLES_ASKED: tuple[Foreign, ...] = (
    Foreign("temperature_2m", "air_temperature_c", "instant", "start", accepted("degC", "°C", "°F")),
    Foreign("relative_humidity_2m", "relative_humidity_pct", "instant", "start", accepted("pct", "%")),
    Foreign("dew_point_2m", "dew_point_c", "instant", "start", accepted("degC", "°C", "°F")),
    Foreign("precipitation", "rain_mm", "sum", "end", accepted("mm", "mm", "inch")),
    Foreign("precipitation_probability", "rain_probability_pct", "mean", "end", accepted("pct", "%")),
    Foreign("weather_code", "weather_code", "code", "start", accepted("code", "wmo code")),
    Foreign("surface_pressure", "pressure_hpa", "instant", "start", accepted("hPa", "hPa")),
    Foreign("cloud_cover", "cloud_cover_pct", "instant", "start", accepted("pct", "%")),
    Foreign("wind_speed_10m", "wind_speed_10m_m_s", "instant", "start", _WIND),
    Foreign("wind_gusts_10m", "wind_gust_m_s", "max", "end", _WIND),
    Foreign("shortwave_radiation", "shortwave_w_m2", "mean", "end", _RADIATION),
    Foreign("direct_normal_irradiance", "direct_normal_w_m2", "mean", "end", _RADIATION),
    Foreign("diffuse_radiation", "diffuse_w_m2", "mean", "end", _RADIATION),
    Foreign("snow_depth", "snow_depth_cm", "instant", "start", accepted("cm", "m")),
    Foreign("cape", "cape_j_kg", "instant", "start", accepted("J/kg", "J/kg")),
)
_MODEL_FAMILIES = (
    "best_match", "bom", "chmi", "cma", "cmc", "dmi", "dwd", "ecmwf", "gem", "geosphere", "gfs", "icon",
    "italia", "jma", "kma", "knmi", "meteofrance", "meteoswiss", "metno", "ncep", "ukmo",
)  # fmt: skip
"""First words of model names, which the service may append to the names of variables."""


def call_weight(variables: int, members: int, days: int) -> float:
    """Return what a call counts against the service's limits.

    Parameters
    ----------
    variables, members, days : int
        Asked for; ``members`` is 1 for a plain forecast, ``days`` past days included.

    Source: https://open-meteo.com/en/docs, "How many API calls": ten variables of one model over two
    weeks count once, more in proportion.
    """
    weight = variables * members / 10.0
    return max(1.0, weight, weight * days / 14.0)


def query_of(site: Site, variables: Sequence[Foreign], past_days: int, forecast_days: int) -> dict[str, str]:
    """Return the query: UTC, epoch seconds, metric units, the garden's height; no daily sums."""
    query = {
        "latitude": site.latitude(),
        "longitude": site.longitude(),
        "hourly": ",".join(variable.name for variable in variables),
        "timezone": "GMT",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
        "precipitation_unit": "mm",
        "temperature_unit": "celsius",
        "past_days": str(past_days),
        "forecast_days": str(min(forecast_days + 1, _MOST_DAYS)),
    }
    if site.elevation_m is not None:
        query["elevation"] = f"{site.elevation_m:g}"
    return query


def check_json(now_utc: datetime) -> Callable[[HttpReply], SourceError | None]:
    """Return the check that finds an error object or a broken body in a 200 reply."""

    def check(reply: HttpReply) -> SourceError | None:
        return json_object_error(ID, reply.body, reply.headers, now_utc)

    return check


def fetch_forecast(
    client: HttpClient,
    site: Site,
    now_utc: datetime,
    past_days: int,
    forecast_days: int,
    budget: Budget,
    *,
    base_url: str = BASE_URL,
) -> Fetched:
    """Fetch the forecast for ``site``.

    Parameters
    ----------
    past_days, forecast_days : int
        Days wanted before and from today (UTC); one day more is asked for, because the last sums of a
        day are stamped 00:00 of the next.
    base_url : str
        Scheme, host and perhaps a path.

    Raises
    ------
    SourceError
        No usable answer, or one that does not cover ``now_utc``.
    """
    query = query_of(site, VARIABLES_ASKED, past_days, forecast_days)
    reply = client.get(
        f"{base_url.rstrip('/')}/v1/forecast",
        query,
        source=ID,
        budget=budget,
        now_utc=now_utc,
        check=check_json(now_utc),
    )
    table = parse_forecast(reply.body, now_utc)
    require_cover(table, now_utc)
    days = past_days + int(query["forecast_days"])
    return Fetched(table, reply.body, call_weight(len(VARIABLES_ASKED), 1, days))


def require_cover(table: WeatherTable, now_utc: datetime) -> None:
    """Refuse a table whose hours do not hold ``now_utc``, or that knows no temperature from then on.

    Raises
    ------
    SourceError
        Asking again would bring the same hours, so it is not a fault of the moment.
    """
    row = table.index_at(now_utc)
    air = table.value("air_temperature_c")
    if 0 <= row < table.hours and bool(np.isfinite(air[row:]).any()):
        return
    first, last = (str(table.start_utc[i]).replace("T", " ")[:16] for i in (0, -1))
    raise SourceError(
        f"{ID}: the reply covers {first} to {last} UTC, not the time now "
        f"({now_utc.astimezone(UTC):%Y-%m-%d %H:%M} UTC); refused, check the clock, --now and base_url",
        transient=False,
    )


def hourly_block(body: bytes) -> tuple[TimeArray, Mapping[str, Any], Mapping[str, Any]]:
    """Return the hours, the units and the columns of a reply for one place.

    Raises
    ------
    SourceError
        An error object, several places, or no hourly block.
    """
    reply = read_json(ID, body)
    if isinstance(reply, list):
        if len(reply) != 1:
            refuse(ID, f"it holds {len(reply)} places, one was asked for")
        reply = reply[0]
    if not isinstance(reply, dict):
        refuse(ID, "it is no JSON object")
    if reply.get("error"):
        refuse(ID, f"it says: {printable(str(reply.get('reason', 'no reason given')))}", transient=True)
    hourly, units = reply.get("hourly"), reply.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        refuse(ID, "it has no hourly values with units")
    axis = hour_axis(ID, hourly.get("time"), units.get("time"), reply.get("utc_offset_seconds", 0))
    return axis, units, hourly


def columns_of(name: str, hourly: Mapping[str, Any], known: Sequence[str]) -> list[str]:
    """Return the columns that carry ``name``: its own, or those with a model's name appended."""
    if name in hourly:
        return [name]
    found = []
    for key in hourly:
        rest = key[len(name) + 1 :]
        if key.startswith(f"{name}_") and key not in known and rest.startswith(_MODEL_FAMILIES):
            found.append(key)
    return found


def parse_forecast(body: bytes, fetched_at_utc: datetime) -> WeatherTable:
    """Return the table of a forecast reply.

    Parameters
    ----------
    body : bytes
        The reply as it came.
    fetched_at_utc : datetime
        Our own clock at the time of asking; the service does not say when its models ran.

    Returns
    -------
    WeatherTable
        Values outside the range of ``VARIABLES`` are NaN and counted in the notes. ``seam_utc`` is the
        hour of fetching: what lies before is the models' analysed past, not observation.

    Raises
    ------
    SourceError
        The structure is wrong; names the variable.
    """
    axis, units, hourly = hourly_block(body)
    known = [variable.name for variable in VARIABLES_ASKED]
    values: dict[str, FloatArray] = {}
    notes: list[str] = []
    for variable in VARIABLES_ASKED:
        names = columns_of(variable.name, hourly, known)
        if not names:
            continue
        if names[0] != variable.name:
            note = f"model: {names[0][len(variable.name) + 1 :]} taken of the models in the reply"
            notes += [note] if note not in notes else []
        raw = column(ID, names[0], hourly[names[0]], axis.size)
        array = converted(ID, variable, units.get(names[0]), raw)
        if array is not None and bool(np.isfinite(array).any()):
            values[variable.ours], note = in_range(variable.ours, placed(variable, array))
            notes += [note] if note else []
    if "air_temperature_c" not in values:
        refuse(ID, "there is no air temperature in it")
    wanted = sorted(variable.ours for variable in VARIABLES_ASKED)
    hour = fetched_at_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    seam = hour if stamp_of(hour) >= axis[0] and stamp_of(hour) <= axis[-1] else None
    return WeatherTable(
        start_utc=axis,
        values=values,
        provenance=Provenance(
            source=ID,
            issued_at_utc=None,
            fetched_at_utc=fetched_at_utc,
            attribution=(ATTRIBUTION,),
            missing=tuple(name for name in wanted if name not in values),
            notes=tuple(notes),
        ),
        seam_utc=seam,
        source_by_hour=(ID,) * axis.size,
    )
