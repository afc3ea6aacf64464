"""From files and weather to advice: the one function that a pass, a question and a replay all call.

Pure but for the tables it is given: same holdings, weather and moment, same evaluation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from advisor.advice.alert_told import in_either_place
from advisor.advice.alerts import ALERTS, Alert
from advisor.advice.grouping import listed
from advisor.advice.model import Advice, AlertEvent, Caution, Situation, WorkAhead
from advisor.advice.registry import Advised, advise, placing_fault
from advisor.advice.season_climate import season_end
from advisor.advice.work import work_ahead
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.exposure.places import place_temperatures_c
from advisor.exposure.thermometer import with_corrections
from advisor.exposure.water_known import ToldWatering
from advisor.exposure.weighing import learn_thirst
from advisor.garden.model import Holdings, Place
from advisor.garden.practice import practised
from advisor.garden.state import fold_all
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.told_moves import ToldMove, open_moves
from advisor.garden.warmth import Warmth, warmth_side_by_side
from advisor.message.calendar import MOST_WINDOWS
from advisor.physics.pot_heat import PotTemperatures, simulate_pot_temperature
from advisor.units import NumberTable
from advisor.weather.climate import Climate
from advisor.weather.forecast_error import ForecastError
from advisor.weather.table import WeatherTable

__all__ = [
    "AlertSettings",
    "Evaluation",
    "confirmed_measures",
    "evaluate",
    "events_of",
    "judge_digest_work",
    "near_weather",
    "situation_of",
    "warmth_of_places",
]

PAST_DAYS = 40
"""Days of the past that the exposure covers at least: runs of heat, standing measures."""
_BEGINS_EVERY_H = 240
"""It begins anew every ten days, so that pots that remember (``PotMemory``) can go on from pass to pass."""
MEMBER_DAYS = 7
"""Days ahead for which ensemble members are worked through."""


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """The part of the settings that evaluation looks at."""

    caution: Caution = "even"
    quiet_from: str = "22:00"
    quiet_until: str = "06:00"


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What one moment gives."""

    situation: Situation
    advice: tuple[Advice, ...]
    events: tuple[AlertEvent, ...]
    failures: tuple[str, ...]
    """Rules that failed, in words; the others ran."""

    @property
    def with_alerts(self) -> tuple[Advice, ...]:
        """The advice, and what the hazards ahead ask for (kind ``alert``)."""
        return (*(piece for event in self.events for piece in event.advice), *self.advice)


def _answered_by(place: Place | None, limits: NumberTable) -> set[str]:
    """Hazards that standing in ``place`` answers."""
    if place is None:
        return set()
    answered = set()
    sheltered = place.shelter_level >= limits.value("confirmed.shelter_level", "1")
    if place.shade_fraction >= limits.value("confirmed.shade_share", "share"):
        answered.add("heat")
    if sheltered:
        answered |= {"frost", "gale", "hail"}
    return answered


def confirmed_measures(
    holdings: Holdings, now_utc: datetime, limits: NumberTable
) -> dict[tuple[str, str], date]:
    """Return (hazard, tree) -> local day on which the journal says that the measure was taken.

    Only what still stands counts: a tree carried out again, or a net taken off, is in danger again.
    """
    zone = holdings.garden.zone
    silenced = timedelta(days=limits.value("confirmed.silenced", "d"))
    found: dict[tuple[str, str], date] = {}
    for entry in holdings.journal:
        if not now_utc - silenced <= entry.at_utc <= now_utc:
            continue
        day, tree = entry.at_utc.astimezone(zone).date(), entry.tree_id
        if entry.entry == "moved":
            for key in [key for key in found if key[1] == tree]:
                del found[key]
            place = holdings.places.get(entry.amount) if isinstance(entry.amount, str) else None
            found.update({(hazard, tree): day for hazard in _answered_by(place, limits)})
        elif entry.entry == "shaded":
            found[("heat", tree)] = day
        elif entry.entry == "unshaded":
            found.pop(("heat", tree), None)
    return found


