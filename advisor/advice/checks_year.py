"""Checks of the year and the day: major works in a season, early or late in winter, when feed must wait."""

from __future__ import annotations

from datetime import date, timedelta

from advisor.advice.model import Check, CheckVerdict
from advisor.advice.work_case import WorkCase, band, option_words
from advisor.garden.seasons import season_start
from advisor.garden.state_model import Session
from advisor.garden.tables import Tables
from advisor.units import Number

__all__ = [
    "day_part",
    "feed_always",
    "feed_pause",
    "major_works",
    "major_works_limit",
    "no_major_works",
    "winter_part",
]

_SHORTEST_DAY = {False: (12, 21), True: (6, 21)}
"""Month and day of the winter solstice, north and south (astronomy; within a day)."""


def _major_entries(tables: Tables) -> dict[str, str]:
    """Return the journal entries of major works and what they are called; a cut counts where it is big."""
    majors = [rule for rule in tables.works.values() if rule.effort == "major"]
    return {"big-cut" if rule.entry == "cut" else rule.entry: rule.name for rule in majors}


def major_works_limit(case: WorkCase) -> tuple[Number, str]:
    """Return how many major works a tree has in a season, and by which setting.

    The grower's number stands for what every grower accepts; beyond it, up to the outer end of the range,
    growers differ.
    """
    name = "major_works_per_season"
    row = case.situation.tables.limits["plan.major_a_season"]
    given = case.situation.holdings.garden.major_works_per_season
    if given is None:
        return row, f"setting {name} = {row.value:.0f}, the careful side"
    high = max(float(given), row.high if row.high is not None else row.value)
    number = Number(float(given), row.unit, row.evidence, row.source, None, high)
    return number, f"by your setting {name} = {given}"


def major_works(case: WorkCase) -> Check:
    """Count this work with the major works of the season; one session is one event.

    A session that this work would join is not counted beside it. Entries in ``not_counted`` are left out.
    """
    number, setting = major_works_limit(case)
    source = f"{number.evidence}: {number.source}"
    counted = _counted(case)
    start = season_start(case.day, case.situation.holdings.garden.southern)
    session = timedelta(days=case.need("session_d"))
    before = [
        one
        for one in case.state.sessions
        if start <= one.began <= case.day
        and case.day - one.ended > session
        and counted.keys() & set(one.works)
    ]
    count = float(len(before) + 1)
    verdict, limit = band(count, number, "max")
    text = f"{case.row.text}: the first"
    if before:
        text = f"{case.row.text}: number {count:.0f}, after {_done(before, counted)}; at most {limit:.0f}"
        text += f" ({setting})" if verdict != "pass" else ""
    return case.check(verdict, text, value=count, unit=number.unit, limit=limit, source=source)


def _counted(case: WorkCase) -> dict[str, str]:
    """Return the journal entries that count, and what they are called."""
    left_out = option_words(case.row, "not_counted")
    majors = case.situation.once("major_entries", lambda: _major_entries(case.situation.tables))
    return {entry: name for entry, name in majors.items() if entry not in left_out}


def no_major_works(case: WorkCase) -> bool:
    """True where no session of the tree had a work that counts."""
    counted = _counted(case).keys() if case.state.sessions else ()
    return all(set(one.works).isdisjoint(counted) for one in case.state.sessions)


def _done(sessions: list[Session], counted: dict[str, str]) -> str:
    done = [
        (" and ".join(name for entry, name in counted.items() if entry in one.works), one.began)
        for one in sessions
    ]
    return ", ".join(f"{works} on {began.day} {began:%B}" for works, began in done)


def winter_part(case: WorkCase) -> Check:
    """Hold the days since the shortest day against ``days``: option ``side`` is ``late`` or ``early``."""
    number = case.row.numbers["days"]
    source = case.row.numbers.source("days")
    passed = days_after_shortest(case.day, southern=case.situation.holdings.garden.southern)
    late = case.row.options["side"] == "late"
    verdict, limit = band(float(passed), number, "min" if late else "max")
    when = f"{abs(passed)} days {'after' if passed >= 0 else 'before'} the shortest day"
    text = f"{case.row.text}: {when}" + ("" if verdict == "pass" else f"; {case.row.options['why']}")
    return case.check(verdict, text, value=float(passed), unit="d", limit=limit, source=source)


def days_after_shortest(day: date, *, southern: bool) -> int:
    """Return the days from the nearest winter solstice to ``day``, negative before it."""
    month, of_month = _SHORTEST_DAY[southern]
    gaps = [(day - date(day.year + step, month, of_month)).days for step in (-1, 0, 1)]
    return min(gaps, key=abs)


def day_part(case: WorkCase) -> Check:
    """Hold the local hour at which the half day begins against ``latest``."""
    number = case.row.numbers["latest"]
    local = case.from_utc.astimezone(case.situation.holdings.garden.zone)
    hour = local.hour + local.minute / 60.0
    verdict: CheckVerdict = "pass" if hour < number.value else "fail"
    text = f"{case.row.text}: from {local:%H:%M}; before {number.value:.0f} h"
    return case.check(
        verdict,
        text,
        value=hour,
        unit=number.unit,
        limit=number.value,
        source=case.row.numbers.source("latest"),
    )


def feed_always(case: WorkCase) -> bool:
    """True where no state of the tree asks for no feed."""
    return case.state.needs.no_feed_until is None


def feed_pause(case: WorkCase) -> Check:
    """Hold the day against the last one on which the tree's states ask for no feed."""
    need = case.state.needs.no_feed_until
    if need is None:
        return case.check("pass", f"{case.row.text}: none")
    zone = case.situation.holdings.garden.zone
    ends = case.state.at_utc.astimezone(zone).date() + timedelta(days=round(need.value))
    verdict: CheckVerdict = "fail" if case.day < ends else "pass"
    return case.check(verdict, f"{case.row.text}: {need.set_by}", value=ends.isoformat(), source=need.source)
