"""What a replay is asked for, what it rests on, and the record of the past it runs over."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Literal

from advisor import __version__
from advisor.garden.tables import Tables
from advisor.service.files import state_folder_of
from advisor.service.replay_garden import ReplayGarden
from advisor.service.replay_progress import mark_of
from advisor.service.replay_weather import stored_observations
from advisor.store.config_files import config_folder
from advisor.store.hourly_files import read_hourly
from advisor.weather.climate import Climate
from advisor.weather.climate_codec import plain_climate
from advisor.weather.codec import encode_table
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import WeatherTable

__all__ = ["ReplayPlan", "marks_of", "record_of", "span_of"]


@dataclass(frozen=True, slots=True)
class ReplayPlan:
    """What is asked for.

    Attributes
    ----------
    first_day, last_day : garden-local days, both replayed.
    out : folder of the results.
    weather_file : hourly observations; None for what the garden's own store holds.
    error : ``none`` for perfect forecasts, ``growing`` for an error that grows with lead time.
    members : how many members each forecast has; 0 for none.
    seed : of the errors.
    brief : leave the plan and the closing work windows out of the mails.
    every : days from one morning to the next; the hours between are met and kept all the same.
    """

    first_day: date
    last_day: date
    out: Path
    weather_file: Path | None = None
    error: Literal["none", "growing"] = "growing"
    members: int = 0
    seed: int = 1
    brief: bool = False
    every: int = 1

    @property
    def days(self) -> list[date]:
        """Every local day, oldest first."""
        return [self.first_day + timedelta(days=n) for n in range((self.last_day - self.first_day).days + 1)]

    @property
    def mornings(self) -> list[date]:
        """The days with passes, oldest first."""
        return self.days[:: self.every]


def record_of(
    folder: Path, plan: ReplayPlan, taken: ReplayGarden, tables: Tables, asked_utc: datetime
) -> tuple[WeatherTable | None, list[str]]:
    """Return the record of the past and what has to be said about it; None where there is none."""
    fetched = day_bounds_utc(plan.last_day, taken.garden.zone)[1]
    if plan.weather_file is not None:
        table, report = read_hourly(plan.weather_file, taken.garden.zone, tables.physics, fetched)
        return table, list(report.lines())
    state = state_folder_of(folder, taken.settings)
    span = span_of(plan, taken, tables)
    stored = stored_observations(state, taken.settings, taken.garden, asked_utc, span)
    if stored is None:
        years = list(range(span[0].year, plan.last_day.year + 1))
        words = (
            f"No station observations of {plan.first_day} to {plan.last_day} are stored for this garden; "
            f"name a file with --weather, or write past_years = {years} under [weather.meteostat] in "
            "service.toml and let the advisor tick until the files have come."
        )
        return None, [words]
    return stored, [f"weather: stored observations of {stored.provenance.source}"]


def span_of(plan: ReplayPlan, taken: ReplayGarden, tables: Tables) -> tuple[datetime, datetime]:
    """Hours of the record that the replay may touch."""
    numbers, zone = tables.operation, taken.garden.zone
    begin = day_bounds_utc(plan.first_day, zone)[0] - timedelta(days=numbers.value("replay.reach", "d"))
    ahead = timedelta(days=numbers.value("service.forecast_days", "d") + 1.0)
    return begin, day_bounds_utc(plan.last_day, zone)[1] + ahead


def marks_of(
    plan: ReplayPlan, taken: ReplayGarden, truth: WeatherTable, climate: Climate | None
) -> dict[str, str]:
    """Return fingerprints of everything that the results rest on."""
    config = config_folder()
    files = sorted((path for path in config.iterdir() if path.name.endswith(".toml")), key=lambda p: p.name)
    return {
        "span": mark_of(plan.first_day.isoformat(), plan.last_day.isoformat()),
        "options": mark_of(plan.error, str(plan.members), str(plan.seed), str(plan.brief), str(plan.every)),
        "garden": mark_of(taken.garden_text),
        "journal": mark_of(taken.journal_up_to(plan.last_day)),
        "service": mark_of(repr((taken.settings.digest_at, taken.settings.quiet_from))
                           + repr((taken.settings.quiet_until, taken.settings.caution))),
        "weather": mark_of(encode_table(truth)),
        "climate": mark_of(_climate_text(climate)),
        "config": mark_of(*(path.read_bytes() for path in files)),
        "version": mark_of(__version__),
    }  # fmt: skip


def _climate_text(climate: Climate | None) -> str:
    return "" if climate is None else json.dumps(plain_climate(climate), sort_keys=True)
