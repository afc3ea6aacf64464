"""Which warnings are one event, and which change of a told event is worth another mail.

A grower who is mailed whenever a forecast wavers stops reading. So an event that was mailed stays one event
until it is over, by what was and by what is foreseen, and is mailed again only for something new to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from advisor.advice.model import AlertEvent
from advisor.units import NumberTable

__all__ = ["Step", "ToldEvent", "belongs", "lasting_until", "step"]

Step = Literal["open", "update", "silent"]
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class ToldEvent:
    """What was mailed of an event.

    Attributes
    ----------
    first_day, last_day : date
        Local days. Of heat ``last_day`` is the last day on which there was heat or is foreseen close by.
    trees : sequence of str
        All that were named so far.
    told_day : date
        Local day of the newest mail.
    grade : int
        Highest class mailed.
    told_until : date or None
        Last day that a mail spoke of; None unknown.
    """

    first_day: date
    last_day: date
    trees: Sequence[str]
    told_day: date
    grade: int = 0
    told_until: date | None = None


def belongs(told: ToldEvent, hazard: AlertEvent) -> bool:
    """Return True where a warning is of an event that was told and is not over.

    Spells of frost, gale, hail and dryness that touch or are a day apart are one event. Heat foreseen while a
    told spell is open (``lasting_until``) is that spell, whatever the forecast makes of its days.
    """
    if hazard.hazard == "heat":
        return True
    return hazard.first_day <= told.last_day + _DAY and hazard.last_day >= told.first_day - _DAY


def lasting_until(told: ToldEvent, hot: Sequence[date], quiet_d: int) -> date:
    """Last day of a told spell: its first, or the last hot one not parted from it by more quiet days.

    Parameters
    ----------
    hot : sequence of date
        Days on which there was heat, or on which it is foreseen close by, in order.
    quiet_d : int
        Days without heat after which a spell is over.
    """
    last = max(told.first_day, told.last_day)
    for day in hot:
        if last < day <= last + (quiet_d + 1) * _DAY:
            last = day
    return last


def step(told: ToldEvent | None, hazard: AlertEvent, today: date, limits: NumberTable) -> Step:
    """Say whether a warning opens an event, updates one that was told, or is silent; one mail a day at most.

    An update is worth a mail for another tree in danger, and while the event has not begun for a move of its
    beginning: of heat, which wavers, only for one that comes ``heat.sooner_d`` sooner, and for another class.
    Days of heat on end that begin more than ``heat.anew_d`` after the last day mailed open an event of their
    own, though single hot days have kept the told one open.
    """
    if not hazard.opens or (told is not None and told.told_day >= today):
        return "silent"
    if told is None or _anew(told, hazard, limits):
        return "open"
    worth = hazard.trees if hazard.sure_trees is None else hazard.sure_trees
    sooner = (told.first_day - hazard.first_day).days
    moved = sooner >= round(limits.value("heat.sooner_d", "d")) if hazard.hazard == "heat" else sooner != 0
    begun = told.first_day <= today
    new = bool(set(worth) - set(told.trees)) or hazard.grade > told.grade
    return "update" if new or (moved and not begun) else "silent"


def _anew(told: ToldEvent, hazard: AlertEvent, limits: NumberTable) -> bool:
    if hazard.hazard != "heat" or told.told_until is None:
        return False
    return (hazard.first_day - told.told_until).days > round(limits.value("heat.anew_d", "d"))
