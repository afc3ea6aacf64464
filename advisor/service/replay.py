"""Replay: the garden over weather that happened, each morning as if it were today.

Every local day goes through ``run_pass`` at the digest's hour and once in the afternoon, with the weather
services replaced by the record (``replay_weather``), in a folder of its own. What would have been sent,
advised and met is written down; nothing is sent and nothing of the grower's is changed.
"""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from advisor.delivery.envelope import Envelope
from advisor.errors import SettingsError
from advisor.exposure.pot_memory import PotMemory
from advisor.garden.state import fold_all
from advisor.garden.tables import Tables
from advisor.service.climate import keep_climate, kept_climate
from advisor.service.clock import Clock
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate, warmth_of_places
from advisor.service.files import read_folder, state_folder_of
from advisor.service.learn_error import error_for, known_errors
from advisor.service.replay_garden import ReplayGarden, take_garden, write_garden
from advisor.service.replay_mornings import KeptMail, morning_line, read_mail
from advisor.service.replay_plan import ReplayPlan, marks_of, record_of, span_of
from advisor.service.replay_progress import Progress, alone_in, append_text, begin_or_go_on, mark_of
from advisor.service.replay_season import day_texts, keep_day, season_files, write_sheets
from advisor.service.replay_summary import summary_text
from advisor.service.replay_weather import (
    FutureSeenError,
    PastSource,
    PastWeather,
    future_seen,
    past_weather,
    stored_climate,
)
from advisor.service.tick import run_pass
from advisor.service.told_moves import told_moves
from advisor.service.told_watering import told_watering
from advisor.service.weather_now import assemble
from advisor.store.atomic_files import write_atomically
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.learned import keep_learned
from advisor.store.ledger import LedgerRow, standing_told, write_ledger
from advisor.weather.climate import Climate
from advisor.weather.csv_out import weather_csv
from advisor.weather.days import at_local, day_bounds_utc

__all__ = ["ReplayDone", "ReplayPlan", "run_replay"]

MORNINGS, TRUTH, SUMMARY, MESSAGES = "mornings.jsonl", "truth.csv.gz", "summary.txt", "messages"
_BEFORE_ALL = datetime(2000, 1, 1, tzinfo=UTC)
_NAMED = 20

Gatherer = Callable[[PastWeather, Tables, "ReplayPlan"], PastSource]


@dataclass(frozen=True, slots=True)
class ReplayDone:
    """How a replay went: exit code of the command, lines to say, and the summary once it is whole."""

    exit_code: int
    lines: tuple[str, ...]
    summary: str = ""


@dataclass
class _Run:
    """Everything that stays the same from day to day."""

    plan: ReplayPlan
    taken: ReplayGarden
    past: PastWeather
    source: PastSource
    tables: Tables
    progress: Progress
    known_faults: frozenset[str]
    climate: Climate | None = None
    pots: PotMemory = field(default_factory=PotMemory)

    @property
    def growing(self) -> bool:
        return self.plan.error == "growing"


