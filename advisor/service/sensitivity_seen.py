"""What a step of the evaluation looks at, and what of it comes out otherwise when a number is varied."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from advisor.exposure.model import Exposure
from advisor.garden.state_model import TreeState

__all__ = ["Seen", "Watched", "WatchedExposure", "changed_exposure", "changed_states", "looked_at"]

Seen = tuple[str, str]
"""Whose, and which field: a tree's state, or with no tree the exposure."""

_OF_THE_GARDEN = frozenset(
    {"start_utc", "now_utc", "reference_et_mm", "solar_hour", "sun_elevation_deg", "slot_utc", "wbgt_c"}
)
"""Fields of the exposure without a tree axis."""
_ROW_OF = "row of "
"""Begins the note that a tree's row was asked for."""
_METHODS = {"flag": "flags"}
"""Methods of a state, and the field that they look into."""


class Watched:
    """Stands in for a frozen value and notes which of its fields are looked at."""

    def __init__(self, value: Any, note: Callable[[str], None]) -> None:
        self._value, self._note_seen = value, note

    def __getattr__(self, name: str) -> Any:
        self._note_seen(_METHODS.get(name, name))
        return getattr(self._value, name)


class WatchedExposure(Watched):
    """Stands in for an exposure; notes besides for which trees a row was asked for."""

    def row(self, tree_id: str) -> int:
        """Index of a tree on the tree axis."""
        self._note_seen(f"{_ROW_OF}{tree_id}")
        found: int = self._value.row(tree_id)
        return found


def looked_at(changed: Mapping[str, frozenset[str]], seen: Collection[Seen]) -> bool:
    """Return whether a step looked at something of the exposure that changed.

    Parameters
    ----------
    changed : mapping from field to trees
        As ``changed_exposure`` gives it.
    seen : collection of Seen
        What the step looked at. A step that asked for the rows of some trees, and never for the list of
        trees, looked at those alone.
    """
    fields_seen = {name for whose, name in seen if not whose}
    trees = {name.removeprefix(_ROW_OF) for name in fields_seen if name.startswith(_ROW_OF)}
    whole = not trees or "tree_ids" in fields_seen
    return any(
        name in fields_seen and (whole or "" in of_trees or not trees.isdisjoint(of_trees))
        for name, of_trees in changed.items()
    )


def changed_states(before: Mapping[str, TreeState], after: Mapping[str, TreeState]) -> frozenset[Seen]:
    """Return (tree, field) of all that differs. The tables that states carry are left aside."""
    found = set()
    for tree in before.keys() | after.keys():
        old = _plain(before[tree]) if tree in before else {}
        new = _plain(after[tree]) if tree in after else {}
        found |= {(tree, name) for name in old.keys() | new.keys() if old.get(name) != new.get(name)}
    return frozenset(found)


def _plain(state: TreeState) -> dict[str, object]:
    found: dict[str, object] = {
        each.name: getattr(state, each.name) for each in fields(state) if each.name not in {"group", "flags"}
    }
    found["flags"] = tuple(
        (flag.id, *(getattr(flag, each.name) for each in fields(flag) if each.name != "rule"))
        for flag in state.flags
    )
    return found


def changed_exposure(before: Exposure | None, after: Exposure | None) -> dict[str, frozenset[str]]:
    """Return the fields that differ, each with the trees for which it does.

    A field without a tree axis, or one whose shape differs, goes with the empty name beside every tree.
    """
    if before is after:
        return {}
    if before is None or after is None or before.tree_ids != after.tree_ids:
        trees = frozenset({"", *(() if before is None else before.tree_ids)})
        return {each.name: trees for each in fields(Exposure)}
    found = {}
    for each in fields(Exposure):
        old, new = getattr(before, each.name), getattr(after, each.name)
        differs = _where(old, new, each.name, before.tree_ids)
        if differs:
            found[each.name] = differs
    return found


def _where(old: Any, new: Any, name: str, trees: tuple[str, ...]) -> frozenset[str]:
    if not isinstance(old, np.ndarray) and not isinstance(old, tuple):
        return frozenset() if old == new else frozenset({"", *trees})
    if name in _OF_THE_GARDEN or len(old) != len(new) or len(old) != len(trees):
        return frozenset() if _same(old, new) else frozenset({"", *trees})
    return frozenset(tree for row, tree in enumerate(trees) if not _same(old[row], new[row]))


def _same(old: Any, new: Any) -> bool:
    if isinstance(old, np.ndarray | np.generic):
        kind = np.asarray(old).dtype.kind
        return bool(np.array_equal(old, new, equal_nan=kind in "fM"))
    return bool(old == new)
