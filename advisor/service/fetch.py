"""Asks the weather services when it is time, within the network budget, and keeps what they say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from advisor.errors import SourceError
from advisor.garden.model import Garden
from advisor.store import backoff
from advisor.store.backoff import Window
from advisor.store.database import Store
from advisor.store.service_files import ServiceSettings
from advisor.store.weather_archive import WeatherKind, newest, put_forecast
from advisor.units import NumberTable
from advisor.weather.members import Ensemble
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["Gathered", "Gatherer", "forecast_is_due", "gather", "keep_table"]

WEIGHT_LIMITS: dict[Window, float] = {"minute": 600.0, "hour": 5000.0, "day": 10000.0, "month": 300000.0}
"""Published limits of the free service a host. Source: open-meteo.com terms, as documented in 2026."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a round of asking gave.

    ``tables`` newest first (only what was fetched now, for commands that must not keep it);
    ``problems`` are faults of services in words; ``notes`` are not faults.
    """

    tables: tuple[WeatherTable, ...] = ()
    ensemble: Ensemble | None = None
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


Gatherer = Callable[[Store, ServiceSettings, Garden, datetime, Callable[[], float], NumberTable], Gathered]
"""What a pass calls when weather is due: ``gather``, or a replay's own."""


class _Round:
    """One round of asking: client, budget and store, made only when something is due."""

    def __init__(
        self,
        store: Store | None,
        settings: ServiceSettings,
        garden: Garden,
        now_utc: datetime,
        monotonic: Callable[[], float],
        numbers: NumberTable,
    ) -> None:
        from advisor.sources.budget import Budget
        from advisor.sources.http import HttpClient
        from advisor.sources.model import Site

        self.store, self.settings, self.now_utc, self.numbers = store, settings, now_utc, numbers
        self.budget = Budget(monotonic)
        self.client = HttpClient(settings.contact)
        self.site = Site(garden.latitude_deg, garden.longitude_deg, garden.elevation_m)
        self.problems: list[str] = []
        self.notes: list[str] = []

    def allowed(self, host: str, weight: float) -> bool:
        """Whether ``host`` may be asked now: not paused, and its limits not used up."""
        if self.store is None:
            return True
        paused = backoff.pause(self.store, host, self.now_utc)
        if paused is not None and paused.not_before_utc > self.now_utc:
            self.problems.append(
                f"{host} is left alone until {paused.not_before_utc:%H:%M} UTC after {paused.failures} "
                f"failures: {paused.why}"
            )
            return False
        if self.store.read_only:
            return True
        window = backoff.spend(self.store, host, self.now_utc, weight, WEIGHT_LIMITS)
        if window is not None:
            self.problems.append(f"{host}: the share of its {window} limit that is ours is used up")
            return False
        return True

    def failed(self, host: str, error: SourceError) -> None:
        """Note a failure of ``host``."""
        self.problems.append(str(error))
        if self.store is not None and not self.store.read_only:
            backoff.record_failure(self.store, host, self.now_utc, error.retry_after_s, str(error))

    def answered(self, host: str) -> None:
        """Note an answer of ``host``."""
        if self.store is not None and not self.store.read_only:
            backoff.record_success(self.store, host)


def forecast_is_due(store: Store, now_utc: datetime, numbers: NumberTable) -> bool:
    """Whether the newest forecast is old enough to ask again; imports nothing heavy."""
    found = newest(store, "forecast", now_utc)
    every = timedelta(minutes=numbers.value("service.forecast_every", "min"))
    return not found or now_utc - found[0].fetched_at_utc >= every


def _older_than(store: Store | None, kind: WeatherKind, now_utc: datetime, age: timedelta) -> bool:
    if store is None:
        return True
    found = newest(store, kind, now_utc)
    return not found or now_utc - found[0].fetched_at_utc >= age


