"""The other place in which a tree may stand: where it stays if nobody carries it, or where it was told to go.

Advice takes today's moves, and those that were told and not logged, as done (``settled``). A tree that was
not carried must lose no warning by that: what threatens it in the other place is told as well, with ``if it
stays on South bench`` behind it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import cast

from advisor.advice.grouping import bench_order
from advisor.advice.hours import day_name
from advisor.advice.model import Advice, Situation
from advisor.advice.placing_elsewhere import copied
from advisor.advice.settled import at_told_place, earlier_tellings, settled, standing_now
from advisor.exposure.model import HOURLY, Exposure
from advisor.garden.state_model import TreeState

__all__ = ["Reading", "conditional", "only", "other_readings", "told_already"]

_BY_TREE = (
    *HOURLY, "sun_w_m2", "pot_rim_shaded_c", "waterings_l", "left_now_share", "dry_known_share", "capacity_l",
    "usable_l",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reading:
    """Trees in the place that advice does not take them to stand in, and the words for that.

    ``situation`` has the exposure of these trees alone, and the states of all; ``today``: they go only today.
    """

    trees: tuple[str, ...]
    situation: Situation
    one: str
    many: str
    today: bool

    def words(self, trees: Collection[str]) -> str:
        """``if it stays on South bench``."""
        return self.one if len(trees) == 1 else self.many


def other_readings(situation: Situation) -> tuple[Reading, ...]:
    """Return where else the trees of today's and of told moves may stand, a reading for each set of words."""
    return situation.once("other_readings", partial(_other_readings, situation))


def _other_readings(situation: Situation) -> tuple[Reading, ...]:
    places, after = situation.holdings.places, settled(situation)
    if situation.exposure is None or after.exposure is None or situation.by_journal:
        return ()
    groups: dict[tuple[str, str, bool], list[str]] = {}
    for tree, told in situation.told_moves.items():
        if told.taken_as_done:
            here = f"on {places[told.from_id].name}"
            groups.setdefault(
                (f"if it still stands {here}", f"if they still stand {here}", False), []
            ).append(tree)
    for tree, state in standing_now(situation).items():
        if tree not in situation.told_moves and state.place_id != situation.states[tree].place_id:
            here = f"on {places[situation.states[tree].place_id].name}"
            groups.setdefault((f"if it stays {here}", f"if they stay {here}", True), []).append(tree)
    found = [
        _reading(after, situation, situation.exposure, situation.states, trees, *words)
        for words, trees in groups.items()
    ]
    for telling in (situation, *earlier_tellings(situation)):
        elsewhere: dict[tuple[str, str, bool], list[str]] = {}
        for tree, told in telling.told_moves.items():
            if telling is not situation or not told.taken_as_done:
                there = f"on {places[told.to_id].name}, as told {day_name(situation, told.told_on)}"
                words = (f"if it stands {there}", f"if they stand {there}", False)
                elsewhere.setdefault(words, []).append(tree)
        if elsewhere:
            told_states, told_exposure = at_told_place(telling)
            found += [
                _reading(after, situation, told_exposure, told_states, trees, *words)
                for words, trees in elsewhere.items()
            ]
    return tuple(found)


def _reading(
    after: Situation,
    situation: Situation,
    exposure: Exposure,
    states: Mapping[str, TreeState],
    trees: Sequence[str],
    one: str,
    many: str,
    today: bool,
) -> Reading:
    ordered = bench_order(situation, trees)
    own = {tree: states[tree] for tree in ordered}
    members = situation.members
    if members is not None and exposure is not situation.exposure:
        members = None
    return Reading(
        ordered,
        replace(
            after,
            states={**after.states, **own},
            exposure=only(exposure, ordered),
            members=None if members is None else only(members, ordered),
        ),
        one,
        many,
        today,
    )


def only(exposure: Exposure, trees: Sequence[str]) -> Exposure:
    """Return the exposure of some trees alone, in the order given."""
    rows = [exposure.row(tree) for tree in trees]
    with_members = exposure.sun_w_m2.ndim == 3
    arrays = {}
    for name in _BY_TREE:
        values = getattr(exposure, name)
        arrays[name] = values[:, rows] if with_members and values.ndim > 1 else values[rows]
    dry_at = exposure.dry_at[:, rows] if with_members else exposure.dry_at[rows]
    known = tuple(exposure.water_known[row] for row in rows)
    return cast(
        "Exposure",
        copied(exposure, Exposure, tree_ids=tuple(trees), dry_at=dry_at, water_known=known, **arrays),
    )


def conditional(piece: Advice, reading: Reading) -> Advice:
    """Return a piece of advice that holds only in the other place, with the words for that.

    Its id is that of the piece with ``-if`` after the kind.
    """
    do, mark, why = piece.do.partition(": ")
    kind, dash, rest = piece.id.partition("-")
    words = reading.words(piece.trees)
    return replace(piece, id=f"{kind}-if{dash}{rest}", do=f"{do} {words}{mark}{why}")


def told_already(piece: Advice, main: Iterable[Advice]) -> bool:
    """Return True where each tree of a piece has advice on the same hazard anyway, as urgent as this.

    A mere note is not worth telling for a place in which a tree may not even stand.
    """
    if piece.urgency == "note":
        return True
    covered = {
        tree
        for other in main
        if other.hazard == piece.hazard and other.kind == piece.kind and (other.must or not piece.must)
        for tree in other.trees
    }
    return set(piece.trees) <= covered
