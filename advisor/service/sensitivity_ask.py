"""Garden, weather and mornings for ``advisor sensitivity``: from a file, the store, or the demo."""

from __future__ import annotations

import gzip
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from advisor.errors import DataGap, Fault, SettingsError
from advisor.garden.model import Garden, Holdings
from advisor.garden.table_rows import matches_row, rows_of
from advisor.garden.tables import Tables
from advisor.message.sensitivity_text import SensitivityView
from advisor.service.clock import Clock
from advisor.service.demo import DEMO_NOW
from advisor.service.demo import FILES as DEMO_FILES
from advisor.service.evaluate import AlertSettings
from advisor.service.files import read_folder
from advisor.service.replay_weather import past_weather
from advisor.service.sensitivity import Report, mornings_between, sensitivity
from advisor.service.weather_now import assemble
from advisor.sources.open_meteo import parse_forecast
from advisor.store.config_files import config_folder, load_tables
from advisor.store.database import Store
from advisor.store.garden_files import holdings_of, parse_garden
from advisor.store.hourly_files import read_hourly
from advisor.store.journal_files import journal_text
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["Asked", "Wishes", "ask_sensitivity"]

_FAR = datetime(9000, 1, 1, tzinfo=UTC)
"""Later than any journal line: a line counts from its own day on, whatever the day is now."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the grower asked for; None means by ``[mornings]`` of config/sensitivity.toml."""

    weather_file: Path | None = None
    demo: bool = False
    first: date | None = None
    last: date | None = None
    every_d: int | None = None
    every_row: bool = False
    only: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """The answer, and what has to be said beside it."""

    view: SensitivityView
    lines: tuple[str, ...]
    """Faults, mornings left out, failures."""
    exit_code: int


def ask_sensitivity(
    folder: Path, clock: Clock, wishes: Wishes, report: Report, stop: Callable[[], bool] = lambda: False
) -> Asked:
    """Vary the numbers over the garden's mornings; ``stop`` is asked after each variation.

    Raises
    ------
    SettingsError
        Files or arguments cannot be used.
    DataGap
        No weather covers any of the mornings.
    """
    tables = load_tables()
    with _folder(folder, demo=wishes.demo) as used:
        given = read_folder(used, tables, _FAR)
        journal, _ = journal_text(used)
    if given.holdings is None or given.settings is None:
        raise SettingsError(given.faults)
    _check(wishes, tables)
    settings, garden = given.settings, given.holdings.garden
    lines = [f"{fault} (left out: {fault.drops})" for fault in given.faults]
    if wishes.weather_file is not None:
        table, record = read_hourly(wishes.weather_file, garden.zone, tables.physics, clock.now_utc())
        end = utc_of(table.start_utc[-1]) + timedelta(hours=1)
        past = past_weather(table, garden, tables, utc_of(table.start_utc[0]), end)
        weather = past.table
        for line in (*record.lines(), *past.lines):
            report(line)
    else:
        state = folder / settings.state_folder
        weather = _demo_weather(garden, tables) if wishes.demo else _stored(state, garden, tables, clock)
    mornings = _mornings(weather, wishes, garden, settings.digest_at, tables)
    covered = [at for at in mornings if weather.covers(at)]
    if not covered:
        raise DataGap("air_temperature_c", mornings[0] if mornings else None, None)
    left_out = [f"{at.astimezone(garden.zone):%Y-%m-%d}" for at in mornings if at not in covered]
    if left_out:
        lines.append(f"Left out, no weather: {', '.join(left_out)}")

    def build(by: Tables) -> Holdings:
        found, faults = holdings_of(parse_garden(given.garden_text, by), journal, _FAR)
        if found is None:
            raise SettingsError(faults)
        return found

    result = sensitivity(
        build,
        tables,
        weather,
        covered,
        AlertSettings(settings.caution, f"{settings.quiet_from:%H:%M}", f"{settings.quiet_until:%H:%M}"),
        every_row=wishes.every_row,
        only=wishes.only,
        report=report,
        stop=stop,
    )
    lines += result.failures
    view = SensitivityView(garden.name, garden.zone, weather.provenance.source, result)
    return Asked(view, tuple(lines), 1 if lines or not result.complete else 0)


@contextmanager
def _folder(folder: Path, *, demo: bool) -> Iterator[Path]:
    """The grower's folder, or a copy of the demo's files."""
    if not demo:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="advisor-demo-") as temporary:
        for name in DEMO_FILES:
            (Path(temporary) / name).write_bytes((config_folder() / "demo" / name).read_bytes())
        yield Path(temporary)


def _demo_weather(garden: Garden, tables: Tables) -> WeatherTable:
    body = gzip.decompress((config_folder() / "demo" / "forecast.json.gz").read_bytes())
    weather = assemble(None, [parse_forecast(body, DEMO_NOW)], None, garden, tables, DEMO_NOW)
    if weather is None:
        raise DataGap("air_temperature_c", None, None)
    return weather


def _stored(state: Path, garden: Garden, tables: Tables, clock: Clock) -> WeatherTable:
    """The weather that passes have gathered; nothing is fetched for this question."""
    now_utc = clock.now_utc()
    weather = None
    if Store.exists(state):
        with Store.open(state, now_utc, None, read_only=True) as store:
            weather = assemble(store, (), None, garden, tables, now_utc)
    if weather is None:
        raise DataGap("air_temperature_c", now_utc, None)
    return weather


def _mornings(
    weather: WeatherTable, wishes: Wishes, garden: Garden, digest_at: time, tables: Tables
) -> tuple[datetime, ...]:
    numbers, zone = tables.sensitivity, garden.zone
    begin = utc_of(weather.start_utc[0]).astimezone(zone).date()
    end = (weather.covers_until_utc or utc_of(weather.start_utc[-1])).astimezone(zone).date()
    first = wishes.first or begin + timedelta(days=round(numbers.value("mornings.past_d", "d")))
    last = wishes.last or end - timedelta(days=round(numbers.value("mornings.ahead_d", "d")))
    every_d = wishes.every_d or round(numbers.value("mornings.every_d", "d"))
    return mornings_between(first, last, every_d, digest_at, zone)


def _check(wishes: Wishes, tables: Tables) -> None:
    """Refuse arguments that cannot be meant."""
    if wishes.demo and wishes.weather_file is not None:
        raise SettingsError("--demo brings its own weather; leave one of --demo and --weather out")
    if wishes.first is not None and wishes.last is not None and wishes.last < wishes.first:
        raise SettingsError(f"--to {wishes.last} lies before --from {wishes.first}")
    names = rows_of(tables)
    faults = [
        Fault("--only", None, pattern, "names no row of config/", "a pattern such as 'physics.toml water.*'")
        for pattern in wishes.only
        if not any(matches_row(name, pattern) for name in names)
    ]
    if faults:
        raise SettingsError(faults)
