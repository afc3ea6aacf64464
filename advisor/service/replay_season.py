"""The season of each tree, kept on disk day by day, and the sheets made of it at the end.

``season/<tree>.csv`` has every hour in the columns of ``exposure --csv``, ``season/<tree>.days.csv`` every
day; both grow by one day at a time, so that memory stays flat however long the replay.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from advisor.errors import StoreError
from advisor.exposure.csv_out import exposure_csv
from advisor.garden.model import Holdings, JournalEntry
from advisor.message.season_chart import season_picture
from advisor.message.season_days import DAY_COLUMNS, day_cells, day_of_cells, sheet_days
from advisor.message.season_sheet import Merging, SeasonSheet, sheet_html, sheet_text
from advisor.service.evaluate import Evaluation
from advisor.service.replay_progress import append_text
from advisor.store.atomic_files import write_atomically
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import stamp_of

__all__ = ["SEASON_FOLDER", "day_texts", "keep_day", "season_files", "write_sheets"]

SEASON_FOLDER = "season"
BEFORE = timedelta(days=60)
"""How long before the first day an action is still worth its line: the tree is in its aftermath."""


def season_files(out: Path, tree_ids: tuple[str, ...]) -> list[Path]:
    """Return the files that grow with the days."""
    folder = out / SEASON_FOLDER
    return [folder / f"{tree}{tail}" for tree in tree_ids for tail in (".csv", ".days.csv")]


def day_texts(evaluation: Evaluation, day: date) -> dict[str, tuple[str, str]]:
    """Return the hours and the day of each tree as CSV lines without a header; empty without weather."""
    situation = evaluation.situation
    exposure = situation.exposure
    if exposure is None:
        return {}
    begin, end = day_bounds_utc(day, situation.holdings.garden.zone)
    hours = slice(*(int(np.searchsorted(exposure.start_utc, stamp_of(at))) for at in (begin, end)))
    found = {}
    for tree, one in sheet_days(situation, day).items():
        line = io.StringIO()
        csv.writer(line, lineterminator="\r\n").writerow(day_cells(one))
        found[tree] = (exposure_csv(exposure, tree, hours=hours, header=False), line.getvalue())
    return found


def keep_day(out: Path, texts: Mapping[str, tuple[str, str]]) -> None:
    """Append one day's lines to the files of each tree.

    Raises
    ------
    StoreError
        The disk refused.
    """
    from advisor.exposure.model import HOURLY

    folder = out / SEASON_FOLDER
    folder.mkdir(exist_ok=True)
    for tree, (hours, line) in texts.items():
        heads = (",".join(("start_utc", *HOURLY)), ",".join(DAY_COLUMNS))
        for tail, head, text in zip((".csv", ".days.csv"), heads, (hours, line), strict=True):
            append_text(folder / f"{tree}{tail}", text, f"{head}\r\n")


# --- sheets ----------------------------------------------------------------------------------------


def _mornings(path: Path) -> Iterator[dict[str, Any]]:
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            yield json.loads(line)


_Warned = dict[str, list[tuple[date, str]]]
_Advised = dict[str, Merging]


def _said(path: Path) -> tuple[_Warned, _Advised]:
    """Return warnings (day, words) and advice (spans in the making) of each tree, in order of time."""
    warnings: _Warned = {}
    advice: _Advised = {}
    for morning in _mornings(path):
        day = date.fromisoformat(morning["day"])
        for message in morning["messages"]:
            for tree in message["trees"]:
                warnings.setdefault(tree, []).append((day, f"{message['kind']}: {message['subject']}"))
        for piece in morning["advice"]:
            measure, text = _measure(piece), f"{piece['kind']}: {piece['do']}"
            for tree in piece["trees"]:
                advice.setdefault(tree, Merging()).add(day, measure, text)
    return warnings, advice


def _measure(piece: Mapping[str, Any]) -> str:
    """Return the id of a measure without the trees it is for, which change from day to day."""
    name = str(piece["id"])
    if name.startswith("work/"):
        return name.rsplit("/", 1)[0]
    for tree in piece["trees"]:
        name = name.removesuffix(f"-{tree}")
    return re.sub(r"-[0-9a-f]{8}$", "", name)


def _action(entry: JournalEntry) -> str:
    amount = ""
    if entry.amount is not None:
        amount = f" {entry.amount:g}" if isinstance(entry.amount, float) else f" {entry.amount}"
    unit = f" {entry.unit}" if entry.unit and isinstance(entry.amount, float) else ""
    note = f" ({entry.note})" if entry.note else ""
    return f"{entry.entry}{amount}{unit}{note}"


def write_sheets(
    out: Path,
    holdings: Holdings,
    until_utc: datetime,
    tell: Callable[[str], None] = lambda _: None,
    stop: Callable[[], bool] = lambda: False,
) -> bool:
    """Write text, page and picture of each tree; False when it was stopped before the last.

    Parameters
    ----------
    holdings : Holdings
        Names, and the journal up to ``until_utc``.

    Raises
    ------
    StoreError
        A file cannot be read or written.
    """
    warnings, advice = _said(out / "mornings.jsonl")
    zone = holdings.garden.zone
    for number, tree in enumerate(holdings.trees, start=1):
        if stop():
            return False
        path = out / SEASON_FOLDER / f"{tree.id}.days.csv"
        if not path.is_file():
            continue
        try:
            with path.open(encoding="utf-8", newline="") as lines:
                days = tuple(day_of_cells(row) for row in csv.DictReader(lines))
        except (OSError, KeyError, ValueError) as error:
            raise StoreError(f"{path} cannot be read ({error}); delete the folder and replay anew") from error
        actions = tuple(
            (entry.at_utc.astimezone(zone).date(), _action(entry))
            for entry in holdings.journal
            if entry.tree_id == tree.id and entry.at_utc <= until_utc
        )
        first = days[0].day - BEFORE if days else date.min
        sheet = SeasonSheet(
            garden=holdings.garden.name,
            units=holdings.garden.units,
            tree_id=tree.id,
            name=tree.name,
            species=tree.species_id,
            days=days,
            actions=tuple(one for one in actions if one[0] >= first),
            warnings=tuple(warnings.get(tree.id, ())),
            advice=advice.get(tree.id, Merging()).spans(),
        )
        png = season_picture(sheet)
        write_atomically(path.with_name(f"{tree.id}.txt"), sheet_text(sheet).encode())
        write_atomically(path.with_name(f"{tree.id}.html"), sheet_html(sheet, png).encode())
        tell(f"sheet {number} of {len(holdings.trees)}: {tree.name}")
    return True
