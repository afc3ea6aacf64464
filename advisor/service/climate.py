"""The garden's climate: worked out when the daily records of stations have come, kept, and read cheaply.

Reading it needs neither pandas nor SciPy; making it reads some ninety files and takes seconds, so that a
pass does it last, seldom, and only when there is something new to read.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Any

from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.store.database import Store
from advisor.store.learned import keep_learned, learned
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import files_kept
from advisor.weather.climate import Climate, best_climate
from advisor.weather.climate_codec import VERSION, climate_from_plain, plain_climate

__all__ = ["climate_is_due", "keep_climate", "kept_climate", "renew_climate"]

log = logging.getLogger(__name__)

_CLIMATE = "climate"
_MADE = "climate-made"
_DAILY = "/daily/"
"""Part of the address of every file of a daily record."""


def _place(garden: Garden) -> list[float]:
    """Where the garden lies, as far as it matters to a climate (about a kilometre; 10 m of height)."""
    return [round(garden.latitude_deg, 2), round(garden.longitude_deg, 2), round(garden.elevation_m, -1)]


def keep_climate(store: Store, climate: Climate, garden: Garden, now_utc: datetime) -> None:
    """Keep the climate of a garden in place of the earlier one."""
    with store.transaction() as tx:
        keep_learned(tx, _CLIMATE, {"place": _place(garden), "climate": plain_climate(climate)}, now_utc)


def kept_climate(store: Store | None, garden: Garden, now_utc: datetime) -> Climate | None:
    """Return the climate kept for the garden, None where there is none, or one of another place.

    One that cannot be read is no climate: it is logged, and the next pass makes it anew.
    """
    found = None if store is None else learned(store, _CLIMATE, now_utc)
    if not isinstance(found, dict) or found.get("place") != _place(garden):
        return None
    try:
        return climate_from_plain(found["climate"])
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        log.warning("event=climate-unreadable why=%s", error)
        return None


def _mark(store: Store, settings: ServiceSettings, garden: Garden, now_utc: datetime) -> dict[str, Any]:
    """What the climate rests on: the files that are there, the place, the stations named."""
    count, newest = files_kept(store, _DAILY, now_utc)
    return {
        "files": count,
        "newest": None if newest is None else newest.isoformat(),
        "place": _place(garden),
        "pins": list(settings.stations),
        "version": VERSION,
    }


def climate_is_due(
    store: Store, settings: ServiceSettings, garden: Garden, tables: Tables, now_utc: datetime
) -> bool:
    """Whether there is something new to make a climate of, and the files have come to rest.

    While none is kept for this place, a new attempt is made every few hours with what is there.
    """
    mark, last = _mark(store, settings, garden, now_utc), learned(store, _MADE, now_utc)
    if not mark["files"] or (last is not None and last["mark"] == mark):
        return False
    numbers = tables.operation
    quiet = timedelta(minutes=numbers.value("climate.quiet", "min"))
    if now_utc - datetime.fromisoformat(mark["newest"]) >= quiet:
        return True
    if last is None:
        return True
    waits = timedelta(hours=numbers.value("climate.try_every", "h"))
    return not last["kept"] and now_utc - datetime.fromisoformat(last["at"]) >= waits


def renew_climate(
    store: Store, settings: ServiceSettings, garden: Garden, tables: Tables, now_utc: datetime
) -> tuple[str, ...]:
    """Make the climate anew if it is due, and keep it; return what there is to say, in words.

    Where the records have become too thin, the climate kept for the place stays. An attempt that failed is
    not repeated until something new has come.
    """
    if store.read_only or not climate_is_due(store, settings, garden, tables, now_utc):
        return ()
    from advisor.service.observations import daily_tables

    mark = _mark(store, settings, garden, now_utc)
    said: tuple[str, ...] = ()
    try:
        records = daily_tables(store, settings, garden, now_utc)
        climate, reasons = best_climate(
            records,
            garden.latitude_deg,
            now_utc.date(),
            tables.climate,
            named_by_grower=bool(settings.stations),
        )
    except Exception as error:  # a damaged file or library fault costs only the climate
        log.exception("event=climate-failed")
        climate, reasons = None, ()
        said = (f"the garden's climate could not be worked out ({type(error).__name__}: {error})",)
    for reason in reasons:
        log.info("event=climate-record-left-out why=%s", reason)
    if climate is not None:
        keep_climate(store, climate, garden, now_utc)
        log.info("event=climate station=%s years=%d", climate.station.id, len(climate.years))
    kept = climate is not None or kept_climate(store, garden, now_utc) is not None
    made = {"mark": mark, "at": now_utc.isoformat(), "kept": kept}
    with store.transaction() as tx:
        keep_learned(tx, _MADE, made, now_utc)
    return said
