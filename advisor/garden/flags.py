"""Runs of flags: what raised them, when they are expected to end, and what ends them.

The late end is the later of the two counts, days and degree days: the safe one for sun, wind and frost.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

import numpy as np

from advisor.garden.state_model import Flag, StageKnown
from advisor.garden.tables import FlagRule, SpeciesGroup
from advisor.garden.warmth import Warmth
from advisor.physics.missing import covered, reduce_over
from advisor.units import Number, NumberTable

__all__ = ["EndClock", "EndRange", "Run", "flag_of"]

Ended = Literal["", "seen", "work", "time", "restarted"]


@dataclass(frozen=True, slots=True)
class Run:
    """One flag from its start to its end. ``ended`` is None while it runs."""

    rule: FlagRule
    began: date
    began_utc: datetime
    line: int | None
    amount: float | None = None
    amount_unit: str = ""
    known: Literal["logged", "seen", "guess"] = "logged"
    note: str = ""
    frozen: StageKnown | None = None
    """The stage of the year that stands still while it runs."""
    in_leaf: bool = True
    """Leaves were out when it began."""
    ended: date | None = None
    ended_by: Ended = ""
    ended_entry: str = ""
    leaf_seen: date | None = None
    """Open leaves noted too soon to be believed for shelter; believed for water."""

    def keeps(self, mark: str) -> bool:
        """True when the rule carries a plain mark."""
        return mark in self.rule.keeps


@dataclass(frozen=True, slots=True)
class EndRange:
    """Early, expected and late end, and what they rest on."""

    early: date
    expected: date
    late: date
    basis: Literal["degree days", "degree days projected", "days"]


@dataclass(frozen=True, slots=True)
class EndClock:
    """Counts days and degree days of runs, as seen from ``today``.

    Attributes
    ----------
    warmth : Warmth or None
        Past and forecast days of the place; beyond them it stays as warm as their last fortnight.
    today : date
        Local day of the state.
    group : SpeciesGroup
    numbers : NumberTable
        config/phenology.toml.
    """

    warmth: Warmth | None
    today: date
    group: SpeciesGroup
    numbers: NumberTable

    def degree_days(self, began: date) -> float | None:
        """Degree days over 5 degC from ``began`` to yesterday; None below the wanted coverage."""
        if self.warmth is None:
            return None
        total, coverage = self.warmth.warmth_between(began, self.today - timedelta(days=1))
        return total if coverage >= self.numbers.value("unlogged.coverage", "share") else None

    def _days(self, run: Run) -> Number:
        if run.keeps("wire") and "wire_off_d" in self.group.traits:
            return self.group.traits["wire_off_d"]
        return run.rule.numbers["days"]

    def idle_days(self, run: Run) -> int:
        """Days known to have been too cold for wire to bite; none for other flags."""
        return int((self.today - run.began).days - self._growing(run)[-1]) if run.keeps("wire") else 0

    def _growing(self, run: Run) -> list[int]:
        """Running count of growing days, from 0 on the first day to today."""
        length = max((self.today - run.began).days, 0)
        if self.warmth is None or not length:
            return list(range(length + 1))
        mean = self.warmth.between("mean_c", run.began, self.today - timedelta(days=1))
        cold = np.where(np.isnan(mean), np.inf, mean) < self.numbers.value("wire.growth_mean_c", "degC")
        return [0, *(int(count) for count in np.cumsum(~cold))]

    def last_ask(self, run: Run) -> date | None:
        """Return the last day up to today on which the run's question fell due, without its late end."""
        rule = run.rule
        if "ask_after_d" not in rule.numbers:
            return None
        first = rule.numbers.value("ask_after_d", "d")
        if run.keeps("wire"):
            first = self.group.trait("wire_look_d", "d") or first
        every = rule.numbers.value("ask_every_d", "d") if "ask_every_d" in rule.numbers else 0.0
        count = self._growing(run) if run.keeps("wire") else list(range((self.today - run.began).days + 1))
        if count[-1] < first:
            return None
        reached = first + (every * ((count[-1] - first) // every) if every else 0.0)
        return run.began + timedelta(days=next(day for day, grown in enumerate(count) if grown >= reached))

    def _daily(self, began: date, length: int) -> tuple[list[float], bool] | None:
        """Degree days from ``began`` on, gaps and the time to come filled at the recent rate."""
        if self.warmth is None or not self.warmth.days:
            return None
        wanted = self.numbers.value("unlogged.coverage", "share")
        until = min(self.today, began + timedelta(days=length))
        past = self.warmth.between("degree_days_5", began, until - timedelta(days=1))
        if past.size and not covered(past, wanted):
            return None
        recent = self.warmth.degree_days_5[~np.isnan(self.warmth.degree_days_5)]
        recent = recent[-round(self.numbers.value("unlogged.rate_days", "d")) :]
        if recent.size < self.numbers.value("unlogged.rate_days_least", "d"):
            return None
        rate = float(reduce_over(recent, "mean").value)
        daily = self.warmth.between("degree_days_5", began, began + timedelta(days=length - 1))
        missing = np.isnan(daily)
        return [float(value) for value in np.where(missing, rate, daily)], bool(missing[past.size :].any())

    def end_range(self, run: Run) -> EndRange:
        """Return when the run is expected to end, from days and, where known, degree days."""
        days = self._days(run)
        idle = self.idle_days(run)
        low, high = (days.value if end is None else end for end in (days.low, days.high))
        by_days = [round(count) + idle for count in (low, days.value, high)]
        basis: Literal["degree days", "degree days projected", "days"] = "days"
        if "degree_days_5" in run.rule.numbers:
            need = run.rule.numbers["degree_days_5"]
            needs = [need.value if end is None else end for end in (need.low, need.value, need.high)]
            cap = round(high * self.numbers.value("unlogged.late_end_cap", "1"))
            found = self._daily(run.began, cap)
            if found is not None:
                sums = np.cumsum(found[0])
                counts = [int(np.searchsorted(sums, wanted - 1e-9)) + 1 for wanted in needs]
                counts = [min(count, cap) for count in counts]
                # The early and the expected end want both counts; the late end is the later of the two.
                by_days = [
                    max(by_days[0], counts[0]),
                    max(by_days[0], counts[1]),
                    max(by_days[2], counts[2]),
                ]
                by_days[1] = min(by_days[1], by_days[2])
                basis = "degree days projected" if found[1] else "degree days"
        early, expected, late = (run.began + timedelta(days=count) for count in by_days)
        return EndRange(early, expected, late, basis)

    def regrown(self, run: Run) -> float:
        """Share (0..1) of the lost leaf taken as back by today when nobody said so.

        Nothing before 0.6 of the expected time, half from then on, all of it at the expected end: the
        safe side for drought. Source: config/phenology.toml, [unlogged].
        """
        expected = max((self.end_range(run).expected - run.began).days, 1)
        elapsed = (self.today - run.began).days / expected
        begin = self.numbers.value("unlogged.water_from_share", "share")
        least = self.numbers.value("unlogged.water_start_share", "share")
        if elapsed < begin:
            return 0.0
        return min(1.0, least + (1.0 - least) * (elapsed - begin) / (1.0 - begin))


def flag_of(run: Run, clock: EndClock) -> Flag:
    """Return a running flag as the state shows it."""
    ends = clock.end_range(run)
    degree_days = clock.degree_days(run.began)
    phase: Literal["running", "due", "overdue", "open"]
    if clock.today > ends.late:
        phase = "overdue"
    elif clock.today >= ends.early:
        phase = "due"
    else:
        phase = "running" if run.rule.ends_by_time else "open"
    words = {"logged": f"logged {run.began}", "seen": f"seen {run.began}", "guess": "guess"}[run.known]
    if run.note:
        words += f", {run.note}"
    if run.known != "guess" and "degree_days_5" in run.rule.numbers:
        if ends.basis == "days" or degree_days is None:
            words += "; end counted by days only, temperatures are missing"
        else:
            need = run.rule.numbers["degree_days_5"].value
            words += f"; {degree_days:.0f} of about {need:.0f} degree days"
            if ends.basis == "degree days projected":
                words += ", the time to come taken as warm as the last fortnight known"
    return Flag(
        rule=run.rule,
        began=run.began,
        began_utc=run.began_utc,
        day_n=(clock.today - run.began).days + 1,
        degree_days_5=degree_days,
        expected_end=(ends.early, ends.late),
        phase=phase,
        known=words,
        event_line=run.line,
        amount=run.amount,
    )
