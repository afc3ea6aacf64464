"""The command line: arguments in, exit codes out. Data goes to stdout alone, all else to stderr.

Heavy modules are imported by the command that needs them, so that ``--help`` and ``log`` start at once.
"""

from __future__ import annotations

import contextlib
import functools
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from advisor import __version__
from advisor.errors import AdvisorError, SettingsError, StoreError

if TYPE_CHECKING:
    from datetime import date

    from advisor.errors import Fault
    from advisor.service.ask import Asked

__all__ = ["main"]

DONE, DONE_WITH_FAULTS, FILES_WRONG, WEATHER_MISSING = 0, 1, 2, 3
SUITS_NONE, SUITS_UNKNOWN = 10, 11


class _Given:
    """``--garden`` and ``--now``, which may stand before or after the command."""

    def __init__(self) -> None:
        self.garden: str | None = None
        self.now: str | None = None

    @property
    def folder(self) -> Path:
        return Path(self.garden or os.environ.get("ADVISOR_GARDEN") or ".")


def _anywhere(command: Callable[..., int]) -> Callable[..., Any]:
    """Add ``--garden`` and ``--now`` to a command and turn its return value into the exit code."""

    @click.option(
        "--garden", "garden", metavar="DIR", help="Garden folder (default $ADVISOR_GARDEN, then here)."
    )
    @click.option(
        "--now", "now", metavar="ISO-8601", help="Work as if it were then; without offset: garden time."
    )
    @functools.wraps(command)
    def run(*, garden: str | None, now: str | None, **arguments: Any) -> None:
        given: _Given = click.get_current_context().obj
        given.garden = garden or given.garden
        given.now = now or given.now
        try:
            code = command(given, **arguments)
        except SettingsError as error:
            _say(str(error))
            code = FILES_WRONG
        except StoreError as error:
            _say(str(error))
            code = DONE_WITH_FAULTS
        except AdvisorError as error:
            _say(str(error))
            code = DONE_WITH_FAULTS
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            code = DONE
        sys.exit(code)

    return run


def _say(text: str) -> None:
    click.echo(text, err=True)


def _give(text: str) -> None:
    click.echo(text, nl=not text.endswith("\n"))


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="advisor")
@click.option("--garden", metavar="DIR", help="Garden folder (default $ADVISOR_GARDEN, then here).")
@click.option("--now", metavar="ISO-8601", help="Work as if it were then; without offset: garden time.")
@click.pass_context
def main(context: click.Context, garden: str | None, now: str | None) -> None:
    """Weather advice for trees in pots: what to water, shade, shelter and do today.

    Exit codes: 0 done; 1 done, but something failed or was left out and is named; 2 files or
    arguments are wrong; 3 the weather is missing. `suits`: 0 some tree suits, 10 none, 11 cannot tell.
    """
    given = _Given()
    given.garden, given.now = garden, now
    context.obj = given


_as_json = click.option("--json", "as_json", is_flag=True, help="Give JSON.")


def _asked(given: _Given) -> Asked:
    from advisor.service.ask import ask, clock_of_folder

    asked = ask(given.folder, clock_of_folder(given.folder, given.now))
    for fault in asked.faults:
        _say(f"{fault} (left out: {fault.drops})")
    for line in (*asked.problems, *asked.notes):
        _say(line)
    if asked.evaluation.situation.weather is None:
        _say("No weather covers this moment; what needs weather is left open.")
    return asked


@main.command()
@_as_json
@_anywhere
def today(given: _Given, as_json: bool) -> int:
    """Show today's advice, as the morning mail would."""
    from advisor.message.digest import digest_view
    from advisor.message.json_out import dump, today_object
    from advisor.message.text import render_text
    from advisor.service.compose import digest_input

    asked = _asked(given)
    evaluation = asked.evaluation
    if as_json:
        _give(dump(today_object(evaluation.situation, evaluation.with_alerts)))
    else:
        _give(
            render_text(
                digest_view(digest_input(evaluation, asked.files.notices, asked.notes, with_calendar=False))
            )
        )
    return asked.exit_code


