"""Warnings while a told move was not logged: the tree may stand in either place, and danger in either counts.

A warning judges the garden as the journal has it, and once more with every told move made. Who is in danger
in only one of the two is named with an if.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from functools import partial

from advisor.advice.alerts import Alert
from advisor.advice.grouping import bench_order, names
from advisor.advice.heat import take_over_days
from advisor.advice.hours import day_name
from advisor.advice.model import Advice, AlertEvent, Situation
from advisor.advice.readings import only
from advisor.advice.settled import as_told, earlier_tellings

__all__ = ["in_either_place"]


def in_either_place(
    situation: Situation, alert: Alert, failed: Callable[[Exception], None]
) -> AlertEvent | None:
    """Return the warning for the places of the journal and for those that digests told.

    Parameters
    ----------
    situation : Situation
    alert : function
        One of ``ALERTS``.
    failed : function
        Told of a fault in judging the told places; the warning for those of the journal stands.
    """
    here = alert(situation)
    try:
        found = here
        for telling in (situation, *earlier_tellings(situation)):
            told = as_told(telling)
            if told is not None:
                told.once("_take_over", partial(_take_over, told, situation, telling.told_moves))
                found = _either(telling, told, found, alert)
    except Exception as error:  # noqa: BLE001 - the fault is said, and takes no warning away
        failed(error)
        return here
    return found


def _take_over(told: Situation, situation: Situation, moves: Collection[str]) -> None:
    """Of trees that stay where they are, told and logged places have the same days of heat."""
    exposure = told.exposure
    if exposure is not None:
        moved = [tree for tree in exposure.tree_ids if tree in moves]
        take_over_days(told, situation, replace(told, exposure=only(exposure, moved), members=None))


def _either(
    situation: Situation, told: Situation, here: AlertEvent | None, alert: Alert
) -> AlertEvent | None:
    # where there is a warning here too its steps stand, and of the other only who, when and how sure counts
    there = alert(told, steps=here is None)
    known = set(situation.told_moves)
    if here is None:
        if there is None:
            return None
        words = _conditions(situation, there.trees, "only if moved to")
        given = _given(situation, there.trees)
        return replace(
            there,
            headline="; ".join([there.headline, *words]),
            advice=tuple(_if(piece, given) if _of_place(piece) else piece for piece in there.advice),
        )
    there_trees = () if there is None else there.trees
    left = [tree for tree in here.trees if tree in known and tree not in there_trees]
    words = _conditions(situation, left, "only if not moved to", here.trees)
    if there is None:
        return replace(here, headline="; ".join([here.headline, *words]))
    more = [tree for tree in there.trees if tree not in here.trees]
    if not more:
        return replace(
            here,
            headline="; ".join([here.headline, *words]),
            spared=_both(situation, here.spared, there.spared),
        )
    words += _conditions(situation, more, "too if moved to", (*here.trees, *more))
    assert told.exposure is not None  # noqa: S101 - there is a warning
    alone = alert(
        replace(
            told,
            exposure=only(told.exposure, bench_order(situation, more)),
            members=None if told.members is None else only(told.members, bench_order(situation, more)),
        )
    )
    given = _given(situation, more)
    pieces = [] if alone is None else [_if(piece, given) for piece in alone.advice if _of_place(piece)]
    sure = None
    if here.sure_trees is not None and there.sure_trees is not None:
        sure = (*here.sure_trees, *(tree for tree in there.sure_trees if tree in more))
    return replace(
        here,
        first_day=min(here.first_day, there.first_day),
        last_day=max(here.last_day, there.last_day),
        trees=(*here.trees, *more),
        spared=_both(situation, here.spared, there.spared),
        headline="; ".join([here.headline, *words]),
        advice=(*here.advice, *pieces),
        chance=max((one for one in (here.chance, there.chance) if one is not None), default=None),
        may_break_quiet_hours=here.may_break_quiet_hours or there.may_break_quiet_hours,
        expires_utc=max(here.expires_utc, there.expires_utc),
        send_from_utc=min(here.send_from_utc, there.send_from_utc),
        opens=here.opens or there.opens,
        grade=max(here.grade, there.grade),
        sure_trees=sure,
    )


def _both(situation: Situation, one: Collection[str], other: Collection[str]) -> tuple[str, ...]:
    return bench_order(situation, set(one) & set(other))


def _groups(situation: Situation, trees: Collection[str]) -> dict[str, list[str]]:
    """Trees by the move that was told: ``South bench as told Tue 7 Jul``."""
    groups: dict[str, list[str]] = {}
    for tree in bench_order(situation, trees):
        move = situation.told_moves.get(tree)
        if move is not None:
            place = situation.holdings.places[move.to_id].name
            groups.setdefault(f"{place} as told {day_name(situation, move.told_on)}", []).append(tree)
    return groups


def _conditions(
    situation: Situation, trees: Collection[str], word: str, of: Collection[str] | None = None
) -> list[str]:
    """``Sorrel only if moved to South bench as told Tue 7 Jul``; without a name where all are meant."""
    named = set(trees if of is None else of)
    found = []
    for move, group in _groups(situation, trees).items():
        who = "" if set(group) == named else f"{names(situation, group)} "
        found.append(f"{who}{word} {move}")
    return found


def _given(situation: Situation, trees: Collection[str]) -> str:
    groups = _groups(situation, trees)
    return f"if moved to {next(iter(groups))}" if len(groups) == 1 else "if moved as told"


def _of_place(piece: Advice) -> bool:
    """Return True for a measure for trees that their place asks for; other steps need no if of their own."""
    return bool(piece.trees) and not piece.anywhere


def _if(piece: Advice, given: str) -> Advice:
    """A measure that is wanted only in the told place, with the words for that; ``-if`` in its id."""
    do, mark, why = piece.do.partition(": ")
    kind, dash, rest = piece.id.partition("-")
    return replace(piece, id=f"{kind}-if{dash}{rest}", do=f"{do} {given}{mark}{why}")
