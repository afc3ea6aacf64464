"""The grower's files for a pass: as they are, or the last good copy where one cannot be used."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from advisor.errors import Fault, SettingsError
from advisor.garden.model import Holdings
from advisor.garden.tables import Tables
from advisor.store.database import Store
from advisor.store.garden_files import GARDEN_FILE, holdings_of, load_garden_file, logged_in, parse_garden
from advisor.store.journal_files import journal_text
from advisor.store.last_good import keep_last_good, last_good
from advisor.store.service_files import (
    SERVICE_FILE,
    ServiceSettings,
    load_service,
    parse_service,
    service_text,
)

__all__ = ["Files", "GivenFiles", "load_files", "state_folder_of"]


@dataclass(frozen=True, slots=True)
class GivenFiles:
    """What stands in the garden folder right now.

    ``holdings`` or ``settings`` is None where its file cannot be used at all.
    """

    holdings: Holdings | None
    settings: ServiceSettings | None
    faults: tuple[Fault, ...]
    garden_text: str
    service_text: str


@dataclass(frozen=True, slots=True)
class Files:
    """What a pass works with: usable holdings and settings, and what has to be said about them."""

    holdings: Holdings
    settings: ServiceSettings
    faults: tuple[Fault, ...]
    notices: tuple[str, ...]
    """Lines for the mail: faults, and that an older copy is used."""
    settings_changed: bool = False
    """True when service.toml differs from the copy of the last pass."""


def read_folder(folder: Path, tables: Tables, now_utc: datetime) -> GivenFiles:
    """Read all three files of a garden folder; faults are collected, nothing raises for them."""
    garden_file = load_garden_file(folder / GARDEN_FILE, tables)
    text, journal_faults = journal_text(folder)
    logged = logged_in(folder, garden_file, tables, now_utc)
    holdings, faults = holdings_of(garden_file, text, now_utc, logged)
    service_faults: tuple[Fault, ...] = ()
    settings = None
    try:
        settings = load_service(folder / SERVICE_FILE)
    except SettingsError as error:
        service_faults = error.faults or (Fault(SERVICE_FILE, None, "", str(error), "mend it", "file"),)
    return GivenFiles(
        holdings,
        settings,
        (*faults, *journal_faults, *(() if logged is None else logged.faults), *service_faults),
        garden_file.text,
        service_text(folder / SERVICE_FILE),
    )


def state_folder_of(folder: Path, settings: ServiceSettings | None) -> Path:
    """Return the state folder; with a broken service.toml as far as it can still be read, else ``state``."""
    if settings is not None:
        return folder / settings.state_folder
    named = re.search(
        r"^\[state\][^\[]*?^\s*folder\s*=\s*[\"']([^\"']+)[\"']", service_text(folder / SERVICE_FILE), re.M
    )
    if named is not None and Store.exists(folder / named[1]):
        return folder / named[1]
    there = [path for path in sorted(folder.glob("*")) if path.is_dir() and Store.exists(path)]
    return there[0] if len(there) == 1 else folder / "state"


def load_files(
    given: GivenFiles, tables: Tables, store: Store | None, folder: Path, now_utc: datetime
) -> Files:
    """Return usable files: what was given where it can be used, else the last good copy of the store.

    Good files are kept for such a morning.

    Raises
    ------
    SettingsError
        A file cannot be used and there is no good copy; carries every fault.
    """
    notices = [f"{fault} (left out: {fault.drops})." for fault in given.faults]
    settings, holdings = given.settings, given.holdings
    changed = False
    if settings is None:
        copy = last_good(store, SERVICE_FILE, now_utc) if store is not None else None
        if copy is None:
            raise SettingsError(given.faults)
        settings = parse_service(copy.text, SERVICE_FILE)
        notices.insert(
            0, f"service.toml cannot be used; working with the copy of {copy.kept_at_utc:%Y-%m-%d %H:%M} UTC."
        )
    elif store is not None and not store.read_only:
        changed = keep_last_good(store, SERVICE_FILE, given.service_text, now_utc)
    if holdings is None:
        copy = last_good(store, GARDEN_FILE, now_utc) if store is not None else None
        if copy is None:
            raise SettingsError(given.faults)
        text, _ = journal_text(folder)
        kept = parse_garden(copy.text, tables)
        holdings, _ = holdings_of(kept, text, now_utc, logged_in(folder, kept, tables, now_utc))
        if holdings is None:
            raise SettingsError(given.faults)
        notices.insert(
            0, f"garden.toml cannot be used; working with the copy of {copy.kept_at_utc:%Y-%m-%d %H:%M} UTC."
        )
    elif store is not None and not store.read_only:
        keep_last_good(store, GARDEN_FILE, given.garden_text, now_utc)
    return Files(holdings, settings, given.faults, tuple(notices), changed)