def keep_table(store: Store | None, kind: WeatherKind, table: WeatherTable, now_utc: datetime) -> None:
    """Keep a fetched table in the archive, if there is one that can be written."""
    if store is None or store.read_only:
        return
    from advisor.weather.codec import encode_table

    put_forecast(
        store,
        table.provenance.source,
        kind,
        fetched_at_utc=now_utc,
        issued_at_utc=table.provenance.issued_at_utc,
        covers_from_utc=utc_of(table.start_utc[0]),
        covers_until_utc=utc_of(table.start_utc[-1]) + timedelta(hours=1),
        payload=encode_table(table),
    )


def _forecast(the_round: _Round) -> WeatherTable | None:
    from advisor.sources.open_meteo import VARIABLES_ASKED, call_weight
    from advisor.sources.registry import KNOWN_LATER, SOURCES

    numbers, store, now_utc = the_round.numbers, the_round.store, the_round.now_utc
    past = round(numbers.value("service.past_days", "d"))
    ahead = round(numbers.value("service.forecast_days", "d"))
    every = timedelta(days=numbers.value("service.history_every", "d"))
    long_past = _older_than(store, "history", now_utc, every)
    if long_past:
        past = round(numbers.value("service.history_days", "d"))
    for name in the_round.settings.forecast:
        base_url = the_round.settings.base_urls.get(name, "")
        if name in KNOWN_LATER:
            the_round.notes.append(f"source {name} is named in service.toml but not built into this version")
            continue
        if not base_url:
            the_round.notes.append(f"source {name} is switched off in service.toml")
            continue
        host = urlsplit(base_url).netloc
        if not the_round.allowed(host, call_weight(len(VARIABLES_ASKED), 1, past + ahead)):
            continue
        try:
            fetched = SOURCES[name].fetch(
                the_round.client, the_round.site, now_utc, past, ahead, the_round.budget, base_url=base_url
            )
        except SourceError as error:
            the_round.failed(host, error)
            continue
        the_round.answered(host)
        table = fetched.table
        if long_past:
            keep_table(store, "history", table, now_utc)
        row = table.index_at(now_utc)
        recent = table.between(row - 24 * round(numbers.value("service.past_days", "d")), table.hours)
        keep_table(store, "forecast", recent, now_utc)
        return table
    return None


def _ensemble(the_round: _Round) -> Ensemble | None:
    from advisor.sources.open_meteo import call_weight
    from advisor.sources.open_meteo_ensemble import DAYS, MEMBERS, MEMBERS_ASKED, fetch_ensemble

    store, now_utc = the_round.store, the_round.now_utc
    base_url = the_round.settings.ensemble_url
    every = timedelta(minutes=the_round.numbers.value("service.ensemble_every", "min"))
    if not base_url or not _older_than(store, "ensemble", now_utc, every):
        return None
    host = urlsplit(base_url).netloc
    if not the_round.allowed(host, call_weight(len(MEMBERS_ASKED), MEMBERS, DAYS)):
        return None
    try:
        fetched = fetch_ensemble(
            the_round.client, the_round.site, now_utc, the_round.budget, base_url=base_url
        )
    except SourceError as error:
        the_round.failed(host, error)
        return None
    the_round.answered(host)
    ensemble = fetched.ensemble
    if store is not None and not store.read_only:
        from advisor.weather.codec import encode_ensemble

        put_forecast(
            store,
            "open-meteo",
            "ensemble",
            fetched_at_utc=now_utc,
            issued_at_utc=None,
            covers_from_utc=utc_of(ensemble.start_utc[0]),
            covers_until_utc=utc_of(ensemble.start_utc[-1]) + timedelta(hours=1),
            payload=encode_ensemble(ensemble),
        )
    return ensemble


def gather(
    store: Store | None,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    monotonic: Callable[[], float],
    numbers: NumberTable,
) -> Gathered:
    """Ask for a forecast, and for members when theirs are old; keep both in ``store`` if there is one.

    Never sleeps and never raises for a service's fault: the fault is in ``problems``, and the host is
    left alone for a while.
    """
    the_round = _Round(store, settings, garden, now_utc, monotonic, numbers)
    try:
        table = _forecast(the_round)
        ensemble = _ensemble(the_round) if table is not None else None
    finally:
        the_round.client.close()
    return Gathered(
        () if table is None else (table,), ensemble, tuple(the_round.problems), tuple(the_round.notes)
    )
