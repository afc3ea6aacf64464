"""Weather stations: where they stand, what they record, and which stand well for a garden."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from advisor.units import NumberTable

__all__ = [
    "ListedStation",
    "Record",
    "Station",
    "StationNumbers",
    "is_station_id",
    "nearest",
    "where_it_stands",
]

Record = Literal["hourly", "daily"]

_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,14}[A-Za-z0-9])?")
_EARTH_RADIUS_KM = 6371.0
"""Mean radius (IUGG)."""


def is_station_id(text: str) -> bool:
    """Say whether ``text`` can be a station's id: 1 to 16 ASCII letters, digits and inner hyphens.

    Only such a text may become part of an address or of a file name.
    """
    return _ID.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class Station:
    """A station near the garden.

    Attributes
    ----------
    id : str
        Identifier of the service that publishes its record; letters, digits and hyphens.
    name : str
        For the grower.
    latitude_deg, longitude_deg : float
        North and east positive.
    elevation_m : float
        Above sea level.
    distance_km : float
        From the garden; 0 where unknown (a grower's own record).
    height_difference_m : float
        Station minus garden, positive where the station stands higher.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    distance_km: float = 0.0
    height_difference_m: float = 0.0


@dataclass(frozen=True, slots=True)
class ListedStation:
    """A station as a public list has it.

    Attributes
    ----------
    hourly, daily : pair of date, or None
        First and last day of the temperatures on record; None where the list knows of none.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    hourly: tuple[date, date] | None = None
    daily: tuple[date, date] | None = None


@dataclass(frozen=True, slots=True)
class StationNumbers:
    """What counts as near.

    Attributes
    ----------
    reach_km, height_m : float
        Farther or more different in height is not looked at.
    height_counts_km : float
        Distance [km] that 100 m of height difference count as.
    most : int
        Stations used at most.
    recent_d : float
        A record that ended longer ago is over.
    daily_years : float
        Least length of a daily record.
    """

    reach_km: float
    height_m: float
    height_counts_km: float
    most: int
    recent_d: float
    daily_years: float

    @classmethod
    def from_numbers(cls, numbers: NumberTable) -> StationNumbers:
        """Read the rows under ``stations.``; ``SettingsError`` where one is missing."""
        return cls(
            numbers.value("stations.reach", "km"),
            numbers.value("stations.height", "m"),
            numbers.value("stations.height_counts", "km"),
            round(numbers.value("stations.most", "count")),
            numbers.value("stations.recent", "d"),
            numbers.value("stations.daily_years", "year"),
        )


def _distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Great-circle distance [km] of two (latitude, longitude) in degrees. Source: haversine formula."""
    (lat_1, lon_1), (lat_2, lon_2) = (tuple(map(math.radians, point)) for point in (one, other))
    half = (
        math.sin((lat_2 - lat_1) / 2.0) ** 2
        + math.cos(lat_1) * math.cos(lat_2) * math.sin((lon_2 - lon_1) / 2.0) ** 2
    )
    return 2.0 * _EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(half)))


def where_it_stands(
    listed: ListedStation, latitude_deg: float, longitude_deg: float, elevation_m: float
) -> Station:
    """Return the station as seen from a garden."""
    return Station(
        listed.id,
        listed.name,
        listed.latitude_deg,
        listed.longitude_deg,
        listed.elevation_m,
        _distance_km((latitude_deg, longitude_deg), (listed.latitude_deg, listed.longitude_deg)),
        listed.elevation_m - elevation_m,
    )


def _has_record(listed: ListedStation, record: Record, today: date, numbers: StationNumbers) -> bool:
    """Whether the record reaches the recent past; a daily record is also long enough, or made of hours."""
    recent = today - timedelta(days=numbers.recent_d)
    hourly = listed.hourly is not None and listed.hourly[1] >= recent
    if record == "hourly":
        return hourly
    spans = [span for span in (listed.daily, listed.hourly) if span is not None and span[1] >= recent]
    least = timedelta(days=numbers.daily_years * 365.25)
    return any(last - first >= least for first, last in spans)


def nearest(
    listed: Sequence[ListedStation],
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
    record: Record,
    today: date,
    numbers: StationNumbers,
) -> tuple[Station, ...]:
    """Return the stations within reach whose record is good, best first.

    Parameters
    ----------
    listed : sequence of ListedStation
        Where no station of the whole list has a record noted, the list does not say, and none is left
        out for it.
    latitude_deg, longitude_deg, elevation_m : float
        Of the garden.
    record : {"hourly", "daily"}
    today : date
        To tell whether a record still goes on.

    Returns
    -------
    tuple of Station
        By distance plus what the height difference counts as; ties by id. Not cut to ``most``: a
        station whose files turn out to be missing makes room for the next.
    """
    silent = all(one.hourly is None and one.daily is None for one in listed)
    found: list[tuple[float, str, Station]] = []
    for one in listed:
        station = where_it_stands(one, latitude_deg, longitude_deg, elevation_m)
        height = abs(station.height_difference_m)
        if station.distance_km > numbers.reach_km or height > numbers.height_m:
            continue
        if silent or _has_record(one, record, today, numbers):
            cost = station.distance_km + height / 100.0 * numbers.height_counts_km
            found.append((cost, station.id, station))
    return tuple(station for _, _, station in sorted(found, key=lambda row: row[:2]))
