"""garden.toml in, checked garden, places and trees out; with the journal, everything the grower owns.

One faulty tree or place is dropped and named, the rest stays. Only a fault in ``[garden]`` or in the
TOML itself makes the file unusable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from advisor.errors import Fault
from advisor.garden.model import Garden, Holdings, JournalEntry, Place, Tree
from advisor.garden.practice import Practice
from advisor.garden.tables import Tables
from advisor.store.garden_building import place_from, pot_wish, tree_from
from advisor.store.garden_rows import GardenRow, PlaceRow, PracticeRow, TreeRow
from advisor.store.journal_files import JOURNAL_FILE, journal_text, read_journal, read_readings
from advisor.store.toml_faults import (
    Location,
    decode_text,
    did_you_mean,
    explain,
    key_lines,
    line_of,
    parse_toml,
    read_bytes,
    shown_value,
)

if TYPE_CHECKING:
    from advisor.store.thermometer_files import Logged

__all__ = [
    "GARDEN_FILE",
    "GardenFile",
    "holdings_of",
    "load_garden_file",
    "load_holdings",
    "logged_in",
    "parse_garden",
]

GARDEN_FILE = "garden.toml"
_TABLES = ("garden", "practice", "place", "tree")
_IMPLICIT_PLACE = Place("bench", "Bench")


@dataclass(frozen=True, slots=True)
class GardenFile:
    """What garden.toml holds.

    Attributes
    ----------
    garden : Garden or None
        None when ``fatal``.
    places, trees
        Those that passed; trees of a faulty place are not among them.
    faults : tuple of Fault
        All of them, in file order.
    fatal : bool
        True when the file cannot be worked with: ``[garden]`` or the TOML itself is broken.
    text : str
        The text as read, for a last good copy.
    set_aside : frozenset of str
        Ids of trees and ``@place`` named in the file but not usable, and of former trees: journal
        lines about them are no faults of the journal.
    """

    garden: Garden | None
    places: dict[str, Place]
    trees: tuple[Tree, ...]
    faults: tuple[Fault, ...]
    fatal: bool
    text: str
    set_aside: frozenset[str] = frozenset()


@dataclass
class _Reading:
    """One reading of one text, collecting faults."""

    file: str
    tables: Tables
    lines: dict[Location, int]
    faults: list[Fault] = field(default_factory=list)
    set_aside: set[str] = field(default_factory=set)
    first_place: str = _IMPLICIT_PLACE.id

    def fault(self, location: Location, found: str, wanted: str, drops: str) -> None:
        where = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(
            "."
        )
        self.faults.append(Fault(self.file, line_of(self.lines, location), where, found, wanted, drops))

    def row(self, model: type[BaseModel], data: object, base: Location, drops: str) -> BaseModel | None:
        try:
            return model.model_validate(data, context={"tables": self.tables})
        except ValidationError as error:
            self.faults += explain(error, model, self.file, self.lines, base=base, drops=drops)
            return None

    # --- garden ---------------------------------------------------------------------------

    def garden(self, document: Mapping[str, Any]) -> Garden | None:
        if "garden" not in document:
            self.fault(
                ("garden",), "is missing", "begin with [garden]: name, latitude, longitude, ...", "file"
            )
            return None
        row = self.row(GardenRow, document["garden"], ("garden",), "file")
        if not isinstance(row, GardenRow):
            return None
        self.set_aside |= set(row.former_trees)
        return Garden(
            name=row.name,
            latitude_deg=row.latitude,
            longitude_deg=row.longitude,
            elevation_m=row.elevation_m,
            timezone=row.timezone,
            units=row.units,
            watering_times=tuple(sorted(set(row.watering_times))),
            working_hours=(row.working_hours[0], row.working_hours[1]),
            works_per_day=row.works_per_day,
            light_works_per_day=row.light_works_per_day,
            major_works_per_season=row.major_works_per_season,
            practice=self.practice(document),
        )

    def practice(self, document: Mapping[str, Any]) -> Practice:
        """Return the settings that are right; a wrong one is named and falls back to the careful side."""
        data = document.get("practice", {})
        if not isinstance(data, dict):
            self.fault(
                ("practice",), f"{shown_value(data)} is no table", "write [practice] and keys", "practice"
            )
            return Practice()
        found: dict[str, Any] = {}
        for key, value in data.items():
            row = self.row(PracticeRow, {key: value}, ("practice",), f"practice.{key}")
            if row is not None:
                found[key] = getattr(row, key)
        return Practice(**found, given=frozenset(found))

    # --- places and trees -----------------------------------------------------------------

    def entries(self, document: Mapping[str, Any], kind: str) -> list[tuple[int, object]]:
        rows = document.get(kind, [])
        if not isinstance(rows, list):
            self.fault((kind,), f"stands as one table or value, not as [[{kind}]]", f"write [[{kind}]]", kind)
            return []
        return list(enumerate(rows))

    def places(self, document: Mapping[str, Any], garden: Garden | None) -> dict[str, Place]:
        found: dict[str, Place] = {}
        first: dict[str, int] = {}
        for number, data in self.entries(document, "place"):
            named = _named(data)
            drops = _drops("place", number, data)
            if number == 0:
                self.first_place = named
            if named in first:
                self.twice("place", number, named, first[named])
                continue
            if named:
                first[named] = number
            row = self.row(PlaceRow, data, ("place", number), drops)
            if isinstance(row, PlaceRow):
                found[row.id] = place_from(row, garden)
        self.set_aside |= {f"@{place}" for place in first if place not in found}
        return found

    def twice(self, kind: str, number: int, named: str, first: int) -> None:
        self.fault(
            (kind, number, "id"),
            f"{shown_value(named)} is already the id of {kind}[{first + 1}]",
            "give each its own id",
            f"{kind}[{number + 1}] {named}",
        )

    def trees(self, document: Mapping[str, Any], places: Mapping[str, Place]) -> tuple[Tree, ...]:
        found: list[Tree] = []
        first: dict[str, int] = {}
        for number, data in self.entries(document, "tree"):
            named = _named(data)
            if named in first:
                self.twice("tree", number, named, first[named])
                continue
            if named:
                first[named] = number
            drops = _drops("tree", number, data)
            row = self.row(TreeRow, data, ("tree", number), drops)
            place_id = None
            if isinstance(row, TreeRow) or (isinstance(data, dict) and "place" in data):
                place_id = self.place_of(data, number, places, drops)
            sized = self.sized(data, number, row, drops)
            if isinstance(row, TreeRow) and place_id is not None and sized:
                found.append(tree_from(row, place_id, self.tables))
        good = {tree.id for tree in found}
        self.set_aside |= {named for named in first if named not in good}
        return tuple(found)

    def place_of(self, data: object, number: int, places: Mapping[str, Place], drops: str) -> str | None:
        """Return the place of a tree, the first of the file where none is named; None after a fault."""
        wanted = data.get("place", self.first_place) if isinstance(data, dict) else None
        if not isinstance(wanted, str):  # TreeRow has said so already
            return None
        if wanted in places:
            return wanted
        if wanted == self.first_place or f"@{wanted}" in self.set_aside:
            found = f"{shown_value(wanted)} is left out because of its own fault"
            self.fault(("tree", number, "place"), found, "mend that place, or name another", drops)
        else:
            found = f"{shown_value(wanted)} is not a place of the garden"
            self.fault(("tree", number, "place"), found, did_you_mean(wanted, places), drops)
        return None

    def sized(self, data: object, number: int, row: BaseModel | None, drops: str) -> bool:
        """Return True if the volume can be told; a fault where neither size nor pot says it."""
        if not isinstance(data, dict) or "size" in data:
            return True
        if isinstance(row, TreeRow):
            if pot_wish(row.pot).complete_without_size(self.tables):
                return True
        elif "pot" in data:  # the pot's own faults are named already
            return True
        known = ", ".join(self.tables.sizes)
        self.fault(
            ("tree", number, "size"), "is missing", f"write size ({known}) or the pot's volume_l", drops
        )
        return False


def _named(data: object) -> str:
    named = data.get("id") if isinstance(data, dict) else None
    return named if isinstance(named, str) else ""


def _drops(kind: str, number: int, data: object) -> str:
    """Return ``tree ember``; with its number where the id itself is no id."""
    named = _named(data)
    usable = (
        named and named != "all" and all(sign.isascii() and (sign.isalnum() or sign == "-") for sign in named)
    )
    if usable and named == named.lower():
        return f"{kind} {named}"
    shown = shown_value(named)[1:-1] if named else ""
    return f"{kind}[{number + 1}] {shown}".strip()


def parse_garden(text: str, tables: Tables, file: str = GARDEN_FILE) -> GardenFile:
    """Return what the text of a garden file holds; every fault at once.

    Parameters
    ----------
    text : str
        TOML, without byte-order mark.
    tables : Tables
        From ``store.config_files.load_tables``.
    file : str, optional
        Name used in faults.
    """
    document, faults = parse_toml(text, file)
    if document is None:
        return GardenFile(None, {}, (), faults, True, text)
    reading = _Reading(file, tables, key_lines(text))
    for key in document:
        if key not in _TABLES:
            wanted = did_you_mean(key, list(_TABLES))
            reading.fault((key,), "is not a known table", wanted, key)
    garden = reading.garden(document)
    places = reading.places(document, garden)
    if not document.get("place"):
        places = {_IMPLICIT_PLACE.id: _IMPLICIT_PLACE}
    trees = reading.trees(document, places)
    reading.faults.sort(key=lambda fault: fault.line or 0)
    return GardenFile(
        garden, places, trees, tuple(reading.faults), garden is None, text, frozenset(reading.set_aside)
    )


def load_garden_file(path: Path, tables: Tables) -> GardenFile:
    """Return what the garden file at ``path`` holds; what cannot be read is a fatal fault."""
    raw, faults = read_bytes(
        path, path.name, "write one, or let `advisor start DIR` make a folder to begin with"
    )
    if raw is None:
        return GardenFile(None, {}, (), faults, True, "")
    text, faults = decode_text(raw, path.name)
    if text is None:
        return GardenFile(None, {}, (), faults, True, "")
    return _unchanged(text, tables, path.name)


@lru_cache(maxsize=1)
def _unchanged(text: str, tables: Tables, file: str) -> GardenFile:
    """``parse_garden``, remembered for the text of last time: pass after pass reads the same file."""
    return parse_garden(text, tables, file)


def holdings_of(
    garden_file: GardenFile, journal: str, now_utc: datetime, logged: Logged | None = None
) -> tuple[Holdings | None, tuple[Fault, ...]]:
    """Return everything the grower owns from a garden file and a journal; None if the garden is unusable.

    ``logged``: what loggers at places have read, beside the readings in the journal.
    """
    if garden_file.garden is None:
        return None, garden_file.faults
    entries, faults = read_journal(
        journal,
        garden_file.garden,
        garden_file.trees,
        garden_file.places,
        now_utc,
        set_aside=garden_file.set_aside,
    )
    trees, astray = _without_astray(garden_file, entries)
    kept = {tree.id for tree in trees}
    entries = tuple(entry for entry in entries if entry.tree_id in kept)
    readings = read_readings(journal, garden_file.garden, garden_file.trees, garden_file.places, now_utc)
    if logged is not None:
        readings = (*readings, *logged.readings)
    every = tuple(sorted(readings, key=lambda one: one.day))
    slips = () if logged is None else logged.slips
    holdings = Holdings(garden_file.garden, garden_file.places, trees, entries, every, slips)
    return holdings, garden_file.faults + faults + astray


def _without_astray(
    garden_file: GardenFile, entries: tuple[JournalEntry, ...]
) -> tuple[tuple[Tree, ...], tuple[Fault, ...]]:
    """Return the trees without those last moved to a place that is left out, and a fault for each."""
    last = {entry.tree_id: entry for entry in entries if entry.entry == "moved"}
    astray = {tree_id: entry for tree_id, entry in last.items() if entry.amount not in garden_file.places}
    faults = tuple(
        Fault(
            JOURNAL_FILE,
            entry.line,
            "amount",
            f"{shown_value(entry.amount)} is left out because of its own fault",
            f"mend that place in {GARDEN_FILE}",
            f"tree {tree_id}",
        )
        for tree_id, entry in astray.items()
    )
    return tuple(tree for tree in garden_file.trees if tree.id not in astray), faults


def load_holdings(
    folder: Path, tables: Tables, now_utc: datetime
) -> tuple[Holdings | None, tuple[Fault, ...]]:
    """Return what the garden folder holds, and every fault of garden.toml and journal.csv.

    A faulty tree, place (with its trees) or journal line is left out and named. None when
    ``[garden]`` or the TOML itself is broken. A missing journal is an empty one.
    """
    garden_file = load_garden_file(folder / GARDEN_FILE, tables)
    text, faults = journal_text(folder)
    logged = logged_in(folder, garden_file, tables, now_utc)
    holdings, found = holdings_of(garden_file, text, now_utc, logged)
    return holdings, found + faults + (() if logged is None else logged.faults)


def logged_in(folder: Path, garden_file: GardenFile, tables: Tables, now_utc: datetime) -> Logged | None:
    """Return what loggers at places have read up to now, None without loggers; see ``read_loggers``."""
    if garden_file.garden is None or not any(place.thermometer for place in garden_file.places.values()):
        return None
    from advisor.store.thermometer_files import read_loggers

    return read_loggers(folder, garden_file.garden, garden_file.places.values(), tables, now_utc)