def run_replay(
    folder: Path,
    plan: ReplayPlan,
    asked_utc: datetime,
    tell: Callable[[str], None] = lambda _: None,
    stop: Callable[[], bool] = lambda: False,
    make_source: Gatherer | None = None,
) -> ReplayDone:
    """Replay a garden folder; the same call on a folder that was begun goes on where it ended.

    Parameters
    ----------
    asked_utc : datetime
        The service clock, for reading the garden's own store.
    tell : callable
        Given a line of progress.
    stop : callable
        Asked after each day; True ends the replay in order.
    make_source : callable, optional
        Makes what takes the place of the weather services, for tests of the guard.

    Raises
    ------
    SettingsError
        Files, weather or arguments cannot be used, or another replay stands in the folder.
    FutureSeenError
        A pass knew what had not happened yet.
    StoreError
        The disk refused.
    """
    if plan.last_day < plan.first_day:
        raise SettingsError(f"--to {plan.last_day} lies before --from {plan.first_day}; swap them")
    tables = load_tables()
    taken = take_garden(folder, plan.last_day, tables)
    truth, lines = record_of(folder, plan, taken, tables, asked_utc)
    if truth is None:
        return ReplayDone(3, tuple(lines))
    begin, end = span_of(plan, taken, tables)
    past = past_weather(truth, taken.garden, tables, begin, end)
    first, last = (day_bounds_utc(day, taken.garden.zone) for day in (plan.first_day, plan.last_day))
    hours = round((last[1] - first[0]).total_seconds() / 3600.0)
    missing = past.missing_hours(first[0], last[1])
    lines += [f"{fault} (left out: {fault.drops})" for fault in taken.faults]
    if missing == hours:
        span = f"{plan.first_day} to {plan.last_day}"
        return ReplayDone(3, (*lines, f"The record has no air temperature from {span}; name another file."))
    lines += past.lines
    if missing:
        lines.append(f"{missing} of {hours} hours have no air temperature; they stay missing")
    if taken.later:
        lines.append(f"{taken.later} journal lines after {plan.last_day} are not used")
    state = state_folder_of(folder, taken.settings)
    climate = stored_climate(state, taken.settings, taken.garden, tables, asked_utc, plan.first_day)
    if climate is not None:
        lines.append(
            f"climate: {climate.station.name}, {len(climate.years)} years before the replay's first day"
        )
    marks = marks_of(plan, taken, truth, climate)
    source = make_source(past, tables, plan) if make_source is not None else None
    source = source or PastSource(past, tables, plan.seed, plan.members, growing=plan.error == "growing")
    known = frozenset(str(fault) for fault in taken.faults)
    with alone_in(plan.out):
        progress = begin_or_go_on(plan.out, marks)
        run = _Run(plan, taken, past, source, tables, progress, known, climate)
        return _days(run, lines, tell, stop)


def _prepare(run: _Run) -> None:
    """Write what does not change from day to day, and give the state its key for Message-IDs."""
    plan, progress = run.plan, run.progress
    write_garden(run.taken, plan.out, plan.last_day)
    write_atomically(plan.out / TRUTH, gzip.compress(weather_csv(run.past.table).encode(), 6, mtime=0))
    (plan.out / MESSAGES).mkdir(exist_ok=True)
    at_utc = day_bounds_utc(plan.first_day, run.taken.garden.zone)[0]
    with Store.open(progress.state, at_utc, "given") as store, store.transaction() as tx:
        keep_learned(tx, "message-key", mark_of(str(plan.seed)), _BEFORE_ALL)
    if run.climate is not None:
        with Store.open(progress.state, at_utc, "given") as store:
            keep_climate(store, run.climate, run.taken.garden, _BEFORE_ALL)


# --- day by day ------------------------------------------------------------------------------------


def _days(run: _Run, lines: list[str], tell: Callable[[str], None], stop: Callable[[], bool]) -> ReplayDone:
    plan, progress = run.plan, run.progress
    if progress.finished:
        told = f"This replay is finished already; its results are in {plan.out}."
        summary = (plan.out / SUMMARY).read_text(encoding="utf-8")
        return ReplayDone(_code(progress, run), (told,), summary)
    if progress.done_until is None:
        _prepare(run)
    else:
        tell(f"going on after {progress.done_until}")
    days = plan.mornings
    for number, day in enumerate(days, start=1):
        if progress.done_until is not None and day <= progress.done_until:
            continue
        if stop():
            return _interrupted(run, lines)
        _day(run, day)
        tell(f"{day}  day {number} of {len(days)}  {100 * number // len(days)} %")
    if stop():
        return _interrupted(run, lines)
    end = day_bounds_utc(plan.last_day, run.taken.garden.zone)[1]
    if run.progress.tally.get("closed", 0) == 0:
        _close(run, end)
    if not write_sheets(plan.out, run.taken.holdings, end, tell, stop):
        return _interrupted(run, lines)
    summary = summary_text(plan.out, run.taken.holdings, _described(run), lines, progress.tally)
    write_atomically(plan.out / SUMMARY, summary.encode())
    progress.finished = True
    progress.write()
    shutil.rmtree(progress.state, ignore_errors=True)
    (progress.work / progress.checkpoint).unlink(missing_ok=True)
    return ReplayDone(_code(progress, run), (), summary)


