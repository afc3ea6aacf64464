"""Trees, gardens and warmth for the state tests; species rows stand here so that the tests are isolated."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from advisor.garden.model import Crown, Garden, JournalEntry, Place, Pot, Tree
from advisor.garden.practice import Practice, practised
from advisor.garden.state import fold_state
from advisor.garden.state_model import TreeState
from advisor.garden.tables import SpeciesGroup, Tables
from advisor.garden.warmth import Warmth
from advisor.store.config_files import config_folder, read_tables
from advisor.units import Number, NumberTable

GARDENS = {
    "north": Garden("North", 48.0, 8.0, 300.0, "Europe/Berlin"),
    "south": Garden("South", -35.3, 149.1, 300.0, "Australia/Sydney"),
    "sf": Garden("Bay", 37.8, -122.3, 20.0, "America/Los_Angeles"),
    "singapore": Garden("Tropics", 1.3, 103.8, 15.0, "Asia/Singapore"),
}
PLACES = {
    place.id: place
    for place in (
        Place("bench", "Bench"),
        Place("garage", "Garage", shelter_level=4, shade_fraction=1.0),
        Place("shade-house", "Shade house", shade_fraction=0.7),
    )
}


def _traits(**rows: tuple[float, str] | tuple[float, str, float, float]) -> NumberTable:
    return NumberTable(
        "species.toml",
        {key: Number(row[0], row[1], "estimate", "house", *row[2:]) for key, row in rows.items()},
    )


SPECIES = {
    group.id: group
    for group in (
        SpeciesGroup(
            "maple", "Japanese maple", ("acer-palmatum",), "deciduous",
            _traits(leaf_limit_c=(40, "degC"), vpd_limit_kpa=(2.5, "kPa"), shelter_pot_c=(-4, "degC"),
                    small_pot_shelter_c=(-3, "degC"), small_pot_below_l=(3, "l"),
                    open_leaf_frost_c=(-2, "degC"), leaf_out_gdd5=(150, "K d", 110, 200),
                    wire_look_d=(21, "d"), wire_off_d=(35, "d", 28, 45)),
            frozenset({"bleeds", "strips-well"}),
        ),
        SpeciesGroup(
            "trident", "trident maple", ("acer-buergerianum",), "deciduous",
            _traits(leaf_limit_c=(44, "degC"), shelter_pot_c=(-2, "degC"), open_leaf_frost_c=(-2, "degC"),
                    leaf_out_gdd5=(160, "K d", 110, 220), wire_look_d=(10, "d"),
                    wire_off_d=(28, "d", 21, 35)),
            frozenset({"bleeds", "strips-well"}),
        ),
        SpeciesGroup(
            "hornbeam", "hornbeam", ("carpinus",), "deciduous",
            _traits(shelter_pot_c=(-6, "degC"), open_leaf_frost_c=(-5, "degC"), leaf_out_gdd5=(180, "K d")),
        ),
        SpeciesGroup(
            "pine", "black pine", ("pinus-thunbergii",), "evergreen-needle",
            _traits(leaf_limit_c=(46, "degC"), shelter_pot_c=(-8, "degC"), open_leaf_frost_c=(-5, "degC"),
                    leaf_out_gdd5=(130, "K d"), wire_look_d=(60, "d"), wire_off_d=(365, "d", 200, 540)),
            frozenset({"conifer", "two-flush-pine"}),
        ),
        SpeciesGroup(
            "juniper", "juniper", ("juniperus",), "evergreen-needle",
            _traits(shelter_pot_c=(-8, "degC"), open_leaf_frost_c=(-6, "degC"), leaf_out_gdd5=(150, "K d"),
                    wire_look_d=(60, "d"), wire_off_d=(365, "d", 250, 500)),
            frozenset({"conifer"}),
        ),
        SpeciesGroup(
            "ficus", "fig", ("ficus",), "tropical",
            _traits(shelter_pot_c=(10, "degC"), tropical_min_c=(10, "degC"), wire_look_d=(10, "d")),
            frozenset({"no-dormancy"}),
        ),
    )
}  # fmt: skip

TABLES: Tables = replace(read_tables(config_folder()), species=SPECIES)


def tree(species: str = "maple", tree_id: str = "ember", pot_l: float = 2.0) -> Tree:
    return Tree(
        tree_id, tree_id.title(), species, species, "bench", "shohin",
        Pot(pot_l, 20.0, 15.0, 7.0, "oval", "glazed-dark"), Crown(30.0, 30.0), "akadama-pumice-lava",
    )  # fmt: skip


def warmth_of(kind: float | str, garden: Garden, first: date, last: date) -> Warmth | None:
    """Constant, a sine year, or nothing; degree days as plain excess of the mean."""
    if kind == "none":
        return None
    days = tuple(first + timedelta(days=step) for step in range((last - first).days + 1))
    if kind == "year":
        coldest = 197.6 if garden.southern else 15.0
        mean = np.array(
            [
                10.0 - 9.5 * math.cos(2 * math.pi * (day.timetuple().tm_yday - coldest) / 365.25)
                for day in days
            ]
        )
    else:
        mean = np.full(len(days), float(kind))
    return Warmth(
        days, np.clip(mean - 5, 0, None), np.clip(mean - 10, 0, None), mean, mean + 5, mean - 5,
        (mean <= 5).astype(np.float64),
    )  # fmt: skip


def local(text: str, garden: Garden) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=garden.zone).astimezone(UTC)


def lines(rows: Sequence[str], garden: Garden, tree_id: str = "ember") -> list[JournalEntry]:
    """Read ``date,time,entry,amount,unit[,tree]`` into entries, as the journal reader would give them."""
    found = []
    for order, row in enumerate(rows):
        day, clock, entry, amount, unit, *owner = row.split(",")
        at_time = time.fromisoformat(clock) if clock else time(12)
        at = datetime.combine(date.fromisoformat(day), at_time, tzinfo=garden.zone).astimezone(UTC)
        value: float | str | None = amount or None
        if amount and unit not in {"place", ""}:
            value = float(amount)
        found.append(
            JournalEntry(at, owner[0] if owner else tree_id, entry, value, unit, "", order + 2, order)
        )
    return found


def folded(
    rows: Sequence[str] | Sequence[JournalEntry],
    at: str,
    *,
    warmth: float | str = 20.0,
    garden: str = "north",
    species: str = "maple",
    tree_id: str = "ember",
    pot_l: float = 2.0,
    known_until: int = 5,
    practice: dict[str, Any] | None = None,
) -> TreeState:
    place = GARDENS[garden]
    tables = practised(TABLES, Practice(**practice)) if practice else TABLES
    at_utc = local(at, place)
    today = at_utc.astimezone(place.zone).date()
    entries = [row if isinstance(row, JournalEntry) else lines([row], place, tree_id)[0] for row in rows]
    entries = [replace(entry, order=order, line=order + 2) for order, entry in enumerate(entries)]
    met = warmth_of(warmth, place, date(today.year - 2, 1, 1), today + timedelta(days=known_until))
    return fold_state(
        tree(species, tree_id, pot_l), SPECIES[species], entries, met, place, tables, at_utc, places=PLACES
    )
