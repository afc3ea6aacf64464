"""One pass: fetch, store, evaluate, queue, deliver. Running it twice changes nothing.

Cron, a timer and the long-running process all call ``run_pass``.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from advisor.errors import AdvisorError, SettingsError, StoreError
from advisor.garden.tables import Tables
from advisor.service.clock import Clock, monotonic_s
from advisor.service.fetch import Gatherer, forecast_is_due, gather
from advisor.service.files import Files, load_files, read_folder, state_folder_of
from advisor.service.station_fetch import gather_observations
from advisor.store.atomic_files import write_atomically
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.garden_files import GARDEN_FILE
from advisor.store.journal_files import JOURNAL_FILE
from advisor.store.learned import keep_learned, learned
from advisor.store.ledger import ledger_rows, standing_told
from advisor.store.locks import ANOTHER_PASS, pass_lock
from advisor.store.outbox import forget_bytes
from advisor.store.outbox_verdicts import release_lanes
from advisor.store.outbox_view import next_due, troubles
from advisor.store.passes import begin_pass, end_pass, write_heartbeat
from advisor.store.service_files import SERVICE_FILE
from advisor.store.weather_archive import newest, prune

if TYPE_CHECKING:
    from advisor.delivery.envelope import Send
    from advisor.exposure.pot_memory import PotMemory
    from advisor.service.compose import Envelope, Rendered
    from advisor.service.evaluate import Evaluation

__all__ = ["PassReport", "run_pass"]

log = logging.getLogger(__name__)

PAGE_FOLDER = "latest"


@dataclass(frozen=True, slots=True)
class PassReport:
    """How a pass went: exit code of design 10, lines for the operator, counts."""

    exit_code: int
    lines: tuple[str, ...] = ()
    queued: tuple[str, ...] = ()
    sent: int = 0


@dataclass
class _Pass:
    """What one pass gathers on its way."""

    store: Store
    files: Files
    tables: Tables
    now_utc: datetime
    state_folder: Path
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    queued: list[str] = field(default_factory=list)
    weather_missing: bool = False
    whole: bool = True
    """False when advice or mail could not be made: the pass did not do its whole job."""
    gatherer: Gatherer = gather
    on_evaluated: Callable[[Evaluation], None] | None = None
    attached: bool = True
    with_work: bool = True
    pots: PotMemory | None = None

    @property
    def today(self) -> date:
        return self.now_utc.astimezone(self.files.holdings.garden.zone).date()


def run_pass(
    folder: Path,
    clock: Clock,
    environ: Mapping[str, str],
    *,
    send: Send | None = None,
    monotonic: Callable[[], float] = monotonic_s,
    stop: Callable[[], bool] = lambda: False,
    gatherer: Gatherer = gather,
    on_evaluated: Callable[[Evaluation], None] | None = None,
    attached: bool = True,
    with_work: bool = True,
    pots: PotMemory | None = None,
) -> PassReport:
    """Do everything that is due for one garden folder.

    Parameters
    ----------
    send : callable, optional
        A bound channel that replaces the one of service.toml (demo, tests).
    stop : callable
        Asked between messages; True ends the pass in order.
    gatherer : callable
        What asks for weather and keeps it in the store; a replay hands over the past instead.
    on_evaluated : callable, optional
        Given every evaluation, before its mail is written.
    attached : bool
        False leaves charts and calendar out of the mails, and the newest digest out of ``latest`` (a replay
        keeps the texts of hundreds).
    with_work : bool
        False leaves the plan and the work windows of the coming days out of the digest.
    pots : PotMemory, optional
        For who makes pass after pass: the pots go on from the pass before.

    Raises
    ------
    SettingsError
        The files cannot be used and no good copy is kept; or the folder belongs to the other clock.
    """
    now_utc = clock.now_utc()
    tables = load_tables()
    given = read_folder(folder, tables, now_utc)
    state_folder = state_folder_of(folder, given.settings)
    if (given.settings is None or given.holdings is None) and not Store.exists(state_folder):
        raise SettingsError(given.faults)
    with pass_lock(state_folder) as mine:
        if not mine:
            return PassReport(0, (ANOTHER_PASS,))
        _refuse_other_clock(state_folder, clock, now_utc)
        with Store.open(state_folder, now_utc, clock.kind) as store:
            files = load_files(given, tables, store, folder, now_utc)
            the_pass = _Pass(store, files, tables, now_utc, state_folder)
            the_pass.gatherer, the_pass.on_evaluated = gatherer, on_evaluated
            the_pass.attached, the_pass.with_work = attached, with_work
            the_pass.pots = pots
            the_pass.notes += store.notes
            return _logged(the_pass, folder, environ, send, monotonic, stop)


def _refuse_other_clock(state_folder: Path, clock: Clock, now_utc: datetime) -> None:
    if not Store.exists(state_folder):
        return
    with Store.open(state_folder, now_utc, None) as store:
        stamped = store.clock_kind
        if stamped is not None and stamped != clock.kind:
            ways = {"system": "the system clock", "given": "a given time (--now)"}
            raise SettingsError(
                f"{state_folder} has been ticked with {ways[stamped]}; a tick with {ways[clock.kind]} is "
                "refused, because it would send or swallow messages; use another state folder"
            )


def _logged(
    the_pass: _Pass,
    folder: Path,
    environ: Mapping[str, str],
    send: Send | None,
    monotonic: Callable[[], float],
    stop: Callable[[], bool],
) -> PassReport:
    """Run the pass between its entry and its end in the pass log."""
    store, now_utc = the_pass.store, the_pass.now_utc
    run_id = f"{now_utc:%Y%m%dT%H%M%S}-{secrets.token_hex(4)}"
    begin_pass(store, run_id, now_utc)
    try:
        _fetch_and_queue(the_pass, folder, monotonic)
        sent = _deliver(the_pass, folder, environ, send, monotonic, stop)
        _renew_climate(the_pass)
        _tidy(the_pass)
    except BaseException as error:
        end_pass(store, run_id, now_utc, f"broken off: {type(error).__name__}: {error}", 1, complete=False)
        raise
    faults = the_pass.files.faults
    exit_code = 3 if the_pass.weather_missing else 1 if the_pass.problems or faults else 0
    outcome = "; ".join(the_pass.problems) or "done"
    end_pass(store, run_id, now_utc, outcome, exit_code, complete=the_pass.whole and not stop())
    write_heartbeat(the_pass.state_folder / "heartbeat.json", now_utc, run_id, outcome)
    lines = [*(str(fault) for fault in faults), *the_pass.problems, *the_pass.notes]
    log.info(
        "event=pass run=%s queued=%d sent=%d problems=%d exit=%d",
        run_id,
        len(the_pass.queued),
        sent,
        len(the_pass.problems),
        exit_code,
    )
    return PassReport(exit_code, tuple(lines), tuple(the_pass.queued), sent)


# --- fetch, evaluate, queue ----------------------------------------------------------------------


def _fetch_and_queue(the_pass: _Pass, folder: Path, monotonic: Callable[[], float]) -> None:
    from advisor.service.queue_due import digest_state, skip_digest

    store, now_utc, numbers = the_pass.store, the_pass.now_utc, the_pass.tables.operation
    garden, settings = the_pass.files.holdings.garden, the_pass.files.settings
    began_s = monotonic()
    if forecast_is_due(store, now_utc, numbers):
        gathered = the_pass.gatherer(store, settings, garden, now_utc, monotonic, numbers)
        the_pass.problems += gathered.problems
        the_pass.notes += gathered.notes
    if the_pass.gatherer is gather:  # what hands over the past brings its own observations
        spent_s = monotonic() - began_s
        seen = gather_observations(store, settings, garden, now_utc, monotonic, numbers, spent_s=spent_s)
        the_pass.problems += seen.problems
        the_pass.notes += seen.notes
    digest = digest_state(store, garden, settings.digest_at, now_utc, numbers)
    if digest.too_late:
        skip_digest(store, digest, now_utc)
        the_pass.problems.append(
            f"the digest of {digest.day} was not sent: the advisor was not running in time"
        )
    mark = _fingerprint(store, folder, now_utc)
    if not digest.due and not _worth_evaluating(the_pass, mark):
        the_pass.weather_missing = not _covered(store, now_utc)
        return
    envelope = _envelope(the_pass)
    try:
        evaluation = _evaluation(the_pass, with_rules=digest.due)
    except Exception as error:
        log.exception("event=evaluation-failed")
        _no_advice(the_pass, envelope, error, digest_is_due=digest.due)
        return
    _queue(the_pass, evaluation, envelope, digest_is_due=digest.due)
    with store.transaction() as tx:
        keep_learned(tx, "evaluated", {"mark": mark, "at": now_utc.isoformat()}, now_utc)


def _no_advice(the_pass: _Pass, envelope: Envelope, error: Exception, *, digest_is_due: bool) -> None:
    """Say it by mail when the morning's advice could not be made; the next pass tries again."""
    from advisor.service.queue import queue_failure

    the_pass.whole = False
    the_pass.problems.append(f"no advice could be worked out ({type(error).__name__}: {error})")
    if digest_is_due:
        notices = [*the_pass.files.notices, *the_pass.problems]
        garden = the_pass.files.holdings.garden
        queue_failure(the_pass.store, garden, the_pass.today, envelope, the_pass.now_utc, notices)
        the_pass.queued.append(f"digest-failure/{the_pass.today}")