def _code(progress: Progress, run: _Run) -> int:
    tally = progress.tally
    if tally.get("passes", 0) and tally.get("without weather", 0) == tally["passes"]:
        return 3
    return 1 if run.taken.faults or tally.get("failed", 0) or tally.get("without weather", 0) else 0


def _described(run: _Run) -> list[str]:
    plan = run.plan
    error = "perfect" if plan.error == "none" else f"with a growing error, seed {plan.seed}"
    return [
        f"{plan.first_day} to {plan.last_day}, {len(plan.days)} days",
        f"forecasts {error}, {plan.members or 'no'} members",
        *([f"one morning in {plan.every}; the hours between are met all the same"] if plan.every > 1 else []),
        *(["mails without the plan and the closing work windows"] if plan.brief else []),
    ]


def _interrupted(run: _Run, lines: Sequence[str]) -> ReplayDone:
    until = run.progress.done_until
    told = f"Ended in order after {until}" if until is not None else "Ended before the first day"
    return ReplayDone(1, (*lines, f"{told}; run the same command to go on where it ended."))


def _moments(run: _Run, day: date) -> list[datetime]:
    """Return the day's passes: at the digest's hour and in the afternoon."""
    zone = run.taken.garden.zone
    hour = run.tables.operation.value("replay.second_pass_hour", "hour of day")
    second = (datetime.combine(day, datetime.min.time()) + timedelta(hours=hour)).time()
    return sorted({at_local(day, run.taken.settings.digest_at, zone), at_local(day, second, zone)})


def _day(run: _Run, day: date) -> None:
    """Run the passes of one local day and write down what came of them."""
    write_garden(run.taken, run.progress.work, day)
    moments = _moments(run, day)
    if run.plan.every > 1:
        _leave_out(run, day - timedelta(days=1), moments[0])
    said = []
    first: Evaluation | None = None
    for now_utc in moments:
        evaluation, line = _pass(run, now_utc, day)
        said.append(line)
        first = first or evaluation
    append_text(run.plan.out / MORNINGS, "".join(f"{line}\n" for line in said))
    _record(run, first, day - timedelta(days=1))
    _note(run, day, moments[-1])


def _leave_out(run: _Run, day: date, now_utc: datetime) -> None:
    """Settle the digest of a day without passes, so that the next mail says why there was none."""
    why = f"this replay looks at one morning in {run.plan.every}"
    with Store.open(run.progress.state, now_utc, "given") as store, store.transaction() as tx:
        write_ledger(tx, LedgerRow("digest", day.isoformat(), day, "skipped", now_utc, why))


def _as_of(run: _Run, evaluation: Evaluation, day: date) -> Evaluation:
    """Return an evaluation with the trees in the state of the morning after an earlier ``day``."""
    situation = evaluation.situation
    if day >= situation.day - timedelta(days=1):
        return evaluation
    holdings, tables = situation.holdings, situation.tables
    at_utc = at_local(day + timedelta(days=1), run.taken.settings.digest_at, holdings.garden.zone)
    warmth = situation.once("warmth_of_places", lambda: warmth_of_places(holdings, situation.weather, tables))
    states = fold_all(holdings, tables, warmth, at_utc)
    return replace(evaluation, situation=replace(situation, states=states))


