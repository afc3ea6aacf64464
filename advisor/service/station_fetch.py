"""Fetches station records a few files a pass, most useful first; what is there is never asked for again soon.

Only a tick calls this. Every file that was answered is kept at once, so that a pass that is cut off, or
the next one, goes on where this one stopped.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from advisor.errors import SourceError, StoreError
from advisor.garden.model import Garden
from advisor.service.fetch import Gathered
from advisor.service.station_choice import (
    StationList,
    chosen,
    keep_list,
    known_list,
    list_is_due,
    list_url,
    news,
    words_of,
)
from advisor.sources.meteostat_text import BadFileError, Kind, year_file_path
from advisor.store import backoff
from advisor.store.database import Store
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import Asked, asked, keep_answer, keep_file
from advisor.units import NumberTable

if TYPE_CHECKING:
    from advisor.sources.budget import Budget
    from advisor.sources.http import HttpClient
    from advisor.weather.stations import ListedStation

__all__ = ["Wanted", "climate_years", "gather_observations", "past_from_utc", "wanted_files"]

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A year file that is due: what it is, and what was answered last time."""

    kind: Kind
    year: int
    station_id: str
    url: str
    last: Asked | None


def past_from_utc(garden: Garden, now_utc: datetime, numbers: NumberTable) -> datetime:
    """Return the first moment of the past that trees need: chilling and warmth of their running year."""
    before = timedelta(days=numbers.value("service.season_before", "d"))
    season = datetime(now_utc.year, 1, 1, tzinfo=UTC) - before
    if garden.southern:
        season = datetime(now_utc.year - (now_utc.month < 7), 7, 1, tzinfo=UTC) - before
    return min(season, now_utc - timedelta(days=numbers.value("service.history_days", "d")))


def climate_years(now_utc: datetime, numbers: NumberTable) -> tuple[int, ...]:
    """Return the finished years that make a climate, newest first."""
    count = round(numbers.value("meteostat.climate_years", "count"))
    return tuple(range(now_utc.year - 1, now_utc.year - 1 - count, -1))


def _in_order(
    store: Store, settings: ServiceSettings, garden: Garden, now_utc: datetime, numbers: NumberTable
) -> Iterator[tuple[Kind, int, str]]:
    """Every file that is of use, the most useful first."""
    observing = chosen(store, settings, garden, now_utc, numbers, "hourly")
    for year in range(now_utc.year, past_from_utc(garden, now_utc, numbers).year - 1, -1):
        for station in observing:
            yield "hourly", year, station.id
    for year in reversed(settings.past_years):
        for station in observing:
            if year <= now_utc.year:
                yield "hourly", year, station.id
    recording = chosen(store, settings, garden, now_utc, numbers, "daily")
    for year in climate_years(now_utc, numbers):
        for station in recording:
            yield "daily", year, station.id


def _wait(kind: Kind, year: int, last: Asked, now_utc: datetime, numbers: NumberTable) -> timedelta:
    """How long after its last answer a file is asked for again."""
    current = year >= now_utc.year
    if last.answer == "bad":
        key = "bad_every"
    elif last.answer == "none":
        key = "missing_current_every" if current else "missing_every"
    elif current:
        key = "hourly_current_every"
    elif year == now_utc.year - 1:
        key = f"{kind}_previous_every"
    else:
        key = "finished_every"
    return timedelta(days=numbers.value(f"meteostat.{key}", "d"))


def wanted_files(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    numbers: NumberTable,
    most: int,
) -> tuple[Wanted, ...]:
    """Return at most ``most`` year files that are due now."""
    found: list[Wanted] = []
    base_url = settings.base_urls.get("meteostat", "")
    for kind, year, station_id in _in_order(store, settings, garden, now_utc, numbers):
        if len(found) == most:
            break
        url = base_url + year_file_path(kind, year, station_id)
        last = asked(store, url, now_utc)
        if last is None or now_utc - last.asked_at_utc >= _wait(kind, year, last, now_utc, numbers):
            found.append(Wanted(kind, year, station_id, url, last))
    return tuple(found)


def gather_observations(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    monotonic: Callable[[], float],
    numbers: NumberTable,
    *,
    spent_s: float = 0.0,
) -> Gathered:
    """Ask for the list of stations and for a few year files, if any are due; keep what comes.

    Parameters
    ----------
    spent_s : float
        Seconds of the pass's network budget that are used up already.

    Returns
    -------
    Gathered
        Only ``problems`` and ``notes``. Never sleeps and never raises for a service's fault: the fault is
        in ``problems``, and the host is left alone for a while. That no station is in reach is a note,
        said in one digest.
    """
    if not list_url(settings) or store.read_only:
        return Gathered()
    try:
        return _gathered(store, settings, garden, now_utc, monotonic, numbers, spent_s)
    except StoreError:
        raise
    except Exception as error:
        log.exception("event=observations-failed")
        return Gathered(problems=(f"station records could not be fetched ({type(error).__name__}: {error})",))