def _covered(store: Store, now_utc: datetime) -> bool:
    found = newest(store, "forecast", now_utc)
    return bool(found) and found[0].covers_until_utc > now_utc


def _fingerprint(store: Store, folder: Path, now_utc: datetime) -> str:
    """What the evaluation rests on: the three files and the newest forecast."""
    digest = hashlib.sha256()
    for name in (GARDEN_FILE, JOURNAL_FILE, SERVICE_FILE):
        path = folder / name
        digest.update(path.read_bytes() if path.is_file() else b"")
        digest.update(b"|")
    found = newest(store, "forecast", now_utc)
    digest.update(found[0].fetched_at_utc.isoformat().encode() if found else b"none")
    return digest.hexdigest()


def _worth_evaluating(the_pass: _Pass, mark: str) -> bool:
    last = learned(the_pass.store, "evaluated", the_pass.now_utc)
    if last is None or last["mark"] != mark:
        return True
    every = timedelta(minutes=the_pass.tables.operation.value("service.evaluate_every", "min"))
    return the_pass.now_utc - datetime.fromisoformat(last["at"]) >= every


def _evaluation(the_pass: _Pass, *, with_rules: bool) -> Evaluation:
    """Evaluate the moment; only a digest tells what the rules say, so other passes ask the warnings alone."""
    from advisor.physics.pot_heat import simulate_pot_temperature
    from advisor.service.climate import kept_climate
    from advisor.service.evaluate import AlertSettings, evaluate
    from advisor.service.learn_error import error_for, known_errors
    from advisor.service.told_moves import told_moves
    from advisor.service.told_watering import told_watering
    from advisor.service.weather_now import assemble

    store, files, now_utc = the_pass.store, the_pass.files, the_pass.now_utc
    settings = files.settings
    errors = known_errors(store, now_utc, settings.correction)
    weather = assemble(store, (), None, files.holdings.garden, the_pass.tables, now_utc, errors, settings)
    the_pass.weather_missing = weather is None
    evaluation = evaluate(
        files.holdings,
        the_pass.tables,
        weather,
        now_utc,
        AlertSettings(settings.caution, f"{settings.quiet_from:%H:%M}", f"{settings.quiet_until:%H:%M}"),
        told_standing=frozenset(standing_told(store)),
        told_watering=told_watering(store, now_utc, the_pass.tables.operation),
        told_moves=told_moves(store, now_utc, the_pass.tables.operation),
        forecast_error=error_for(errors, weather),
        climate=kept_climate(store, files.holdings.garden, now_utc),
        with_rules=with_rules,
        simulate_pots=the_pass.pots or simulate_pot_temperature,
    )
    the_pass.problems += evaluation.failures
    if the_pass.on_evaluated is not None:
        the_pass.on_evaluated(evaluation)
    return evaluation


