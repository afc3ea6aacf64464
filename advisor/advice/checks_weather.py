"""Checks of the weather: before, during and after the work, at the bench."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from advisor.advice.chance import chance_words
from advisor.advice.model import Check, CheckVerdict
from advisor.advice.work_case import Hours, WorkCase, band, option_words, places_with_room
from advisor.advice.work_members import Runs, reduced_runs, runs_beyond
from advisor.advice.work_spread import near_limit
from advisor.units import Number

__all__ = ["after", "aftercare_place", "before", "during", "hot_days", "mended", "sap_pressure", "thunder"]

_SIDES = ("max", "min")
_DEFAULT_REDUCE = {"max": "max", "min": "min"}


def during(case: WorkCase) -> Check:
    """Hold the half day itself against ``max`` and ``min``. A missing hour leaves it unknown."""
    return _held(case, _hours(case, case.from_utc, case.until_utc), gaps_matter=True)


def before(case: WorkCase) -> Check:
    """Hold the ``days`` before the judged day, or the ``hours`` before the half day, against the limits."""
    days = case.number("days")
    if days is not None:
        return _held(case, _hours(case, case.local_midnight(-int(days.value)), case.local_midnight(0)))
    start = case.from_utc - timedelta(hours=case.need("hours"))
    return _held(case, _hours(case, start, case.from_utc))


def after(case: WorkCase) -> Check:
    """Hold the ``days`` (or ``hours``) after the half day against the limits.

    Where the forecast is shorter, what it covers decides; with ``beyond = "frost"`` the rest is held
    against the first frost expected from the climate, which can only ask for care.
    """
    days = case.number("days")
    if days is not None:
        until = case.local_midnight(int(days.value) + 1)
    else:
        until = case.until_utc + timedelta(hours=case.need("hours"))
    hours = _hours(case, case.until_utc, until)
    found = _held(case, hours)
    if found.verdict != "pass" or hours.complete or case.row.options.get("beyond") != "frost":
        return found
    frost = case.situation.season_end.first_frost
    local_end = until.astimezone(case.situation.holdings.garden.zone).date()
    if frost is None or not case.day <= frost < local_end:
        return found
    text = (
        f"{case.row.text}: the forecast shows none, but first frost is expected about"
        f" {frost.day} {frost:%B} ({case.situation.season_end.known})"
    )
    return case.check(
        "care",
        text,
        value=frost.isoformat(),
        limit=local_end.isoformat(),
        source=case.situation.season_end.source,
    )


def thunder(case: WorkCase) -> Check:
    """Fail where the weather code of an hour of the half day means thunder (WMO 4677, 95 to 99)."""
    hours = _hours(case, case.from_utc, case.until_utc)
    number = case.row.numbers["code"]
    source = case.row.numbers.source("code")
    with np.errstate(invalid="ignore"):
        struck = np.flatnonzero(hours.values >= number.value)
    if struck.size:
        at = hours.first_utc + timedelta(hours=int(struck[0]))
        text = f"{case.row.text}: thunder{case.at(at)}; stay indoors"
        return case.check(
            "fail", text, value=float(hours.values[struck[0]]), limit=number.value, at_utc=at, source=source
        )
    if not hours.complete:
        return case.check(
            "unknown", f"{case.row.text}: not in the forecast", limit=number.value, source=source
        )
    return case.check("pass", f"{case.row.text}: none in the forecast", limit=number.value, source=source)


def sap_pressure(case: WorkCase) -> Check:
    """Warm days after frosty nights within ``days``: sap presses out of the cuts of bleeders."""
    frost, thaw = case.need("frost"), case.row.numbers["thaw"]
    source = case.row.numbers.source("thaw")
    hottest: tuple[float, datetime] | None = None
    known = 0
    for ahead in range(int(case.need("days")) + 1):
        day = case.hours("bench-air", case.local_midnight(ahead), case.local_midnight(ahead + 1))
        known += day.known
        low, _ = day.extreme("min")
        high, at = day.extreme("max")
        if low is None or high is None or at is None or low >= frost:
            continue
        if hottest is None or high > hottest[0]:
            hottest = (high, at)
    if hottest is None:
        verdict: CheckVerdict = "pass" if known else "unknown"
        text = f"{case.row.text}: " + ("no frosty night in sight" if known else "no forecast")
        return case.check(verdict, text, limit=thaw.value, unit=thaw.unit, source=source)
    verdict, limit = band(hottest[0], thaw, "max")
    text = (
        f"{case.row.text}: a frosty night and {case.show(hottest[0], 'degC')}{case.at(hottest[1])};"
        f" at most {case.show(limit, thaw.unit)}"
    )
    return case.check(
        verdict, text, value=hottest[0], unit=thaw.unit, limit=limit, at_utc=hottest[1], source=source
    )


def hot_days(case: WorkCase) -> Check:
    """Longest run of days above ``above`` within ``days``, the judged one with it: a heat wave.

    What the forecast covers decides.
    """
    above, most = case.row.numbers["above"], case.row.numbers["most"]
    source = case.row.numbers.source("most")
    longest = run = known = 0
    last: datetime | None = None
    for ahead in range(int(case.need("days")) + 1):
        day = case.hours("bench-air", case.local_midnight(ahead), case.local_midnight(ahead + 1))
        known += day.known
        high, at = day.extreme("max")
        run = run + 1 if high is not None and high > above.value else 0
        if run > longest:
            longest, last = run, at
    limit_text = case.show(above.value, above.unit)
    if not known:
        return case.check("unknown", f"{case.row.text}: not in the forecast", unit="d", source=source)
    verdict, limit = band(float(longest), most, "max")
    runs = _hot_runs(case, above.value, most) if verdict != "fail" else None
    if runs is not None and (runs.verdict == "fail" or verdict == "pass"):
        text = (
            f"{case.row.text}: {runs.count} of {runs.known} runs have more than {runs.limit:.0f} days running"
            f" above {limit_text}"
        )
        return case.check(runs.verdict, text, value=float(longest), unit="d", limit=runs.limit, source=source)
    if not longest:
        return case.check("pass", f"{case.row.text}: no day above {limit_text}", unit="d", source=source)
    running = f"{longest} days running" if longest > 1 else "one day"
    text = f"{case.row.text}: {running} above {limit_text}, to the last{case.at(last)}; at most {limit:.0f}"
    return case.check(verdict, text, value=float(longest), unit="d", limit=limit, at_utc=last, source=source)


def _hot_runs(case: WorkCase, above: float, most: Number) -> Runs | None:
    """Hold the longest run of hot days in each run of an ensemble against ``most``."""
    highs = [
        reduced_runs(case, "bench-air", case.local_midnight(ahead), case.local_midnight(ahead + 1), "max")
        for ahead in range(int(case.need("days")) + 1)
    ]
    known = [high for high in highs if high is not None]
    if not known:
        return None
    longest = running = np.zeros(known[0].size)
    for high in known:
        with np.errstate(invalid="ignore"):
            running = np.where(high > above, running + 1.0, 0.0)
        longest = np.maximum(longest, running)
    return runs_beyond(case, longest, most, "max")


def aftercare_place(case: WorkCase) -> Check:
    """Care where no place with enough shade has room for the tree afterwards."""
    wanted = case.row.numbers["shade"]
    source = case.row.numbers.source("shade")
    shaded = case.state.extra_shade >= wanted.value
    names = [
        place.name
        for place in places_with_room(case.situation, case.state, own=True)
        if place.shade_fraction >= wanted.value
    ]
    if shaded or names:
        where = "under its own net" if shaded else names[0]
        return case.check(
            "pass",
            f"{case.row.text}: {where}",
            value=where,
            limit=wanted.value,
            unit=wanted.unit,
            source=source,
        )
    text = f"{case.row.text}: no place with a net of {case.show(wanted.value, wanted.unit)} or more has room"
    return case.check("care", text, limit=wanted.value, unit=wanted.unit, source=source)


# --- shared ---------------------------------------------------------------------------------------


def _hours(case: WorkCase, from_utc: datetime, until_utc: datetime) -> Hours:
    return case.hours(str(case.row.options["variable"]), from_utc, until_utc)


def _held(case: WorkCase, hours: Hours, *, gaps_matter: bool = False) -> Check:
    """Hold hours against the row's ``max`` and ``min``; the worse side speaks."""
    readings = [
        _side(case, hours, side, number, gaps_matter)
        for side in _SIDES
        if (number := case.number(side)) is not None
    ]
    ranks = {"fail": 3, "unknown": 2, "care": 1, "pass": 0}
    return max(readings, key=lambda check: ranks[check.verdict])


