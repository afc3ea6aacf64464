"""Past weather as a source: what was observed up to now, what a forecast would have said from now on.

The truth stands behind one object that hands out hours only up to the moment of the pass; everything
later leaves it as a made forecast. ``future_seen`` looks over what a pass worked with: a table that
marks an hour after now as observed ends the replay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from advisor.errors import AdvisorError
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.physics.sun import clear_sky_w_m2, hourly_sun
from advisor.service.evaluate import Evaluation
from advisor.service.fetch import Gathered, keep_table
from advisor.store.database import Store
from advisor.store.service_files import ServiceSettings
from advisor.store.weather_archive import newest, put_forecast
from advisor.units import NumberTable
from advisor.weather.climate import Climate, best_climate
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.made_forecast import FORECAST, OBSERVED, Draws, made_forecast, made_members
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import FloatArray, Provenance, WeatherTable, stamp_of, utc_of

__all__ = [
    "FutureSeenError",
    "PastSource",
    "PastWeather",
    "draws_of",
    "future_seen",
    "past_weather",
    "stored_climate",
    "stored_observations",
]

_HOUR = np.timedelta64(3600, "s")
_STREAMS = {"shared": 0, "own": 1, "members": 2}


class FutureSeenError(AdvisorError):
    """A replay looked at an hour that had not been observed yet: its results are worth nothing."""


def draws_of(seed: int) -> Draws:
    """Return generators keyed by seed, stream and hour: the same draws whatever was asked before."""

    def draws(stream: str, hour: int) -> np.random.Generator:
        return np.random.default_rng([seed, _STREAMS[stream], hour])

    return draws


@dataclass(frozen=True, slots=True)
class PastWeather:
    """The truth of a replay, complete, and the clear sky over its hours."""

    table: WeatherTable
    clear_sky_w_m2: FloatArray
    lines: tuple[str, ...] = ()
    """What has to be said about it."""

    def missing_hours(self, from_utc: datetime, until_utc: datetime) -> int:
        """Hours of a span without an air temperature, those outside the table included."""
        if not self.table.hours:
            return round((until_utc - from_utc) / timedelta(hours=1))
        rows = range(self.table.index_at(from_utc), self.table.index_at(until_utc))
        air = self.table.value("air_temperature_c")
        return sum(not (0 <= row < air.size and bool(np.isfinite(air[row]))) for row in rows)

    def observed(self, from_utc: datetime, until_utc: datetime, now_utc: datetime) -> WeatherTable:
        """Return hours that were observed by ``now_utc``.

        Raises
        ------
        FutureSeenError
            An hour is asked for that had not ended.
        """
        if until_utc > now_utc:
            raise FutureSeenError(
                f"at {now_utc:%Y-%m-%d %H:%M} UTC hours up to {until_utc:%Y-%m-%d %H:%M} were asked for as "
                "observed; they had not happened yet"
            )
        table = self.table.between(self.table.index_at(from_utc), self.table.index_at(until_utc))
        origin = self.table.provenance
        told = Provenance(FORECAST, now_utc, now_utc, attribution=origin.attribution, derived=origin.derived)
        return replace(table, provenance=told, source_by_hour=(OBSERVED,) * table.hours)


def past_weather(
    truth: WeatherTable, garden: Garden, tables: Tables, from_utc: datetime, until_utc: datetime
) -> PastWeather:
    """Return the truth of a span checked and completed for the garden's place."""
    cut = truth.between(truth.index_at(from_utc), truth.index_at(until_utc))
    place = (garden.latitude_deg, garden.longitude_deg, garden.elevation_m)
    before = truth.provenance.notes
    whole = complete(
        replace(cut, members={}, seam_utc=None),
        *place,
        derive=DeriveNumbers.from_numbers(tables.physics),
        quality=QualityNumbers.from_numbers(tables.physics),
    )
    lines = [f"weather: {note}" for note in whole.provenance.notes if note not in before]
    clear = clear_sky_w_m2(hourly_sun(whole.start_utc, *place)) if whole.hours else np.zeros(0)
    return PastWeather(whole, clear, tuple(lines))


