"""Moves that a digest told and nobody logged: the tree may stand in either place.

A telling is believed for some days, and only until the journal says where the tree stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Literal

from advisor.garden.model import Holdings
from advisor.garden.state_model import TreeState

__all__ = ["MoveKind", "OpenMove", "ToldMove", "open_moves"]

MoveKind = Literal["shade", "room", "light"]


@dataclass(frozen=True, slots=True)
class ToldMove:
    """One move as one digest told it.

    ``at_utc`` is when the digest had been delivered, ``day`` its local day; the tree was to go by ``by_utc``.
    """

    tree_id: str
    from_id: str
    to_id: str
    kind: MoveKind
    day: date
    at_utc: datetime
    by_utc: datetime


@dataclass(frozen=True, slots=True)
class OpenMove:
    """A move told and not logged: the tree stands in ``from_id`` or, since ``by_utc``, in ``to_id``.

    ``told_on`` is the first local day on which it was told. A move into the light (kind ``light``) had a
    week: the tree is taken to stand where it was; any other is taken as done.
    """

    tree_id: str
    from_id: str
    to_id: str
    kind: MoveKind
    told_on: date
    by_utc: datetime
    earlier: tuple[OpenMove, ...] = ()
    """Other places told before this one and still believed, the newest first: it may stand there as well."""

    @property
    def taken_as_done(self) -> bool:
        """True where the first reading has the tree in its new place."""
        return self.kind != "light"


def open_moves(
    told: Iterable[ToldMove],
    holdings: Holdings,
    states: Mapping[str, TreeState],
    day: date,
    believed_d: float,
) -> dict[str, OpenMove]:
    """Return the moves of which nobody knows whether they were made, by tree.

    Parameters
    ----------
    told : iterable of ToldMove
        What delivered digests told.
    holdings, states : where the journal has each tree now
    day : date
        Today.
    believed_d : float
        Days after its last telling for which a move is believed.

    Returns
    -------
    dict of tree id to OpenMove
        Without moves that a later line of the journal, or of the garden file, has overtaken, and without
        those from or to a place that is no longer there. Of two places the one told last is the move, the
        other is among its ``earlier``.
    """
    logged: dict[str, datetime] = {}
    for entry in holdings.journal:
        if entry.entry == "moved":
            logged[entry.tree_id] = max(entry.at_utc, logged.get(entry.tree_id, entry.at_utc))
    found: dict[str, dict[str, OpenMove]] = {}
    last: dict[tuple[str, str], date] = {}
    for move in sorted(told, key=lambda one: one.at_utc):
        state = states.get(move.tree_id)
        if state is None or state.place_id != move.from_id or move.to_id not in holdings.places:
            continue
        if move.tree_id in logged and logged[move.tree_id] >= move.at_utc:
            continue
        of_tree, key = found.setdefault(move.tree_id, {}), (move.tree_id, move.to_id)
        again = next(reversed(of_tree), None) == move.to_id
        if not again or (move.day - last[key]).days > believed_d:
            of_tree.pop(move.to_id, None)
            of_tree[move.to_id] = OpenMove(
                move.tree_id, move.from_id, move.to_id, move.kind, move.day, move.by_utc
            )
        last[key] = move.day
    result = {}
    for tree, of_tree in found.items():
        believed = [one for one in of_tree.values() if 0 <= (day - last[tree, one.to_id]).days <= believed_d]
        if believed:
            *before, newest = believed
            result[tree] = replace(newest, earlier=tuple(reversed(before)))
    return result