@main.command()
@click.argument("work")
@click.argument("trees", nargs=-1, metavar="[TREE|@PLACE|all]...")
@click.option("--day", metavar="YYYY-MM-DD", help="Another day than today.")
@_as_json
@_anywhere
def suits(given: _Given, work: str, trees: tuple[str, ...], day: str | None, as_json: bool) -> int:
    """Say whether a day suits a kind of work, and if not, when."""
    from datetime import date

    from advisor.message.answers import suits_text
    from advisor.message.json_out import dump, suits_object
    from advisor.service.ask import judge_asked, trees_asked, work_asked

    wanted = None
    if day is not None:
        try:
            wanted = date.fromisoformat(day)
        except ValueError:
            raise SettingsError(f"--day: {day!r} is not a date; write it like 2026-07-14") from None
    asked = _asked(given)
    work = work_asked(asked, work)
    judgements = judge_asked(asked, work, trees_asked(asked, trees), wanted)
    situation = asked.evaluation.situation
    if as_json:
        _give(dump(suits_object(situation, work, judgements, (wanted or situation.day).isoformat())))
    else:
        _give(suits_text(situation, work, judgements))
    if asked.exit_code == WEATHER_MISSING:
        return WEATHER_MISSING
    verdicts = {judgement.verdict for judgement in judgements}
    if verdicts & {"suits", "suits-with-care"}:
        return DONE
    return SUITS_UNKNOWN if "cannot-tell" in verdicts else SUITS_NONE


@main.command()
@click.argument("trees", nargs=-1, metavar="[TREE|@PLACE|all]...")
@_as_json
@_anywhere
def plan(given: _Given, trees: tuple[str, ...], as_json: bool) -> int:
    """Plan the coming ten days: what the trees are ready for, the best day, what closes."""
    from advisor.advice.plan import plan as plan_days
    from advisor.message.json_out import dump
    from advisor.message.plan_object import plan_object
    from advisor.message.plan_text import plan_text
    from advisor.service.ask import trees_asked

    asked = _asked(given)
    named = trees_asked(asked, trees)
    situation = asked.evaluation.situation
    found = plan_days(situation).of_trees(named)
    if as_json:
        _give(dump(plan_object(situation, found)))
    else:
        _give(plan_text(situation, found))
    return asked.exit_code


@main.command()
@click.argument("tree")
@_as_json
@_anywhere
def tree(given: _Given, tree: str, as_json: bool) -> int:
    """Show one tree: its state, why, and what next."""
    from advisor.message.answers import tree_text
    from advisor.message.json_out import dump, tree_object
    from advisor.service.ask import trees_asked

    asked = _asked(given)
    situation = asked.evaluation.situation
    named = trees_asked(asked, (tree,))
    if as_json and len(named) != 1:
        raise SettingsError(f"tree --json wants one tree, {tree!r} names {len(named)}")
    for tree_id in named:
        state = situation.states[tree_id]
        if as_json:
            _give(dump({"schema": "tree/1", **tree_object(situation, state)}))
        else:
            _give(tree_text(situation, state, asked.evaluation.advice))
    return asked.exit_code


@main.command()
@click.option("--csv", "as_csv", is_flag=True, help="Give every hour as CSV.")
@_as_json
@_anywhere
def weather(given: _Given, as_csv: bool, as_json: bool) -> int:
    """Show the weather the advice rests on."""
    from advisor.message.climate import climate_line
    from advisor.message.error_table import error_object, error_text
    from advisor.message.json_out import dump, weather_object
    from advisor.message.outlook import day_outlooks, outlook_cells
    from advisor.message.parts.foot import weather_line
    from advisor.message.place_learned import corrections_object, learned_lines
    from advisor.message.words import short_day
    from advisor.weather.csv_out import weather_csv

    asked = _asked(given)
    situation = asked.evaluation.situation
    if situation.weather is None:
        return WEATHER_MISSING
    if as_csv:
        _give(weather_csv(situation.weather))
    elif as_json:
        found = {
            "weather": weather_object(situation),
            "forecast_error": error_object(situation),
            "places": corrections_object(situation),
        }
        _give(dump({"schema": "weather/1", **found}))
    else:
        for outlook in day_outlooks(situation, 10):
            low, high, rain, gust = outlook_cells(outlook, situation.holdings.garden.units)
            _give(f"{short_day(outlook.day):<11} {low:>8} to {high:>8}  rain {rain:>8}  gusts {gust:>8}")
        _give(weather_line(situation))
        _give(climate_line(situation, dates=True))
        _give(error_text(situation))
        for line in learned_lines(situation):
            _give(line)
    return asked.exit_code


