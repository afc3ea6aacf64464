"""One morning's advice, and the same morning with one number changed, working out again only what must be.

Every step of the evaluation runs once with tables that note which rows it reads. A step is deterministic, so
a row that it did not read cannot change it. With one row changed, a step is repeated only if it read the row,
or looked at something that came out otherwise: a field of a tree's state, or of the exposure.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import cast

from advisor.advice.alerts import ALERTS
from advisor.advice.compare import Told, told_by_tree
from advisor.advice.model import Advice, Situation, Verdict
from advisor.advice.registry import RULES, run_rules
from advisor.advice.work import verdict_today
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.exposure.thermometer import with_corrections
from advisor.exposure.weighing import learn_thirst
from advisor.garden.model import Holdings
from advisor.garden.practice import practised
from advisor.garden.state import fold_all
from advisor.garden.state_model import TreeState
from advisor.garden.table_rows import ReadRows, recording, rows_of, with_number
from advisor.garden.tables import Tables
from advisor.garden.thirst import Thirst
from advisor.garden.warmth import Warmth
from advisor.service.evaluate import AlertSettings, near_weather, situation_of, warmth_of_places
from advisor.service.sensitivity_pots import PotRuns
from advisor.service.sensitivity_seen import (
    Seen,
    Watched,
    WatchedExposure,
    changed_exposure,
    changed_states,
    looked_at,
)
from advisor.weather.table import WeatherTable

__all__ = ["Build", "Morning"]

Build = Callable[[Tables], Holdings]
"""The garden as these tables fill it: sizes and shapes give pots and crowns their defaults."""

_RULE, _ALERT, _WORK = "rule ", "alert ", "work "
"""First words of a step that gives advice; the rest names the rule, the warning or the kind of work."""


@dataclass(frozen=True, slots=True)
class _Given:
    """What one step that gives advice gave."""

    advice: tuple[Advice, ...] = ()
    verdicts: Mapping[tuple[str, str], Verdict] | None = None


@dataclass(slots=True)
class _Begun:
    """A variation as far as it goes without running pots."""

    tables: Tables
    holdings: Holdings
    states: Mapping[str, TreeState]
    thirst: Mapping[str, Thirst]
    exposure: Exposure | None = None


class Morning:
    """The advice of one morning, open to a change of any row.

    Parameters
    ----------
    build : callable
        Tables in, holdings out.
    tables : Tables
    weather : WeatherTable
        Complete, without ensemble members, reaching no further ahead than a forecast of that morning.
    now_utc : datetime
        Aware.
    alerts : AlertSettings

    Attributes
    ----------
    advice : mapping from (kind, tree) to Told
        By the tables as they are.
    read : frozenset of str
        Names of all rows that were read for it.
    """

    def __init__(
        self, build: Build, tables: Tables, weather: WeatherTable, now_utc: datetime, alerts: AlertSettings
    ) -> None:
        self._build, self._weather = build, weather
        self._now_utc, self._alerts = now_utc, alerts
        # Only rows of the grower's own practice are left, so that no other can count as read.
        self._tables = tables = practised(tables, build(tables).garden.practice)
        self._rows = rows_of(tables)
        self._reads = ReadRows()
        noted = recording(tables, self._reads)
        with self._step("garden"):
            self._holdings = self._garden(noted)
        with self._step("warmth"):
            self._warmth = warmth_of_places(self._holdings, weather, noted)
        with self._step("states"):
            self._states = fold_all(self._holdings, noted, self._warmth, now_utc)
        with self._step("thirst"):
            self._thirst = learn_thirst(self._holdings, weather, self._warmth, noted, now_utc)
        self._seen: dict[str, set[Seen]] = {}
        self._pots = PotRuns()
        self._begun: dict[tuple[str, float], _Begun] = {}
        watched = {
            tree: cast("TreeState", Watched(state, partial(self._note, tree)))
            for tree, state in self._states.items()
        }
        with self._step("exposure"):
            self._exposure = self._exposed(self._holdings, watched, noted, self._thirst)
        self._pots.keep()
        seen_exposure = self._exposure and cast(
            "Exposure", WatchedExposure(self._exposure, partial(self._note, ""))
        )
        with self._step("situation"):
            situation = self._situation(self._holdings, noted, watched, seen_exposure)
        self._given: dict[str, _Given] = {}
        for step in self._giving(tables):
            # With a memory of its own: what an earlier step worked out would be looked up without being read.
            with self._step(step):
                self._given[step] = _give(replace(situation), step)
        self.advice = _told(situation, self._given)
        self.read = self._reads.all

    def _garden(self, tables: Tables) -> Holdings:
        """The garden as the journal told it by then, its places corrected by the readings of thermometers."""
        return with_corrections(
            _until(self._build(tables), self._now_utc), self._weather, tables, self._now_utc
        )

    def _note(self, tree: str, name: str) -> None:
        """Note that the present step looked at a field of a tree's state; no tree for the exposure's own."""
        self._seen.setdefault(self._reads.step, set()).add((tree, name))

    @contextmanager
    def _step(self, name: str) -> Iterator[None]:
        self._reads.step = name
        yield
        self._reads.step = ""

    def prepare(self, changes: Iterable[tuple[str, float]]) -> None:
        """Run the pots that the changes ``(row, value)`` want side by side: much quicker than one by one."""
        self._begun = {}
        self._pots.gathering = True
        for row, value in changes:
            # What goes wrong here goes wrong again in ``with_row``, where it is told.
            with suppress(Exception):
                self._begun[row, value] = begun = self._begin(row, value)
                begun.exposure = self._exposure_of(row, begun)
        self._pots.gathering = False
        self._pots.run_wanted()

    def with_row(self, row: str, value: float) -> Mapping[tuple[str, str], Told]:
        """Return the advice with ``value`` in one row, by (kind, tree).

        Raises
        ------
        KeyError
            No row has that name.
        Exception
            Whatever a step raises at that value; a rule or warning that fails raises ``RuntimeError``.
        """
        if row not in self.read:
            return self.advice
        begun = self._begun.pop((row, value), None) or self._begin(row, value)
        tables, holdings, states = begun.tables, begun.holdings, begun.states
        exposure = begun.exposure or self._exposure_of(row, begun)
        situation = self._situation(holdings, tables, states, exposure)
        everything = holdings != self._holdings or self._hit(row, "situation")
        state_fields = changed_states(self._states, states)
        exposure_rows = changed_exposure(self._exposure, exposure)

        def again(step: str) -> bool:
            seen: Collection[Seen] = self._seen.get(step, set())
            return (
                everything
                or self._hit(row, step)
                or not state_fields.isdisjoint(seen)
                or looked_at(exposure_rows, seen)
            )

        given = {
            step: _give(situation, step) if again(step) else self._given[step]
            for step in self._giving(tables)
        }
        if not exposure_rows and all(given[step] is self._given[step] for step in given):
            return self.advice
        return _told(situation, given)

    def _begin(self, row: str, value: float) -> _Begun:
        """Return tables, garden and states with ``value`` in one row; what it cannot change is kept."""
        tables = with_number(self._tables, row, replace(self._rows[row], value=value))
        holdings = self._holdings
        if self._hit(row, "garden"):
            holdings = self._garden(tables)
        warmth: dict[str, Warmth | None] = self._warmth
        if holdings != self._holdings or self._hit(row, "warmth"):
            warmth = warmth_of_places(holdings, self._weather, tables)
        # States carry their tables along, so they are always made afresh; that costs little.
        thirst = self._thirst
        if warmth is not self._warmth or holdings != self._holdings or self._hit(row, "thirst"):
            thirst = learn_thirst(holdings, self._weather, warmth, tables, self._now_utc)
        return _Begun(tables, holdings, fold_all(holdings, tables, warmth, self._now_utc), thirst)

    def _exposure_of(self, row: str, begun: _Begun) -> Exposure | None:
        """Return the exposure of a variation, that of the plain morning where nothing else can come out."""
        untouched = begun.holdings == self._holdings and not self._hit(row, "exposure")
        if untouched and begun.thirst == self._thirst and self._same_to_exposure(begun.states):
            return self._exposure
        return self._exposed(begun.holdings, begun.states, begun.tables, begun.thirst)

    def _hit(self, row: str, step: str) -> bool:
        return row in self._reads.of(step)

    def _giving(self, tables: Tables) -> tuple[str, ...]:
        """Steps that give advice. Lines on work are left out: the verdicts say all of it."""
        return (
            *(f"{_RULE}{name}" for name in RULES if name != "work"),
            *(f"{_ALERT}{name}" for name in ALERTS),
            *(f"{_WORK}{work} {tree}" for work in tables.works for tree in self._states),
        )

    def _exposed(
        self,
        holdings: Holdings,
        states: Mapping[str, TreeState],
        tables: Tables,
        thirst: Mapping[str, Thirst],
    ) -> Exposure | None:
        if not holdings.trees:
            return None
        near = near_weather(self._weather, self._now_utc)
        return compute_exposure(
            holdings, states, near, tables, self._now_utc, thirst=thirst, simulate_pots=self._pots
        )

    def _situation(
        self,
        holdings: Holdings,
        tables: Tables,
        states: Mapping[str, TreeState],
        exposure: Exposure | None,
    ) -> Situation:
        return situation_of(
            holdings,
            tables,
            self._weather,
            self._now_utc,
            self._alerts,
            states=states,
            exposure=exposure,
            members=None,
        )

    def _same_to_exposure(self, states: Mapping[str, TreeState]) -> bool:
        """True where no state differs in a field that the exposure looked at; rows are seen elsewhere."""
        return not changed_states(self._states, states) & self._seen.get("exposure", set())


def _until(holdings: Holdings, now_utc: datetime) -> Holdings:
    """The garden as the journal told it by then."""
    return replace(holdings, journal=tuple(one for one in holdings.journal if one.at_utc <= now_utc))


def _give(situation: Situation, step: str) -> _Given:
    if step.startswith(_WORK):
        work, tree = step.removeprefix(_WORK).split(" ")
        verdict = verdict_today(situation, work, tree)
        return _Given(verdicts={} if verdict is None else {(work, tree): verdict})
    if step.startswith(_ALERT):
        if situation.exposure is None:
            return _Given()
        event = ALERTS[step.removeprefix(_ALERT)](situation)
        return _Given(event.advice if event is not None else ())
    name = step.removeprefix(_RULE)
    advised = run_rules(situation, {name: RULES[name]})
    if advised.failures:
        raise RuntimeError("; ".join(advised.failures))
    return _Given(advised.advice)


def _told(situation: Situation, given: Mapping[str, _Given]) -> dict[tuple[str, str], Told]:
    advice = [piece for one in given.values() for piece in one.advice]
    verdicts: dict[tuple[str, str], Verdict] = {}
    for one in given.values():
        verdicts |= one.verdicts or {}
    return told_by_tree(situation, advice, verdicts)