def warmth_of_places(
    holdings: Holdings, weather: WeatherTable | None, tables: Tables
) -> dict[str, Warmth | None]:
    """Return the warmth that each place has gathered; None for each without weather."""
    if weather is None:
        return dict.fromkeys(holdings.places)
    garden, places = holdings.garden, list(holdings.places.values())
    air = place_temperatures_c(places, weather, garden, tables)
    gathered = warmth_side_by_side(weather.start_utc, air, garden.zone)
    return {place.id: warmth for place, warmth in zip(places, gathered, strict=True)}


def _window(weather: WeatherTable, now_utc: datetime, past_days: int, ahead_days: int | None) -> WeatherTable:
    row = weather.index_at(now_utc)
    until = weather.hours if ahead_days is None else row + ahead_days * 24
    return weather.between(row - past_days * 24, until)


def near_weather(weather: WeatherTable, now_utc: datetime) -> WeatherTable:
    """Return the hours that the exposure covers: ``PAST_DAYS`` back or up to ten more, and all ahead."""
    row = weather.index_at(now_utc)
    first = row - PAST_DAYS * 24
    hour = int(weather.start_utc[0].astype("datetime64[h]").astype(np.int64)) + first
    return weather.between(first - hour % _BEGINS_EVERY_H, weather.hours)


def evaluate(
    holdings: Holdings,
    tables: Tables,
    weather: WeatherTable | None,
    now_utc: datetime,
    alerts: AlertSettings,
    *,
    told_standing: frozenset[str] = frozenset(),
    told_watering: Sequence[ToldWatering] = (),
    told_moves: Sequence[ToldMove] = (),
    with_members: bool = True,
    with_rules: bool = True,
    forecast_error: ForecastError | None = None,
    climate: Climate | None = None,
    simulate_pots: Callable[..., PotTemperatures] = simulate_pot_temperature,
) -> Evaluation:
    """Return the advice and the alert events of one moment.

    Parameters
    ----------
    weather : WeatherTable or None
        Complete table (derived values filled) that may reach far into the past; None when nothing
        usable is at hand.
    told_standing : frozenset of str
        Ids of standing measures that were told already.
    told_watering : sequence of ToldWatering
        What the digests of the last days told on water.
    told_moves : sequence of ToldMove
        What they told on places.
    with_rules : bool
        False leaves out the advice that only a digest tells; the warnings are the same.
    forecast_error : ForecastError, optional
        Learned of the source of ``weather``: how sure it is; without it the usual error of config/.
    climate : Climate or None
        Past years of a station near the garden; without them the season's end is an estimate.
    simulate_pots : callable
        What runs the pots through the hours: one that remembers (``PotMemory``) is quicker pass after pass.
    """
    tables = practised(tables, holdings.garden.practice)
    holdings = with_corrections(holdings, weather, tables, now_utc)
    warmth = warmth_of_places(holdings, weather, tables)
    states: dict[str, TreeState] = fold_all(holdings, tables, warmth, now_utc)
    exposure = members = None
    if weather is not None and holdings.trees:
        near = near_weather(weather, now_utc)
        thirst = learn_thirst(holdings, weather, warmth, tables, now_utc)
        exposure = compute_exposure(
            holdings,
            states,
            near,
            tables,
            now_utc,
            simulate_pots=simulate_pots,
            told_watering=told_watering,
            thirst=thirst,
        )
        if with_members and weather.member_count > 1:
            ahead = _window(weather, now_utc, 2, MEMBER_DAYS)
            members = compute_exposure(
                holdings,
                states,
                ahead,
                tables,
                now_utc,
                members=True,
                told_watering=told_watering,
                thirst=thirst,
            )
    situation = situation_of(
        holdings,
        tables,
        weather,
        now_utc,
        alerts,
        states=states,
        exposure=exposure,
        members=members,
        told_standing=told_standing,
        told_watering=told_watering,
        told_moves=told_moves,
        climate=climate,
        forecast_error=forecast_error,
    )
    events, failed = events_of(situation)
    before, situation = situation, replace(situation, warnings=events)
    # no warning looks at the warnings: what they worked out is the rules' answer too
    situation.worked_out.update(before.worked_out)
    advised = advise(situation) if with_rules else Advised((), ())
    if advised.by_journal:
        situation = situation.where_logged()
    failures = tuple(dict.fromkeys((*advised.failures, *failed)))
    return Evaluation(situation, advised.advice, events, failures)


