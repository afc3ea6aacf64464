"""Answers questions between passes: reads files and weather, evaluates, writes neither ledger nor outbox."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from advisor.advice.model import WorkJudgement
from advisor.advice.work import judge
from advisor.errors import Fault, SettingsError, StoreError
from advisor.garden.tables import Tables
from advisor.service.climate import kept_climate
from advisor.service.clock import Clock, clock_for, monotonic_s
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.service.fetch import Gathered, gather
from advisor.service.files import Files, load_files, read_folder, state_folder_of
from advisor.service.learn_error import error_for, known_errors
from advisor.service.told_moves import told_moves
from advisor.service.told_watering import told_watering
from advisor.service.weather_now import assemble
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.garden_files import GARDEN_FILE, load_garden_file
from advisor.store.ledger import standing_told
from advisor.store.toml_faults import did_you_mean
from advisor.store.weather_archive import newest

__all__ = ["Asked", "ask", "clock_of_folder", "judge_asked", "trees_asked", "work_asked"]


@dataclass(frozen=True, slots=True)
class Asked:
    """An evaluation for a question, with what has to be said about it."""

    evaluation: Evaluation
    files: Files
    tables: Tables
    problems: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Faults in the grower's files; the faulty parts were left out."""
        return self.files.faults

    @property
    def exit_code(self) -> int:
        """3 without usable weather, 1 when something failed or was left out, else 0."""
        if self.evaluation.situation.weather is None:
            return 3
        return 1 if self.faults or self.problems else 0


def clock_of_folder(folder: Path, now_text: str | None) -> Clock:
    """Return the clock of a command; a ``--now`` without offset needs the garden's zone."""
    if now_text is None:
        return clock_for(None, None)
    garden = load_garden_file(folder / GARDEN_FILE, load_tables()).garden
    return clock_for(now_text, garden.zone if garden is not None else None)


def ask(folder: Path, clock: Clock) -> Asked:
    """Evaluate the garden as of now.

    Weather is fetched unless a forecast of the last hour is stored. What is fetched is kept in the
    store's archive when the folder belongs to the same kind of clock, and only there.

    Raises
    ------
    SettingsError
        The files cannot be used and no good copy is kept.
    """
    now_utc = clock.now_utc()
    tables = load_tables()
    given = read_folder(folder, tables, now_utc)
    state_folder = state_folder_of(folder, given.settings)
    store = _store(state_folder, now_utc, clock)
    try:
        files = load_files(given, tables, store, folder, now_utc)
        gathered = Gathered()
        if store is None or _stale(store, now_utc):
            keeper = store if store is not None and not store.read_only else None
            gathered = gather(
                keeper or store, files.settings, files.holdings.garden, now_utc, monotonic_s, tables.operation
            )
            fresh, ensemble = (() if keeper else gathered.tables), gathered.ensemble
        else:
            fresh, ensemble = (), None
        settings = files.settings
        errors = known_errors(store, now_utc, settings.correction)
        weather = assemble(store, fresh, ensemble, files.holdings.garden, tables, now_utc, errors, settings)
        evaluation = evaluate(
            files.holdings,
            tables,
            weather,
            now_utc,
            AlertSettings(settings.caution, f"{settings.quiet_from:%H:%M}", f"{settings.quiet_until:%H:%M}"),
            told_standing=frozenset(standing_told(store)) if store is not None else frozenset(),
            told_watering=told_watering(store, now_utc, tables.operation),
            told_moves=told_moves(store, now_utc, tables.operation),
            forecast_error=error_for(errors, weather),
            climate=kept_climate(store, files.holdings.garden, now_utc),
        )
    finally:
        if store is not None:
            store.close()
    problems = (*gathered.problems, *evaluation.failures)
    return Asked(evaluation, files, tables, problems, gathered.notes)


def _store(state_folder: Path, now_utc: datetime, clock: Clock) -> Store | None:
    """Open the store for a question: writable for the archive only where the clock is of the same kind."""
    if not Store.exists(state_folder):
        return None
    try:
        store = Store.open(state_folder, now_utc, None)
    except StoreError:
        store = Store.open(state_folder, now_utc, None, read_only=True)
    if store.clock_kind != clock.kind and not store.read_only:
        store.close()
        store = Store.open(state_folder, now_utc, None, read_only=True)
    return store


def _stale(store: Store, now_utc: datetime) -> bool:
    found = newest(store, "forecast", now_utc)
    return not found or now_utc - found[0].fetched_at_utc > timedelta(hours=1)


def work_asked(asked: Asked, work: str) -> str:
    """Return the kind of work that was named; the grower's spelling may be off by a letter only in the error.

    Raises
    ------
    SettingsError
        There is no such kind of work; names the nearest.
    """
    if work not in asked.tables.works:
        raise SettingsError(f"no kind of work {work!r}; {did_you_mean(work, list(asked.tables.works))}")
    return work


def trees_asked(asked: Asked, named: tuple[str, ...]) -> tuple[str, ...]:
    """Return tree ids: those named, all on ``@place``, or all.

    Raises
    ------
    SettingsError
        An unknown tree or place; names the nearest.
    """
    holdings, states = asked.files.holdings, asked.evaluation.situation.states
    every = tuple(tree.id for tree in holdings.trees)
    found: list[str] = []
    for name in named or ("all",):
        if name == "all":
            found += every
        elif name.startswith("@"):
            if name[1:] not in holdings.places:
                raise SettingsError(f"no place {name[1:]!r}; {did_you_mean(name[1:], list(holdings.places))}")
            found += [tree for tree in every if states[tree].place_id == name[1:]]
        elif name in every:
            found.append(name)
        else:
            raise SettingsError(f"no tree {name!r} in garden.toml; {did_you_mean(name, list(every))}")
    return tuple(dict.fromkeys(found))


def judge_asked(
    asked: Asked, work: str, trees: tuple[str, ...], day: date | None
) -> tuple[WorkJudgement, ...]:
    """Judge a kind of work on trees for a day (today when None).

    Raises
    ------
    SettingsError
        The day lies in the past.
    """
    situation = asked.evaluation.situation
    wanted = day or situation.day
    if wanted < situation.day:
        raise SettingsError(f"--day {wanted} lies in the past; today is {situation.day}")
    return tuple(judge(situation, work, tree, wanted) for tree in trees)