def _gathered(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    monotonic: Callable[[], float],
    numbers: NumberTable,
    spent_s: float,
) -> Gathered:
    host = urlsplit(list_url(settings)).netloc
    most = round(numbers.value("meteostat.files_a_pass", "count"))
    problems: list[str] = []
    if backoff.may_ask(store, host, now_utc):
        list_due = list_is_due(store, settings, garden, now_utc, numbers)
        if list_due or wanted_files(store, settings, garden, now_utc, numbers, 1):
            problems = _asked_for(
                store, settings, garden, now_utc, monotonic, numbers, host, most, spent_s, list_due=list_due
            )
    known = known_list(store, now_utc)
    if known is None or list_is_due(store, settings, garden, now_utc, numbers):
        return Gathered(problems=tuple(problems))
    text = words_of(chosen(store, settings, garden, now_utc, numbers, "hourly"), numbers)
    lost = sorted(set(settings.stations) - {one.id for one in known.listed})
    if lost:
        text += f" Meteostat knows no station {', '.join(lost)}: mend stations in service.toml."
    return Gathered(problems=tuple(problems), notes=news(store, garden, text, now_utc))


def _asked_for(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    monotonic: Callable[[], float],
    numbers: NumberTable,
    host: str,
    most: int,
    spent_s: float,
    *,
    list_due: bool,
) -> list[str]:
    """Ask, within what is left of the budget; return the problems in words."""
    from advisor.sources.budget import PASS_S, Budget
    from advisor.sources.http import CONNECT_S, HttpClient
    from advisor.sources.meteostat_files import ASKED_AS, fetch_year_file

    budget = Budget(monotonic, pass_s=PASS_S - spent_s)
    if budget.left_s(ASKED_AS) <= CONNECT_S:
        return []  # the next pass goes on; the host is not to blame
    client = HttpClient(settings.contact)
    base_url = settings.base_urls["meteostat"]
    problems: list[str] = []
    try:
        if list_due:
            problems += _list_asked_for(store, settings, garden, now_utc, numbers, client, budget)
        for wanted in wanted_files(store, settings, garden, now_utc, numbers, most):
            if budget.left_s(ASKED_AS) <= CONNECT_S:
                break
            kept = wanted.last
            try:
                reply = fetch_year_file(
                    client,
                    base_url,
                    wanted.kind,
                    wanted.year,
                    wanted.station_id,
                    now_utc,
                    budget,
                    etag=kept.etag if kept else "",
                    modified=kept.modified if kept else "",
                )
            except BadFileError as error:
                keep_answer(store, wanted.url, "bad", now_utc)
                problems.append(str(error))
                continue
            if reply.answer == "new":
                keep_file(store, wanted.url, reply.body, now_utc, etag=reply.etag, modified=reply.modified)
            else:
                keep_answer(store, wanted.url, reply.answer, now_utc)
        backoff.record_success(store, host)
    except SourceError as error:
        problems.append(str(error))
        backoff.record_failure(store, host, now_utc, error.retry_after_s, str(error))
    finally:
        client.close()
    return problems


def _list_asked_for(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    numbers: NumberTable,
    client: HttpClient,
    budget: Budget,
) -> list[str]:
    """Ask for the list, or for each station that service.toml names; keep the last good one on a fault."""
    from advisor.sources.meteostat_stations import fetch_list, fetch_station, near_in_list

    base_url = settings.base_urls["meteostat"]
    place = (garden.latitude_deg, garden.longitude_deg)
    listed: tuple[ListedStation, ...]
    try:
        if settings.stations:
            named = [fetch_station(client, base_url, pin, now_utc, budget) for pin in settings.stations]
            listed = tuple(one for one in named if one is not None)
        else:
            body = fetch_list(client, base_url, now_utc, budget)
            listed = near_in_list(body, *place, numbers.value("stations.reach", "km"))
    except BadFileError as error:
        keep_answer(store, list_url(settings), "bad", now_utc)
        older = ", the last good list is kept" if known_list(store, now_utc) is not None else ""
        return [f"{error}{older}"]
    except SourceError as error:
        hint = "; if the line is too slow for the list, name stations in service.toml, [weather.meteostat]"
        raise SourceError(
            f"{error}{'' if settings.stations else hint}",
            transient=error.transient,
            retry_after_s=error.retry_after_s,
        ) from error
    keep_list(store, StationList(now_utc, *place, settings.stations, listed))
    keep_answer(store, list_url(settings), "same", now_utc)
    return []