def _record(run: _Run, evaluation: Evaluation | None, until: date) -> None:
    """Keep the hours of the days up to ``until`` that are not kept yet; without weather they wait."""
    if evaluation is None or evaluation.situation.exposure is None:
        return
    last = run.progress.recorded_until
    day = run.plan.first_day if last is None else last + timedelta(days=1)
    while day <= until:
        keep_day(run.plan.out, day_texts(_as_of(run, evaluation, day), day))
        run.progress.recorded_until = day
        day += timedelta(days=1)


def _note(run: _Run, day: date, now_utc: datetime) -> None:
    trees = tuple(tree.id for tree in run.taken.holdings.trees)
    grown = [run.plan.out / MORNINGS, *season_files(run.plan.out, trees)]
    run.progress.day_done(day, [path for path in grown if path.is_file()], now_utc)


def _pass(run: _Run, now_utc: datetime, day: date) -> tuple[Evaluation | None, str]:
    """Run the service's own pass at a moment and return its evaluation and its line."""
    run.source.now_utc = now_utc
    mails: list[KeptMail] = []
    seen: list[Evaluation] = []

    def keep(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        on_payload()
        mail = read_mail(envelope.raw)
        local = now_utc.astimezone(run.taken.garden.zone)
        more = f"-{mail.event}" if mail.kind == "digest" and mail.event != "digest" else ""
        name = f"{local:%Y-%m-%d-%H%M}-{mail.kind}{more}.txt"
        text = f"Subject: {mail.subject}\n\n{mail.text}"
        write_atomically(run.plan.out / MESSAGES / name, text.encode())
        mails.append(KeptMail(mail.kind, mail.event, mail.subject, mail.text, name))
        return name

    report = run_pass(
        run.progress.work,
        Clock("given", now_utc),
        {},
        send=keep,
        monotonic=lambda: 0.0,
        gatherer=run.source,
        on_evaluated=seen.append,
        attached=False,
        with_work=not run.plan.brief,
        pots=run.pots,
    )
    evaluation = seen[-1] if seen else None
    _guard(run, evaluation, now_utc)
    failures = [line for line in report.lines if line not in run.known_faults]
    tally = run.progress
    tally.count("passes")
    tally.count("without weather", int(report.exit_code == 3))
    tally.count("failed", int(bool(failures) and report.exit_code != 3))
    return evaluation, morning_line(now_utc, day, evaluation, mails, failures)


def _guard(run: _Run, evaluation: Evaluation | None, now_utc: datetime) -> None:
    if evaluation is None:
        return
    seen = future_seen(evaluation, now_utc, run.past, growing=run.growing)
    if seen is not None:
        raise FutureSeenError(f"the replay was stopped: {seen}")


def _close(run: _Run, now_utc: datetime) -> None:
    """Keep the last day's hours, known at midnight after it; nothing is sent for it."""
    garden, work = run.taken.garden, run.progress.work
    run.source.now_utc = now_utc
    files = read_folder(work, run.tables, now_utc)
    if files.holdings is None or files.settings is None:
        raise SettingsError(files.faults)
    numbers, settings = run.tables.operation, files.settings
    with Store.open(run.progress.state, now_utc, "given") as store:
        run.source(store, settings, garden, now_utc, lambda: 0.0, numbers)
        errors = known_errors(store, now_utc, settings.correction)
        weather = assemble(store, (), None, garden, run.tables, now_utc, errors, settings)
        evaluation = evaluate(
            files.holdings,
            run.tables,
            weather,
            now_utc,
            AlertSettings(settings.caution),
            told_standing=frozenset(standing_told(store)),
            told_watering=told_watering(store, now_utc, numbers),
            told_moves=told_moves(store, now_utc, numbers),
            with_members=False,
            forecast_error=error_for(errors, weather),
            climate=kept_climate(store, garden, now_utc),
        )
    _guard(run, evaluation, now_utc)
    _record(run, evaluation, run.plan.last_day)
    run.progress.count("closed")
    _note(run, run.plan.last_day, now_utc)