def situation_of(
    holdings: Holdings,
    tables: Tables,
    weather: WeatherTable | None,
    now_utc: datetime,
    alerts: AlertSettings,
    *,
    states: Mapping[str, TreeState],
    exposure: Exposure | None,
    members: Exposure | None,
    told_standing: frozenset[str] = frozenset(),
    told_watering: Sequence[ToldWatering] = (),
    told_moves: Sequence[ToldMove] = (),
    climate: Climate | None = None,
    forecast_error: ForecastError | None = None,
) -> Situation:
    """Return what the rules look at: states and exposure as given, and what follows from the rest."""
    garden = holdings.garden
    tables = practised(tables, garden.practice)
    day = now_utc.astimezone(garden.zone).date()
    age_h = None
    if weather is not None and exposure is not None:
        age_h = (now_utc - weather.provenance.fetched_at_utc).total_seconds() / 3600.0
    return Situation(
        now_utc=now_utc,
        day=day,
        holdings=holdings,
        tables=tables,
        states=states,
        weather=weather,
        exposure=exposure,
        members=members,
        caution=alerts.caution,
        season_end=season_end(holdings, day, climate, alerts.caution, tables),
        weather_age_h=age_h,
        confirmed=confirmed_measures(holdings, now_utc, tables.limits),
        told_standing=told_standing,
        told_watering=told_watering,
        told_moves=open_moves(
            told_moves, holdings, states, day, tables.limits.value("told.move_believed_d", "d")
        ),
        quiet_from_local=alerts.quiet_from,
        quiet_until_local=alerts.quiet_until,
        forecast_error=forecast_error,
        climate=climate,
    )


def events_of(situation: Situation) -> tuple[tuple[AlertEvent, ...], tuple[str, ...]]:
    """Ask every alert; one that fails leaves the others, and the digest, standing."""
    found: list[AlertEvent] = []
    failed: list[str] = []
    one_place: dict[str, list[str]] = {}
    if situation.exposure is not None:
        for name, alert in ALERTS.items():

            def elsewhere(error: Exception, name: str = name) -> None:
                one_place.setdefault(_words(error), []).append(name)

            try:
                event, fault = _event(situation, alert, elsewhere)
            except Exception as error:  # noqa: BLE001 - named in the mail and the log; the other alerts go on
                failed.append(f"the {name} warning could not be worked out ({_words(error)})")
            else:
                found += [event] if event is not None else []
                failed += [fault] if fault else []
    for fault, names in one_place.items():
        failed.append(
            f"warnings of {listed(names)} hold for the places of the journal only: those told and not logged "
            f"could not be judged ({fault})"
        )
    return tuple(found), tuple(failed)


def _event(
    situation: Situation,
    alert: Alert,
    elsewhere: Callable[[Exception], None],
) -> tuple[AlertEvent | None, str]:
    """Ask one alert; where placing fails it is asked for the places of the journal; with the fault."""
    try:
        return in_either_place(situation, alert, elsewhere), ""
    except Exception as error:  # noqa: BLE001 - raised again unless placing alone is at fault
        try:
            return alert(situation.where_logged()), placing_fault(_words(error))
        except Exception:  # noqa: BLE001 - not a fault of placing: the first one is told
            raise error from None


def _words(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


def judge_digest_work(
    evaluation: Evaluation, *, with_calendar: bool = True
) -> dict[tuple[str, str], WorkAhead]:
    """Count for every kind of work and tree, from today, what calendar and closing windows tell."""
    situation = evaluation.situation
    if situation.exposure is None:
        return {}
    most = MOST_WINDOWS if with_calendar else 0
    closing_d = situation.tables.limits.value("plan.closing_d", "d")
    counted = {
        (work_id, tree.id): work_ahead(situation, work_id, tree.id, most=most, closing_d=closing_d)
        for work_id in situation.tables.works
        for tree in situation.holdings.trees
    }
    return {asked: ahead for asked, ahead in counted.items() if ahead is not None}
