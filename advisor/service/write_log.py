"""``log``: checks one journal line against the garden and appends it, or takes the last one back.

Imports neither weather nor NumPy, so that it answers at once.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from advisor.errors import SettingsError
from advisor.service.clock import clock_for
from advisor.service.files import state_folder_of
from advisor.store.config_files import load_tables
from advisor.store.garden_files import GARDEN_FILE, load_garden_file
from advisor.store.journal_files import HEADER, JournalRow, read_journal, row_text
from advisor.store.journal_writer import append_row, undo_last
from advisor.store.service_files import SERVICE_FILE, load_service

__all__ = ["write_log"]

MOST_WORDS = 4


def write_log(
    folder: Path,
    now_text: str | None,
    words: tuple[str, ...],
    day: str | None,
    at: str | None,
    note: str,
    *,
    undo: bool,
) -> str:
    """Write one line and return it, or with ``undo`` take the last line of ``log`` back.

    Raises
    ------
    SettingsError
        A word, date or amount is wrong; names it and what to write instead. Nothing is written.
    JournalError
        The journal cannot be written.
    """
    found = load_garden_file(folder / GARDEN_FILE, load_tables())
    if found.garden is None:
        raise SettingsError(found.faults)
    garden = found.garden
    clock = clock_for(now_text, garden.zone)
    local = clock.now_utc().astimezone(garden.zone)
    try:
        settings = load_service(folder / SERVICE_FILE)
    except SettingsError:
        settings = None
    state_folder = state_folder_of(folder, settings)
    if undo:
        if words:
            raise SettingsError("--undo takes no further words: it takes back the last line that log wrote")
        return f"taken back: {undo_last(folder, state_folder, f'{local:%Y-%m-%d}', f'{local:%H:%M}')}"
    if not 2 <= len(words) <= MOST_WORDS:
        raise SettingsError("log wants: TREE ENTRY [AMOUNT [UNIT]], for example: log ember watered")
    tree, entry, amount, unit = (*words, "", "")[:MOST_WORDS] if len(words) > 1 else ("", "", "", "")
    row = JournalRow(*_moment(local, day, at), tree, entry, amount, unit, " ".join(note.split()))
    text = f"{HEADER}\n{row_text(row)}\n"
    _, faults = read_journal(
        text, garden, found.trees, found.places, clock.now_utc(), set_aside=found.set_aside, file="log"
    )
    if faults:
        raise SettingsError("\n".join(f"log: {fault.key}: {fault.found}; {fault.wanted}" for fault in faults))
    return append_row(folder, state_folder, row)


def _moment(local: datetime, day: str | None, at: str | None) -> tuple[str, str]:
    """Date and time of the line: now; another day named without a time leaves the time empty."""
    if day is None:
        return f"{local:%Y-%m-%d}", at or f"{local:%H:%M}"
    return day, at or ""
