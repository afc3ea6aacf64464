"""Which weather stations speak for the garden: kept with the list they were chosen from, and said once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from advisor.garden.model import Garden
from advisor.sources.meteostat_text import LIST_PATH, year_file_path
from advisor.store.database import Store
from advisor.store.learned import keep_learned, learned
from advisor.store.ledger import ledger_rows
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import asked, station_file
from advisor.units import NumberTable
from advisor.weather.stations import (
    ListedStation,
    Record,
    Station,
    StationNumbers,
    is_station_id,
    nearest,
    where_it_stands,
)

__all__ = ["StationList", "chosen", "keep_list", "known_list", "list_is_due", "list_url", "news", "words_of"]

_LIST = "stations"
_NEWS = "stations-news"


@dataclass(frozen=True, slots=True)
class StationList:
    """The stations around the garden as last listed.

    Attributes
    ----------
    at_utc : datetime
    latitude_deg, longitude_deg : float
        The place around which was looked.
    pins : tuple of str
        Ids that service.toml named then.
    listed : tuple of ListedStation
    """

    at_utc: datetime
    latitude_deg: float
    longitude_deg: float
    pins: tuple[str, ...]
    listed: tuple[ListedStation, ...]


def list_url(settings: ServiceSettings) -> str:
    """Return the address of the list; empty where the service is switched off."""
    base_url = settings.base_urls.get("meteostat", "")
    return base_url + LIST_PATH if base_url else ""


def _span(value: Any) -> tuple[date, date] | None:
    return None if value is None else (date.fromisoformat(value[0]), date.fromisoformat(value[1]))


def known_list(store: Store, now_utc: datetime) -> StationList | None:
    """Return the last good list from now or before, None where there was never one."""
    found = learned(store, _LIST, now_utc)
    if found is None:
        return None
    listed = []
    for row in found["listed"]:
        identity, name, latitude, longitude, elevation = row["place"]
        if is_station_id(identity):
            spans = _span(row["hourly"]), _span(row["daily"])
            listed.append(ListedStation(identity, name, latitude, longitude, elevation, *spans))
    at_utc = datetime.fromisoformat(found["at"])
    return StationList(at_utc, found["latitude"], found["longitude"], tuple(found["pins"]), tuple(listed))


def keep_list(store: Store, known: StationList) -> None:
    """Keep a good list in place of the earlier one."""

    def days(span: tuple[date, date] | None) -> list[str] | None:
        return None if span is None else [span[0].isoformat(), span[1].isoformat()]

    value = {
        "at": known.at_utc.isoformat(),
        "latitude": known.latitude_deg,
        "longitude": known.longitude_deg,
        "pins": list(known.pins),
        "listed": [
            {
                "place": [one.id, one.name, one.latitude_deg, one.longitude_deg, one.elevation_m],
                "hourly": days(one.hourly),
                "daily": days(one.daily),
            }
            for one in known.listed
        ],
    }
    with store.transaction() as tx:
        keep_learned(tx, _LIST, value, known.at_utc)


def list_is_due(
    store: Store, settings: ServiceSettings, garden: Garden, now_utc: datetime, numbers: NumberTable
) -> bool:
    """Whether the list must be asked for: never had, old, the garden moved, or other stations were named."""
    known = known_list(store, now_utc)
    last = asked(store, list_url(settings), now_utc)
    waits = timedelta(days=numbers.value("meteostat.bad_every", "d"))
    if last is not None and last.answer == "bad" and now_utc - last.asked_at_utc < waits:
        return False
    if known is None or known.pins != settings.stations:
        return True
    there = ListedStation("here", "", known.latitude_deg, known.longitude_deg, garden.elevation_m)
    moved_km = where_it_stands(
        there, garden.latitude_deg, garden.longitude_deg, garden.elevation_m
    ).distance_km
    if not settings.stations and moved_km > numbers.value("stations.moved", "km"):
        return True
    return now_utc - known.at_utc >= timedelta(days=numbers.value("meteostat.stations_every", "d"))


def _has_no_files(
    store: Store, settings: ServiceSettings, station: Station, record: Record, now_utc: datetime
) -> bool:
    """Whether the service said of both of the newest years that there is no file, and none is kept."""
    years = (now_utc.year, now_utc.year - 1) if record == "hourly" else (now_utc.year - 1, now_utc.year - 2)
    for year in years:
        url = settings.base_urls["meteostat"] + year_file_path(record, year, station.id)
        last = asked(store, url, now_utc)
        if last is None or last.answer != "none" or station_file(store, url, now_utc) is not None:
            return False
    return True


def chosen(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    numbers: NumberTable,
    record: Record,
) -> tuple[Station, ...]:
    """Return the stations whose record counts, best first; those that service.toml names, if it names any.

    A station of whose newest years there are no files makes room for the next.
    """
    known = known_list(store, now_utc)
    if known is None or not settings.base_urls.get("meteostat"):
        return ()
    place = (garden.latitude_deg, garden.longitude_deg, garden.elevation_m)
    if settings.stations:
        by_id = {one.id: one for one in known.listed}
        return tuple(where_it_stands(by_id[pin], *place) for pin in settings.stations if pin in by_id)
    rules = StationNumbers.from_numbers(numbers)
    ranked = nearest(known.listed, *place, record, now_utc.date(), rules)
    there = [one for one in ranked if not _has_no_files(store, settings, one, record, now_utc)]
    return tuple(there[: rules.most])


def words_of(stations: Sequence[Station], numbers: NumberTable) -> str:
    """Say which stations speak for the garden, or that none does."""
    if not stations:
        reach, most_m = numbers.value("stations.reach", "km"), numbers.value("stations.height", "m")
        return (
            f"No weather station with a record is within {reach:.0f} km and {most_m:.0f} m of height: past "
            "weather stays that of the forecast service. A farther one can be named in service.toml, "
            "[weather.meteostat] stations."
        )
    parts = []
    for one in stations:
        height = (
            f"{abs(one.height_difference_m):.0f} m {'higher' if one.height_difference_m > 0 else 'lower'}"
        )
        parts.append(f"{one.name} ({one.id}, {one.distance_km:.0f} km away, {height})")
    return f"Past weather comes from the station {', then '.join(parts)}, as far as it was observed."


def news(store: Store, garden: Garden, text: str, now_utc: datetime) -> tuple[str, ...]:
    """Return ``text`` until a digest has gone out with it; the same text is never said again."""
    last = learned(store, _NEWS, now_utc)
    if last is None or last["text"] != text:
        with store.transaction() as tx:
            keep_learned(tx, _NEWS, {"text": text, "at": now_utc.isoformat(), "told": False}, now_utc)
        return (text,)
    if last["told"]:
        return ()
    since = datetime.fromisoformat(last["at"])
    first = since.astimezone(garden.zone).date()
    rows = ledger_rows(store, first, now_utc.astimezone(garden.zone).date())
    if any(row.kind == "digest" and row.state == "queued" and row.created_at_utc >= since for row in rows):
        with store.transaction() as tx:
            keep_learned(tx, _NEWS, {**last, "told": True}, now_utc)
        return ()
    return (text,)