def _notices(the_pass: _Pass, evaluation: Evaluation) -> list[str]:
    """What must be said first in a mail: stale weather, faults, mail that did not go."""
    from advisor.message.words import short_day

    notices = list(the_pass.files.notices)
    situation = evaluation.situation
    age = situation.weather_age_h
    if situation.weather is None:
        notices.insert(
            0, "No weather could be had. Go by hand today: check every pot, shade what is bare or soft."
        )
    elif age is not None and age > 3.0:
        notices.insert(0, f"The forecast is {age:.0f} h old; the weather service has not answered since.")
    notices += [f"{problem}." for problem in the_pass.problems if problem not in notices]
    yesterday = the_pass.today - timedelta(days=1)
    notices += _days_without_mail(the_pass)
    for message in troubles(the_pass.store, the_pass.now_utc - timedelta(days=1)):
        if message.day >= yesterday:
            word = {
                "unknown": "may or may not have arrived",
                "failed": "was refused",
                "expired": "came too late",
            }
            notices.append(
                f"The {message.kind} mail of {short_day(message.day)} "
                f"{word.get(message.state, message.state)}."
            )
    return list(dict.fromkeys(notices))


def _days_without_mail(the_pass: _Pass) -> list[str]:
    """Say that yesterday's digest was skipped, or that days passed on which no pass ran at all."""
    from advisor.message.words import short_day

    yesterday = the_pass.today - timedelta(days=1)
    rows = ledger_rows(
        the_pass.store,
        yesterday - timedelta(days=the_pass.tables.operation.value("service.gap_told", "d")),
        yesterday,
    )
    digests = [row for row in rows if row.kind == "digest"]
    if not digests:
        return []
    last = digests[-1]
    if last.day < yesterday:
        since = last.day + timedelta(days=1)
        when = "yesterday" if since == yesterday else f"from {short_day(since)} to {short_day(yesterday)}"
        return [f"No mail went out {when}: the advisor was not running."]
    return [f"No mail went out yesterday: {last.detail}."] if last.state == "skipped" else []