def _side(case: WorkCase, hours: Hours, side: str, number: Number, gaps_matter: bool) -> Check:
    reduce = str(case.row.options.get(f"reduce_{side}", _DEFAULT_REDUCE[side]))
    value, at = hours.extreme(reduce)
    source = f"{number.evidence}: {number.source}"
    label = case.row.text
    if value is None:
        return case.check(
            "unknown", f"{label}: not in the forecast", unit=number.unit, limit=number.value, source=source
        )
    verdict, limit = band(value, number, side)
    # A mean of some hours says little of the others; a sum or an extreme of some is at least known.
    if gaps_matter and not hours.complete and (verdict != "fail" or reduce == "mean"):
        text = f"{label}: {hours.wanted - hours.known} of {hours.wanted} hours are missing"
        return case.check("unknown", text, value=value, unit=number.unit, limit=limit, source=source)
    bound = "at most" if side == "max" else "at least"
    seen, held = case.show_both(value, limit, number.unit)
    text = f"{label}: {seen}{case.at(at)}; {bound} {held}"
    runs = _runs(case, hours, reduce, number, side) if verdict != "fail" else None
    if runs is not None and (runs.verdict == "fail" or verdict == "pass"):
        verdict, limit, held = runs.verdict, runs.limit, case.show(runs.limit, number.unit)
        passed = "above" if side == "max" else "below"
        text = f"{label}: {runs.count} of {runs.known} runs go {passed} {held}; this forecast {seen}"
    near = None
    if verdict == "pass" and reduce == side:
        near = near_limit(case, hours, number.value, side)
    if near is not None:
        seen = case.show(near.value, number.unit, limit)
        words = chance_words(case.situation.tables, near.chance)
        verdict, value, at = "care", near.value, near.at_utc
        text = f"{label}: {seen}{case.at(at)}; {bound} {held}; that it is passed is {words}"
    if verdict == "fail":
        place = mended(case)
        if place:
            verdict, text = "care", f"{text}. {place}"
    return case.check(verdict, text, value=value, unit=number.unit, limit=limit, at_utc=at, source=source)