@main.command()
@click.argument("tree")
@click.option("--csv", "as_csv", is_flag=True, help="Give every hour as CSV.")
@_as_json
@_anywhere
def exposure(given: _Given, tree: str, as_csv: bool, as_json: bool) -> int:
    """Show what one tree meets hour by hour in its own pot and place."""
    from advisor.exposure.csv_out import exposure_csv
    from advisor.message.answers import exposure_text
    from advisor.message.json_out import dump, exposure_object
    from advisor.service.ask import trees_asked

    asked = _asked(given)
    situation = asked.evaluation.situation
    named = trees_asked(asked, (tree,))
    if len(named) != 1:
        raise SettingsError(f"exposure wants one tree, {tree!r} names {len(named)}")
    tree_id = named[0]
    if situation.exposure is None:
        return WEATHER_MISSING
    if as_csv:
        _give(exposure_csv(situation.exposure, tree_id))
    elif as_json:
        _give(dump(exposure_object(situation, tree_id)))
    else:
        _give(exposure_text(situation, tree_id))
    return asked.exit_code


@main.command()
@_as_json
@_anywhere
def check(given: _Given, as_json: bool) -> int:
    """Check garden.toml, journal.csv and service.toml; list every fault at once."""
    import json

    from advisor.garden.doubts import journal_doubts
    from advisor.service.ask import clock_of_folder
    from advisor.service.files import read_folder
    from advisor.store.config_files import load_tables
    from advisor.store.journal_files import JOURNAL_FILE

    clock = clock_of_folder(given.folder, given.now)
    tables = load_tables()
    found = read_folder(given.folder, tables, clock.now_utc())
    doubts: tuple[Fault, ...] = ()
    if found.holdings is not None:
        doubts = journal_doubts(found.holdings, tables, clock.now_utc(), JOURNAL_FILE)
        doubts = (*doubts, *found.holdings.slips)
    faults = (*found.faults, *doubts)
    if as_json:
        rows = [
            {
                "file": fault.file,
                "line": fault.line,
                "key": fault.key,
                "found": fault.found,
                "wanted": fault.wanted,
                "drops": fault.drops,
            }
            for fault in faults
        ]
        _give(json.dumps({"schema": "check/1", "faults": rows}, ensure_ascii=False, indent=2))
    elif faults:
        for fault in faults:
            _give(str(fault))
    else:
        trees = len(found.holdings.trees) if found.holdings is not None else 0
        _give(f"No fault found: {trees} trees.")
    return FILES_WRONG if faults else DONE


def _no_options(
    _context: click.Context, _argument: click.Parameter, words: tuple[str, ...]
) -> tuple[str, ...]:
    """Let negative numbers through as words, and nothing else that begins with a hyphen."""
    for word in words:
        if word.startswith("-") and not word[1:].replace(".", "", 1).isdecimal():
            raise click.NoSuchOption(word)
    return words


@main.command(context_settings={"ignore_unknown_options": True})
@click.argument("words", nargs=-1, metavar="[TREE|@PLACE|all ENTRY [AMOUNT [UNIT]]]", callback=_no_options)
@click.option("--date", "day", metavar="YYYY-MM-DD", help="Another day than today.")
@click.option("--time", "at", metavar="HH:MM", help="Another time than now.")
@click.option("--note", default="", help="A note for yourself.")
@click.option("--undo", is_flag=True, help="Take back the last line that log wrote.")
@_anywhere
def log(given: _Given, words: tuple[str, ...], day: str | None, at: str | None, note: str, undo: bool) -> int:
    """Write a line into the journal: what was done or seen.

    \b
    advisor log ember defoliated
    advisor log ember leaves-open --date 2026-07-20
    advisor log @south-bench watered
    advisor log ember weighed 2.31 kg
    advisor log @south-bench night-min -2 c
    advisor log --undo
    """  # noqa: D301 - \b is click's mark for lines to keep
    from advisor.service.write_log import write_log

    _give(write_log(given.folder, given.now, words, day, at, note, undo=undo))
    return DONE


@main.command()
@_anywhere
def tick(given: _Given) -> int:
    """Do everything that is due once: fetch, work out, send."""
    from advisor.service.ask import clock_of_folder
    from advisor.service.tick import run_pass

    _log_to_stderr()
    report = run_pass(given.folder, clock_of_folder(given.folder, given.now), os.environ)
    for line in report.lines:
        _say(line)
    return report.exit_code


@main.command()
@_anywhere
def serve(given: _Given) -> int:
    """Keep running and tick every quarter hour."""
    from advisor.schedule import serve as keep_ticking
    from advisor.service.ask import clock_of_folder

    _log_to_stderr()
    return keep_ticking(given.folder, clock_of_folder(given.folder, given.now), os.environ)