def _queue(the_pass: _Pass, evaluation: Evaluation, envelope: Envelope, *, digest_is_due: bool) -> None:
    from advisor.service.queue import queue_alerts, queue_digest

    store, now_utc, settings = the_pass.store, the_pass.now_utc, the_pass.files.settings
    notices = _notices(the_pass, evaluation)
    quiet = (settings.quiet_from, settings.quiet_until)
    try:
        the_pass.queued += queue_alerts(store, evaluation, envelope, now_utc, quiet, notices)
    except StoreError:
        raise
    except Exception as error:
        log.exception("event=alert-failed")
        the_pass.whole = False
        the_pass.problems.append(f"a warning could not be written ({type(error).__name__}: {error})")
        notices.append(f"{the_pass.problems[-1]}.")
    if digest_is_due:
        try:
            rendered = queue_digest(store, evaluation, envelope, now_utc, notices, the_pass.notes)
        except StoreError:
            raise
        except Exception as error:
            log.exception("event=digest-failed")
            _no_advice(the_pass, envelope, error, digest_is_due=True)
            return
        the_pass.problems += rendered.problems
        the_pass.queued.append(f"digest/{the_pass.today}")
        if the_pass.attached:
            _write_page(the_pass, rendered)


def _write_page(the_pass: _Pass, rendered: Rendered) -> None:
    """Keep the newest digest as files too: a page, JSON, calendar. A full disk costs only this."""
    from advisor.service.compose import forms_of

    try:
        folder = the_pass.state_folder / PAGE_FOLDER
        folder.mkdir(exist_ok=True)
        for name, content in forms_of(rendered).items():
            write_atomically(folder / name, content)
    except (OSError, StoreError) as error:
        the_pass.problems.append(f"the page could not be written: {error}")