def _runs(case: WorkCase, hours: Hours, reduce: str, number: Number, side: str) -> Runs | None:
    """Hold the runs of an ensemble against the row; the past is the same in all of them."""
    weather = case.situation.weather
    if case.situation.members is None and (weather is None or not weather.members):
        return None
    until_utc = hours.first_utc + timedelta(hours=hours.wanted)
    if until_utc <= case.situation.now_utc:
        return None
    values = reduced_runs(case, str(case.row.options["variable"]), hours.first_utc, until_utc, reduce)
    return runs_beyond(case, values, number, side)


def mended(case: WorkCase) -> str:
    """Say where the tree can be sheltered from this weather, or nothing."""
    if case.row.shelter_mends:
        level = case.need("shelter_level")
        fit = [
            place
            for place in places_with_room(case.situation, case.state, own=False)
            if place.shelter_level >= level
        ]
        if fit:
            lowest = min(fit, key=lambda place: place.shelter_level)
            return f"Only if it stands in the {lowest.name}, which has room"
    if "shade" in option_words(case.row, "mended_by"):
        shade = case.need("shade")
        if case.state.extra_shade >= shade:
            return "Only under its own net"
        for place in places_with_room(case.situation, case.state, own=True):
            if place.shade_fraction >= shade:
                return f"Only in the shade of the {place.name}, which has room"
    return ""