@main.command()
@_as_json
@_anywhere
def health(given: _Given, as_json: bool) -> int:
    """Say when the advisor last did its whole job, and what stands in its way."""
    import json

    from advisor.service.ask import clock_of_folder
    from advisor.service.health import health as look
    from advisor.service.health import state_folder_here

    clock = clock_of_folder(given.folder, given.now)
    found = look(state_folder_here(given.folder), clock.now_utc())
    if as_json:
        _give(json.dumps(found.data, indent=2))
    else:
        for line in found.findings:
            _give(line)
    return DONE if found.ok else DONE_WITH_FAULTS


@main.command()
@click.option("--out", metavar="FILE", help="Where to (default backup-DATE.sqlite3 in the garden folder).")
@_anywhere
def backup(given: _Given, out: str | None) -> int:
    """Copy ledger, outbox and weather archive into one checked file."""
    from advisor.service.ask import clock_of_folder
    from advisor.service.health import state_folder_here
    from advisor.store.backup import backup as copy
    from advisor.store.database import Store

    now_utc = clock_of_folder(given.folder, given.now).now_utc()
    target = Path(out) if out else given.folder / f"backup-{now_utc:%Y-%m-%d}.sqlite3"
    state_folder = state_folder_here(given.folder)
    with Store.open(state_folder, now_utc, None, read_only=True) as store:
        copy(store, target)
    _give(str(target))
    return DONE


@main.command()
@click.argument("folder", metavar="DIR")
@_anywhere
def start(given: _Given, folder: str) -> int:  # noqa: ARG001 - every command is given the same
    """Begin a garden: write the three files with comments into a new folder."""
    from advisor.store.starter import write_starter

    for path in write_starter(Path(folder)):
        _give(str(path))
    _say(f"Now edit garden.toml, then: advisor --garden {folder} check")
    return DONE


@main.command()
@click.option("--out", metavar="DIR", default="demo", show_default=True, help="Folder to write to.")
@_anywhere
def demo(given: _Given, out: str) -> int:  # noqa: ARG001 - every command is given the same
    """Run the whole job on an invented garden and invented weather: no network, no mail server."""
    from advisor.service.demo import run_demo

    shown = run_demo(Path(out))
    _give(shown.text)
    for line in shown.lines:
        _say(line)
    return DONE


@main.command()
@click.argument("folders", nargs=-1, required=True, metavar="DIR...")
@click.option("--tuning", multiple=True, metavar="DIR", help="A replay that numbers were tuned on.")
@_as_json
@_anywhere
def judge(given: _Given, folders: tuple[str, ...], tuning: tuple[str, ...], as_json: bool) -> int:  # noqa: ARG001
    """Hold replays against what happened: warnings, watering and shade, beside plain rules."""
    from advisor.errors import DataGap
    from advisor.service.judging import judge_folders

    try:
        verdict = judge_folders([Path(name) for name in folders], [Path(name) for name in tuning])
    except DataGap as gap:
        _say(f"No true weather on the days of the replay: {gap}")
        return WEATHER_MISSING
    for fault in verdict.faults:
        _say(fault)
    _give(verdict.json if as_json else verdict.text)
    return DONE_WITH_FAULTS if verdict.faults else DONE


