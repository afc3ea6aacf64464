"""What doubles meet elsewhere, worked out once for a garden and for what is made of it by moving trees.

Today's places, those once today's moves are made, and those that digests told ask for much the same trees in
the same places; what a double meets does not hang on where the tree itself stands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from advisor.exposure.model import HOURLY, Exposure
from advisor.garden.state_model import TreeState

__all__ = ["Doubles"]

_BY_HOUR = (*HOURLY, "sun_w_m2", "pot_rim_shaded_c")
_BY_TREE = ("left_now_share", "dry_known_share", "capacity_l", "usable_l")
_OF_HOUR = ("start_utc", "reference_et_mm", "solar_hour", "sun_elevation_deg", "wbgt_c")


@dataclass(frozen=True, slots=True)
class _Known:
    """A double as it was worked out: its state, and its row of an exposure."""

    state: TreeState
    exposure: Exposure
    row: int


class Doubles:
    """What each double meets, as far ahead as was asked; kept with a situation and gone with it."""

    def __init__(self) -> None:
        self._rests_on: tuple[object, ...] = ()
        self._known: dict[str, _Known] = {}
        self._hours = 0

    def exposure(
        self,
        states: Mapping[str, TreeState],
        hours: int,
        rests_on: tuple[object, ...],
        work: Callable[[Sequence[str], int], Exposure],
    ) -> Exposure:
        """Return what some doubles meet; those that were not asked for before are worked out together.

        Where they were worked out for a longer table, it is cut. Water is planned from one watering time to
        the next, so that of water and pots the last day is then that of the longer table; nobody looks at it.

        Parameters
        ----------
        states : mapping from double id to TreeState
        hours : int
            Length of the table, which begins at the same hour for all.
        rests_on : tuple
            All else that decides what they meet. Another object in it, and nothing known counts.
        work : callable
            Ids of doubles and hours in, their exposure in that order out.
        """
        same = len(rests_on) == len(self._rests_on)
        if not same or any(one is not other for one, other in zip(rests_on, self._rests_on, strict=True)):
            self._rests_on, self._known, self._hours = rests_on, {}, 0
        # as far as any was asked for: the heat mail asks for the same ones for fewer days, then for more
        self._hours = max(self._hours, hours)
        missing = [double for double, state in states.items() if not self._knows(double, state, hours)]
        if missing:
            found = work(missing, self._hours)
            for row, double in enumerate(found.tree_ids):
                self._known[double] = _Known(states[double], found, row)
        return _joined({double: self._known[double] for double in states}, hours)

    def _knows(self, double: str, state: TreeState, hours: int) -> bool:
        known = self._known.get(double)
        return known is not None and known.exposure.start_utc.size >= hours and known.state == state


def _joined(known: Mapping[str, _Known], hours: int) -> Exposure:
    """Return the exposure of some doubles, cut to ``hours``."""
    groups: dict[int, tuple[Exposure, list[int], list[int]]] = {}
    for number, one in enumerate(known.values()):
        _, rows, numbers = groups.setdefault(id(one.exposure), (one.exposure, [], []))
        rows.append(one.row)
        numbers.append(number)
    first = next(iter(known.values())).exposure
    if len(groups) == 1 and first.tree_ids == tuple(known) and first.start_utc.size == hours:
        return first
    start_utc = first.start_utc[:hours]
    slots = int((first.slot_utc < start_utc[-1] + np.timedelta64(3600, "s")).sum())

    def gathered(name: str, *cut: slice) -> Any:
        found = np.empty((len(known), *getattr(first, name)[0][cut].shape), getattr(first, name).dtype)
        for exposure, rows, numbers in groups.values():
            found[numbers] = getattr(exposure, name)[(rows, *cut)]
        return found

    dry_at = gathered("dry_at")
    changes: dict[str, Any] = {
        **{name: getattr(first, name)[:hours] for name in _OF_HOUR},
        **{name: gathered(name, slice(hours)) for name in _BY_HOUR},
        **{name: gathered(name) for name in _BY_TREE},
    }
    return replace(
        first,
        tree_ids=tuple(known),
        slot_utc=first.slot_utc[:slots],
        waterings_l=gathered("waterings_l", slice(slots)),
        dry_at=np.where(dry_at <= start_utc[-1], dry_at, np.datetime64("NaT", "s")),
        water_known=tuple(one.exposure.water_known[one.row] for one in known.values()),
        thirst={
            double: one.exposure.thirst[double]
            for double, one in known.items()
            if double in one.exposure.thirst
        },
        **changes,
    )