def _envelope(the_pass: _Pass) -> Envelope:
    from advisor.service.compose import Envelope

    store, now_utc = the_pass.store, the_pass.now_utc
    key = learned(store, "message-key", now_utc)
    if key is None:
        key = secrets.token_hex(32)
        with store.transaction() as tx:
            keep_learned(tx, "message-key", key, datetime.fromisoformat("2000-01-01T00:00:00+00:00"))
    mail = the_pass.files.settings.mail
    if mail is None:
        who: tuple[str, tuple[str, ...]] = ("advisor@localhost.invalid", ("grower@localhost.invalid",))
    else:
        who = (mail.sender, tuple(mail.recipients))
    return Envelope(bytes.fromhex(key), *who, the_pass.attached, the_pass.with_work)


# --- deliver, tidy ----------------------------------------------------------------------------------


def _deliver(
    the_pass: _Pass,
    folder: Path,
    environ: Mapping[str, str],
    send: Send | None,
    monotonic: Callable[[], float],
    stop: Callable[[], bool],
) -> int:
    if the_pass.files.settings_changed:
        release_lanes(the_pass.store)  # what held the mail back may be mended
    waiting = next_due(the_pass.store)
    if waiting is None and not the_pass.queued:
        return 0
    from advisor.service.channel import channel_of
    from advisor.service.deliver import deliver_due

    try:
        channel = send or channel_of(
            the_pass.files.settings, folder, the_pass.state_folder, environ, the_pass.tables
        )
    except AdvisorError as error:
        the_pass.whole = False
        the_pass.problems.append(f"mail cannot be sent: {error}")
        return 0
    outcome = deliver_due(
        the_pass.store,
        channel,
        the_pass.now_utc,
        the_pass.tables.operation.value("service.delivery_time", "s"),
        monotonic,
        stop=stop,
        alone=True,
    )
    the_pass.problems += outcome.messages
    return outcome.sent


def _renew_climate(the_pass: _Pass) -> None:
    """Last of all, and seldom: work the climate out when new daily records have come."""
    from advisor.service.climate import renew_climate

    files = the_pass.files
    the_pass.problems += renew_climate(
        the_pass.store, files.settings, files.holdings.garden, the_pass.tables, the_pass.now_utc
    )


def _learn(the_pass: _Pass) -> None:
    """Hold the forecasts of the last days against what came; a fault there costs only the learning."""
    from advisor.service.learn_error import learn_error, near_station

    store, files, now_utc = the_pass.store, the_pass.files, the_pass.now_utc
    try:
        near = near_station(store, files.settings, files.holdings.garden, the_pass.tables, now_utc)
        learn_error(store, files.holdings.garden, the_pass.tables, now_utc, near)
    except StoreError:
        raise
    except Exception as error:
        log.exception("event=learning-failed")
        the_pass.problems.append(
            f"the error of the forecast could not be learned ({type(error).__name__}: {error})"
        )


def _tidy(the_pass: _Pass) -> None:
    """Once a day: learn, drop what need not be kept, look the database over."""
    store, now_utc = the_pass.store, the_pass.now_utc
    if learned(store, "tidied", now_utc) == the_pass.today.isoformat():
        return
    _learn(the_pass)
    prune(store, now_utc)
    forget_bytes(store, now_utc)
    the_pass.problems += [f"the database is damaged: {fault}" for fault in store.weekly_check(now_utc)]
    with store.transaction() as tx:
        keep_learned(tx, "tidied", the_pass.today.isoformat(), now_utc)