class PastSource:
    """Takes the place of the weather services in a pass; ``now_utc`` is set before each.

    Keeps what it says in the store as the services' answers are kept, so that the pass puts its table
    together as always: a long past once a week, a forecast with two past days, members.
    """

    def __init__(self, past: PastWeather, tables: Tables, seed: int, members: int, *, growing: bool) -> None:
        self.past, self.tables, self.members, self.growing = past, tables, members, growing
        self.draws = draws_of(seed)
        self.now_utc: datetime | None = None

    def __call__(
        self,
        store: Store,
        settings: ServiceSettings,  # noqa: ARG002 - every gatherer is called alike
        garden: Garden,  # noqa: ARG002
        now_utc: datetime,
        monotonic: Callable[[], float],  # noqa: ARG002
        numbers: NumberTable,
    ) -> Gathered:
        """Keep what a service would have said at ``now_utc``.

        Raises
        ------
        FutureSeenError
            Another moment is asked for than that of the pass.
        """
        if now_utc != self.now_utc:
            raise FutureSeenError(f"weather of {now_utc} was asked for in a pass of {self.now_utc}")
        whole_hour = now_utc.replace(minute=0, second=0, microsecond=0)
        every = timedelta(days=numbers.value("service.history_every", "d"))
        last = newest(store, "history", now_utc)
        if not last or now_utc - last[0].fetched_at_utc >= every:
            begin = now_utc - timedelta(days=numbers.value("replay.reach", "d"))
            history = self.past.observed(begin, whole_hour, now_utc)
            if history.hours:
                keep_table(store, "history", history, now_utc)
        forecast = made_forecast(
            self.past.table,
            self.past.clear_sky_w_m2,
            now_utc,
            whole_hour - timedelta(days=numbers.value("service.past_days", "d")),
            whole_hour + timedelta(days=numbers.value("service.forecast_days", "d")),
            self.tables.physics,
            self.draws,
            growing=self.growing,
        )
        if not forecast.hours:
            return Gathered(problems=(f"no weather of {now_utc:%Y-%m-%d} in the record",))
        keep_table(store, "forecast", forecast, now_utc)
        if self.members:
            self._keep_members(store, forecast, now_utc, numbers)
        return Gathered()

    def _keep_members(
        self, store: Store, forecast: WeatherTable, now_utc: datetime, numbers: NumberTable
    ) -> None:
        from advisor.weather.codec import encode_ensemble

        first = self.past.table.index_at(utc_of(forecast.start_utc[0]))
        ensemble = made_members(
            forecast,
            self.past.clear_sky_w_m2[first : first + forecast.hours],
            now_utc,
            now_utc + timedelta(days=numbers.value("replay.member_days", "d")),
            self.members,
            self.tables.physics,
            self.draws,
            growing=self.growing,
        )
        if ensemble is None:
            return
        put_forecast(
            store,
            FORECAST,
            "ensemble",
            fetched_at_utc=now_utc,
            issued_at_utc=now_utc,
            covers_from_utc=utc_of(ensemble.start_utc[0]),
            covers_until_utc=utc_of(ensemble.start_utc[-1] + _HOUR),
            payload=encode_ensemble(ensemble),
        )


def future_seen(evaluation: Evaluation, now_utc: datetime, past: PastWeather, *, growing: bool) -> str | None:
    """Say what an evaluation knew of the time after ``now_utc``, or None.

    Looked at: the moment itself, journal entries, the hours that the table marks as observed, its seam,
    and, where forecasts have an error, hours to come that stand exactly as they happened.
    """
    situation = evaluation.situation
    if situation.now_utc != now_utc:
        return f"the pass of {now_utc} was worked out for {situation.now_utc}"
    late = [entry for entry in situation.holdings.journal if entry.at_utc > now_utc]
    if late:
        return f"journal line {late[0].line} of {late[0].at_utc} was read at {now_utc}"
    if situation.weather is None:
        return None
    found = _marked_too_soon(situation.weather, now_utc)
    if found is None and growing:
        found = _known_too_well(situation.weather, now_utc, past)
    return found


def _marked_too_soon(weather: WeatherTable, now_utc: datetime) -> str | None:
    """Say which hour counts as observed though it had not ended."""
    if weather.provenance.fetched_at_utc > now_utc:
        return f"weather fetched at {weather.provenance.fetched_at_utc} was used at {now_utc}"
    to_come = weather.start_utc + _HOUR > stamp_of(now_utc)
    observed = np.array([source not in {FORECAST, ""} for source in weather.source_by_hour], dtype=np.bool_)
    wrong = np.flatnonzero(to_come & observed)
    if wrong.size:
        hour = weather.start_utc[wrong[0]]
        return f"the hour {hour} UTC counts as observed at {now_utc:%Y-%m-%d %H:%M} UTC"
    whole_hour = now_utc.replace(minute=0, second=0, microsecond=0)
    if weather.seam_utc is not None and weather.seam_utc > whole_hour:
        return f"the forecast begins at {weather.seam_utc}, after {now_utc}"
    return None


def _known_too_well(weather: WeatherTable, now_utc: datetime, past: PastWeather) -> str | None:
    """Say how many hours to come stand exactly as they happened, where every forecast is wrong."""
    rows = ((weather.start_utc - past.table.start_utc[0]) // _HOUR).astype(np.int64)
    to_come = weather.start_utc + _HOUR > stamp_of(now_utc)
    inside = to_come & (rows >= 0) & (rows < past.table.hours)
    was = past.table.value("air_temperature_c")[rows[inside]]
    same = int((weather.value("air_temperature_c")[inside] == was).sum())
    if not same:
        return None
    return f"{same} hours after {now_utc} stand exactly as they happened, though forecasts are wrong"


def stored_climate(
    state_folder: Path,
    settings: ServiceSettings,
    garden: Garden,
    tables: Tables,
    asked_utc: datetime,
    before: date,
) -> Climate | None:
    """Return the climate that the daily records in the grower's store give; None without one.

    Only days before ``before`` count, so that a replayed season is not judged by what came after it.
    """
    from advisor.service.observations import daily_tables

    if not Store.exists(state_folder):
        return None
    with Store.open(state_folder, asked_utc, None, read_only=True) as store:
        records = daily_tables(store, settings, garden, asked_utc)
    named = bool(settings.stations)
    return best_climate(records, garden.latitude_deg, before, tables.climate, named_by_grower=named)[0]


def stored_observations(
    state_folder: Path,
    settings: ServiceSettings,
    garden: Garden,
    asked_utc: datetime,
    span_utc: tuple[datetime, datetime],
) -> WeatherTable | None:
    """Return what station files in the grower's store tell of a span of the past; None without any."""
    from advisor.service.observations import observed_table

    if not Store.exists(state_folder):
        return None
    with Store.open(state_folder, asked_utc, None, read_only=True) as store:
        return observed_table(store, settings, garden, asked_utc, *span_utc)
