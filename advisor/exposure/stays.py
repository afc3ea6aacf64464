"""Where each tree stood and will stand, hour by hour: the journal's moves and nets, and moves to come.

Each hour of an exposure belongs to the place in which the tree stands then, so that a tree moved at ten in
the morning has the sun of its old place before and the shade of its new one after.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import TypeVar

import numpy as np

from advisor.exposure.places import Spot
from advisor.garden.model import Holdings, JournalEntry
from advisor.garden.placing import Stand
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["SpotStay", "Tracks", "spot_stays_of", "tracks_of"]

Value = TypeVar("Value")
_LINES = frozenset({"moved", "shaded", "unshaded"})


@dataclass(frozen=True, slots=True)
class SpotStay:
    """One tree in one place under one net from an instant on; None: since before anything is known."""

    from_utc: datetime | None
    place_id: str
    extra_shade: float


def spot_stays_of(
    holdings: Holdings, state: TreeState, tables: Tables, lines: Sequence[JournalEntry] | None = None
) -> tuple[SpotStay, ...]:
    """Return the places and nets of one tree up to the moment of its state, oldest first.

    ``lines`` are those of the tree on moves and nets, where somebody has sought them out already.

    Where the journal's lines, taken in order of their time, do not end where the state has the tree, the
    state alone counts, for all hours.
    """
    stand = Stand(state.tree.place_id, holdings.places, tables.phenology)
    found = [SpotStay(None, stand.place_id, stand.extra_shade)]
    lines = holdings.journal_of(state.tree.id) if lines is None else lines
    for entry in sorted(lines, key=lambda line: (line.at_utc, line.order)):
        if entry.at_utc > state.at_utc:
            break
        day = entry.at_utc.astimezone(holdings.garden.zone).date()
        if entry.entry == "moved" and isinstance(entry.amount, str) and stand.known(entry.amount):
            stand.move(entry.amount, day)
        elif entry.entry == "shaded":
            stand.shade(entry.amount if isinstance(entry.amount, float) else None, day)
        elif entry.entry == "unshaded":
            stand.unshade(day)
        else:
            continue
        found.append(SpotStay(entry.at_utc, stand.place_id, stand.extra_shade))
    if (stand.place_id, stand.extra_shade) != (state.place_id, state.extra_shade):
        return (SpotStay(None, state.place_id, state.extra_shade),)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Tracks:
    """The spots of T trees over the hours of a table.

    Attributes
    ----------
    spots : tuple of Spot, length P
        Each place and net in which any tree stands at some hour.
    paths : tuple of paths, length C
        Each a tuple of (first row, spot), oldest first, for trees that do not stand in one spot all the time.
        Path ``c`` is row P + c of what ``stitched`` gives.
    tree_row : tuple of int, length T
        Of each tree: its spot, or P + the number of its path.
    """

    spots: tuple[Spot, ...]
    paths: tuple[tuple[tuple[int, int], ...], ...]
    tree_row: tuple[int, ...]

    def stitched(self, values: FloatArray, hours: int) -> FloatArray:
        """Return values of the spots with a row added for each path.

        Parameters
        ----------
        values : array, shape (..., P, H) or (..., P, 1)
        hours : int
            H.

        Returns
        -------
        array, shape (..., P + C, H); ``values`` itself where there are no paths
        """
        if not self.paths:
            return values
        full = np.broadcast_to(values, (*values.shape[:-1], hours))
        added = np.empty((*values.shape[:-2], len(self.paths), hours), dtype=values.dtype)
        for number, path in enumerate(self.paths):
            ends = [first for first, _ in path[1:]] + [hours]
            for (first, spot), end in zip(path, ends, strict=True):
                added[..., number, first:end] = full[..., spot, first:end]
        return np.concatenate([full, added], axis=-2)

    def all_stitched(self, value: Value, hours: int) -> Value:
        """Return a frozen value whose fields are all arrays over the spots, each ``stitched``."""
        if not self.paths:
            return value
        arrays = {
            one.name: self.stitched(getattr(value, one.name), hours)
            for one in fields(value)  # type: ignore[arg-type]
        }
        return type(value)(**arrays)


def tracks_of(
    holdings: Holdings,
    states: Sequence[TreeState],
    weather: WeatherTable,
    tables: Tables,
    ahead: Mapping[str, Sequence[SpotStay]],
) -> Tracks:
    """Return the spots of trees hour by hour; a stay counts from the full hour in which it begins.

    Parameters
    ----------
    states : sequence of TreeState, length T
    weather : WeatherTable
        For its hours.
    ahead : mapping from tree id to sequence of SpotStay
        Moves to come, after those of the journal, oldest first.
    """
    rows: dict[tuple[str, float], int] = {}
    spots: list[Spot] = []
    paths: dict[tuple[tuple[int, int], ...], int] = {}

    def spot_row(stay: SpotStay) -> int:
        key = (stay.place_id, stay.extra_shade)
        if key not in rows:
            rows[key] = len(spots)
            spots.append(Spot(holdings.places[stay.place_id], stay.extra_shade))
        return rows[key]

    begin = utc_of(weather.start_utc[0])
    lines: dict[str, list[JournalEntry]] = {}
    for entry in holdings.journal:
        if entry.entry in _LINES:
            lines.setdefault(entry.tree_id, []).append(entry)
    found = []
    for state in states:
        path: list[tuple[int, int]] = []
        known = spot_stays_of(holdings, state, tables, lines.get(state.tree.id, ()))
        stays = (*known, *ahead.get(state.tree.id, ()))
        for number, stay in enumerate(stays):
            late = stays[number + 1].from_utc if number + 1 < len(stays) else None
            if late is not None and late <= begin:
                continue  # over before the table begins
            first = 0 if stay.from_utc is None else max(weather.index_at(max(stay.from_utc, begin)), 0)
            if first >= weather.hours:
                break
            while path and path[-1][0] >= first:
                path.pop()
            path.append((first if path else 0, spot_row(stay)))
        merged = tuple(one for number, one in enumerate(path) if not number or path[number - 1][1] != one[1])
        if len(merged) == 1:
            found.append(merged[0][1])
        else:
            found.append(-1 - paths.setdefault(merged, len(paths)))
    return Tracks(
        tuple(spots), tuple(paths), tuple(row if row >= 0 else len(spots) - 1 - row for row in found)
    )
