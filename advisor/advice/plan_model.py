"""What a plan of the coming days holds: sessions with their day, what closes, which trees rest and why."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from advisor.advice.model import HalfDay
from advisor.advice.season import SeasonLast

__all__ = ["Closing", "Plan", "PlannedSession", "Resting", "Waiting"]


@dataclass(frozen=True, slots=True)
class Waiting:
    """A work that the tree is ready for too, but not beside the session that is planned.

    ``from_day`` is the first day after it on which the rules let it; None where they name no day.
    ``this_season`` is False where that is after its last sensible day.
    """

    work: str
    from_day: date | None
    this_season: bool


@dataclass(frozen=True, slots=True)
class PlannedSession:
    """One working session on one tree: one event for the tree, whatever belongs to it.

    Attributes
    ----------
    works : tuple of str
        The kind of work it is planned for, then those that may go with it.
    order : tuple of str
        The same in an order in which each may follow the ones before.
    half : HalfDay
        Best half day of the day for the first work, with its checks.
    from_utc, until_utc : datetime
        Its hours, or the whole working day where the other half suits the same works as well.
    last : SeasonLast or None
        Last sensible day of the first work; None without one.
    major : bool
        Whether any of it costs the tree a season.
    """

    tree_id: str
    works: tuple[str, ...]
    order: tuple[str, ...]
    half: HalfDay
    from_utc: datetime
    until_utc: datetime
    major: bool
    last: SeasonLast | None
    waiting: tuple[Waiting, ...]

    @property
    def work(self) -> str:
        """The kind of work that the session is planned for."""
        return self.works[0]

    @property
    def day(self) -> date:
        """Local day of the session."""
        return self.half.day


@dataclass(frozen=True, slots=True)
class Closing:
    """A kind of work whose season closes soon for a tree that is ready for it.

    ``planned`` is its day in the plan; where None, ``hindered_by`` says what stands in the way.
    """

    work: str
    tree_id: str
    last: SeasonLast
    planned: date | None
    hindered_by: str


@dataclass(frozen=True, slots=True)
class Resting:
    """A tree for which nothing is proposed, and why in a few words."""

    tree_id: str
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The coming days: at most so many sessions a day, the best day for each that finds a place."""

    days: tuple[date, ...]
    major_a_day: int
    light_a_day: int
    sessions: tuple[PlannedSession, ...]
    """By day; major work first, then in the order of the rules and of the benches."""
    also_ready: tuple[PlannedSession, ...]
    """For these the days are full; each with its own best day."""
    closing: tuple[Closing, ...]
    """Soonest first."""
    resting: tuple[Resting, ...]
    """In bench order."""

    def on(self, day: date) -> tuple[PlannedSession, ...]:
        """Return the sessions of a day."""
        return tuple(one for one in self.sessions if one.day == day)

    def prepared_on(self, day: date) -> tuple[PlannedSession, ...]:
        """Return the sessions to prepare on a day: those of the next day, and today those of today too."""
        due = [one for one in self.sessions if one.day == day + timedelta(days=1)]
        return (*(self.on(day) if day == self.days[0] else ()), *due)

    def of_trees(self, tree_ids: Collection[str]) -> Plan:
        """Return the part of the plan that is about some trees; their days stay the same."""
        return replace(
            self,
            sessions=tuple(one for one in self.sessions if one.tree_id in tree_ids),
            also_ready=tuple(one for one in self.also_ready if one.tree_id in tree_ids),
            closing=tuple(one for one in self.closing if one.tree_id in tree_ids),
            resting=tuple(one for one in self.resting if one.tree_id in tree_ids),
        )