@main.command()
@click.option("--from", "first", metavar="DAY", required=True, help="First local day, YYYY-MM-DD.")
@click.option("--to", "last", metavar="DAY", required=True, help="Last local day, YYYY-MM-DD.")
@click.option(
    "--weather", "record", metavar="FILE", help="Hourly record, CSV or CSV.gz (default: stored ones)."
)
@click.option("--out", metavar="DIR", default="replay", show_default=True, help="Folder to write to.")
@click.option(
    "--error",
    type=click.Choice(["growing", "none"]),
    default="growing",
    show_default=True,
    help="Error of the forecasts: growing with lead time, or none.",
)
@click.option(
    "--members", type=click.IntRange(0, 100), default=0, show_default=True, help="Ensemble members."
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the errors.")
@click.option(
    "--every",
    type=click.IntRange(1, 14),
    default=1,
    show_default=True,
    metavar="N",
    help="Days from one morning to the next: a quick look; the hours between are kept all the same.",
)
@click.option(
    "--brief", is_flag=True, help="Leave plan and closing work windows out of the mails: a little faster."
)
@_anywhere
def replay(given: _Given, first: str, last: str, record: str | None, out: str, **options: Any) -> int:
    """Run the garden over weather that happened, each morning as if it were today.

    Nothing is sent and nothing of the garden is changed. Ctrl-C ends after the day that is running; the
    same command goes on where it ended.
    """
    from advisor.service.ask import clock_of_folder
    from advisor.service.replay import ReplayPlan, run_replay

    if given.now is not None:
        raise SettingsError("--now: replay sets the time itself; leave it out")
    plan = ReplayPlan(
        _date("--from", first),
        _date("--to", last),
        Path(out),
        None if record is None else Path(record),
        **options,
    )
    asked_utc = clock_of_folder(given.folder, None).now_utc()
    with _stopping("day") as stop:
        done = run_replay(given.folder, plan, asked_utc, _say, stop)
    for line in done.lines:
        _say(line)
    if done.summary:
        _give(done.summary)
        _say(f"Written to {plan.out}/: summary.txt, season/, messages/, mornings.jsonl, truth.csv.gz")
    return done.exit_code


@contextlib.contextmanager
def _stopping(after: str) -> Iterator[Callable[[], bool]]:
    """Give what says, after each ``after``, whether Ctrl-C or SIGTERM came; the second one ends at once."""
    import signal

    asked: list[int] = []
    before = {one: signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)}

    def note(number: int, _: object) -> None:
        asked.append(number)
        told = f"ending after this {after}; once more to end at once\n"
        os.write(2, told.encode())  # print may be running
        for one, handler in before.items():
            signal.signal(one, handler)

    for one in before:
        signal.signal(one, note)
    try:
        yield lambda: bool(asked)
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _day(option: str, text: str | None) -> date | None:
    """Turn the text of an option into a day; None where it is left out."""
    return None if text is None else _date(option, text)


def _date(option: str, text: str) -> date:
    from datetime import date

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"{option}: {text!r} is not a date; write it like 2026-07-14") from None


@main.command()
@click.option(
    "--weather", "weather_file", metavar="FILE.csv", help="Hourly observations (default: the store)."
)
@click.option("--demo", "of_demo", is_flag=True, help="The demo's garden and weather.")
@click.option("--from", "first", metavar="YYYY-MM-DD", help="First morning.")
@click.option("--to", "last", metavar="YYYY-MM-DD", help="Last morning.")
@click.option("--every", type=click.IntRange(1), metavar="DAYS", help="Days between mornings (default 14).")
@click.option("--top", type=click.IntRange(1), metavar="N", help="Rows shown (default 10; JSON: all).")
@click.option("--all", "every_row", is_flag=True, help="Published rows and common practice too.")
@click.option("--only", multiple=True, metavar="PATTERN", help="Only rows of such names, 'physics.toml *'.")
@_as_json
@_anywhere
def sensitivity(
    given: _Given,
    weather_file: str | None,
    of_demo: bool,
    first: str | None,
    last: str | None,
    every: int | None,
    top: int | None,
    every_row: bool,
    only: tuple[str, ...],
    as_json: bool,
) -> int:
    """Vary each estimate over its range; list what moves the advice most, so what to measure first."""
    from advisor.errors import DataGap
    from advisor.message.json_out import dump
    from advisor.message.sensitivity_text import sensitivity_object, sensitivity_text
    from advisor.service.ask import clock_of_folder
    from advisor.service.sensitivity_ask import Wishes, ask_sensitivity

    wishes = Wishes(
        None if weather_file is None else Path(weather_file),
        of_demo,
        _day("--from", first),
        _day("--to", last),
        every,
        every_row,
        only,
    )
    try:
        clock = clock_of_folder(given.folder, given.now)
        with _stopping("variation") as stop:
            asked = ask_sensitivity(given.folder, clock, wishes, _say, stop)
    except DataGap as gap:
        _say(f"No weather for these mornings: {gap}. Give --weather FILE.csv, or let a tick gather some.")
        return WEATHER_MISSING
    for line in asked.lines:
        _say(line)
    if as_json:
        _give(dump(sensitivity_object(asked.view, top)))
    else:
        _give(sensitivity_text(asked.view, top or 10))
    return asked.exit_code


def _log_to_stderr() -> None:
    import logging

    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(message)s")
    logging.getLogger("apscheduler").setLevel(logging.WARNING)  # one line a pass, and it is ours


if __name__ == "__main__":
    main()
