"""The water of one tree: when it runs out, the waterings ahead, rain, and what its weights taught.

It is reckoned as the advice does: in each hour where the tree stands then, today's and told moves made.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from advisor.advice.model import Situation
from advisor.advice.settled import settled_by_the_hour
from advisor.exposure.model import Exposure
from advisor.exposure.places import Spot, spot_traits
from advisor.exposure.reading import day_slice
from advisor.garden.state_model import TreeState
from advisor.garden.thirst import Thirst
from advisor.message.words import day_and_clock
from advisor.physics.missing import FloatArray, reduce_over
from advisor.units import shown
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import utc_of

__all__ = ["thirst_object", "water_facts", "water_lines", "weights_words"]


def _rain_mm(situation: Situation, state: TreeState) -> float | None:
    """Rain that reaches the pot today; None where too many hours are unknown."""
    by_hour = settled_by_the_hour(situation)
    exposure = by_hour.exposure
    if exposure is None:
        return None
    rain = by_hour.once("_rain_mm", lambda: _rain_by_tree_mm(by_hour, exposure))
    value = float(rain[exposure.row(state.tree.id)])
    return None if np.isnan(value) else value


def _rain_by_tree_mm(situation: Situation, exposure: Exposure) -> FloatArray:
    rows = day_slice(exposure, situation.day, situation.holdings.garden)
    rain = exposure.rain_reaching_pot_mm[:, rows]
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    return reduce_over(rain, "sum", minimum_coverage=coverage).value


def _roofed(situation: Situation, state: TreeState) -> bool:
    place = situation.holdings.places[state.place_id]
    return situation.once(
        ("_roofed", place.id), lambda: bool(spot_traits([Spot(place)], situation.tables).roofed[0, 0])
    )


def _slots_ahead(situation: Situation, exposure: Exposure) -> tuple[tuple[int, datetime], ...]:
    """Watering times up to the end of tomorrow, each with its column."""
    end = day_bounds_utc(situation.day + timedelta(days=1), situation.holdings.garden.zone)[1]
    slots = ((column, utc_of(stamp)) for column, stamp in enumerate(exposure.slot_utc))
    return tuple((column, at) for column, at in slots if at < end)


def _waterings(situation: Situation, state: TreeState) -> list[tuple[datetime, float]]:
    """Watering times of today and tomorrow at which the balance asks for water, with litres."""
    by_hour = settled_by_the_hour(situation)
    exposure = by_hour.exposure
    if exposure is None:
        return []
    slots = by_hour.once("_slots_ahead", lambda: _slots_ahead(by_hour, exposure))
    litres = exposure.waterings_l[exposure.row(state.tree.id)]
    ahead = [(at, float(litres[column])) for column, at in slots]
    return [(at, given) for at, given in ahead if given > 0.0]


def thirst_object(situation: Situation, state: TreeState) -> dict[str, Any] | None:
    """Return what the weights of a tree taught; None where it was never weighed."""
    exposure = settled_by_the_hour(situation).exposure
    taught = None if exposure is None else exposure.thirst.get(state.tree.id)
    if exposure is None or taught is None:
        return None
    usable_l = float(exposure.usable_l[exposure.row(state.tree.id)])
    return {
        "factor": round(taught.demand.value, 3),
        "spread": round(taught.demand.spread, 3),
        "weighings": taught.weighings,
        "usable_l": round(usable_l, 3),
        "usable_spread_l": round(usable_l * taught.usable.log_spread, 3),
        "doubtful": list(taught.doubtful),
    }


def water_facts(situation: Situation, state: TreeState) -> dict[str, Any]:
    """Return the further fields of ``water`` of a tree in ``today/1``, moments as datetimes."""
    return {
        "waterings": [{"at": at, "l": round(given, 3)} for at, given in _waterings(situation, state)],
        "rain_today_mm": _rain_mm(situation, state),
        "covered": _roofed(situation, state),
        "factor": state.water_factor,
        "factor_by": state.water_factor_by or None,
        "thirst": thirst_object(situation, state),
    }


def water_lines(situation: Situation, state: TreeState) -> list[str]:
    """Return sentences on the water of a tree, in the grower's units; none without weather."""
    exposure, garden = settled_by_the_hour(situation).exposure, situation.holdings.garden
    if exposure is None:
        return []
    units, zone, row = garden.units, garden.zone, exposure.row(state.tree.id)
    out = []
    dry, known = exposure.dry_at[row], float(exposure.dry_known_share[row])
    if not known >= situation.tables.limits.value("chance.coverage_share", "share"):
        share = "none" if np.isnan(known) else f"{known:.0%}"
        out.append(f"When it runs dry cannot be told: its use is known in {share} of the hours ahead.")
    elif np.isnat(dry):
        out.append("Without watering it does not reach its limit as far as the forecast goes.")
    else:
        at = day_and_clock(utc_of(dry), zone, situation.day)
        out.append(f"Without watering it reaches its limit {at}.")
    ahead = [
        f"{day_and_clock(at, zone, situation.day)} {shown(given, 'l', units, 2)}"
        for at, given in _waterings(situation, state)
    ]
    out.append(f"Waterings to come by the balance: {', '.join(ahead) or 'none today or tomorrow'}.")
    rain = _rain_mm(situation, state)
    if _roofed(situation, state):
        out.append("Covered: no rain reaches the pot.")
    elif rain is not None:
        out.append(f"Rain that reaches the pot today: {shown(rain, 'mm', units)}.")
    if state.water_factor_by:
        out.append(f"Draws {state.water_factor:.1f} of the usual: {state.water_factor_by}.")
    taught = exposure.thirst.get(state.tree.id)
    out += _taught(taught, float(exposure.usable_l[row]), units) if taught is not None else []
    if taught is None or not taught.demand.readings:
        spread = situation.tables.physics.value("thirst.demand_spread", "1")
        out.append(weights_words(taught, spread))
    return out


def weights_words(taught: Thirst | None, spread: float) -> str:
    """Say that the thirst is that of the size class, and why weights that were logged did not better it."""
    words = f"Its thirst rests on its size class (±{spread:.0%}); "
    if taught is None or not taught.unused:
        return f"{words}weights between two waterings better it."
    return (
        f"{words}the weights logged do not count yet: {'; '.join(taught.unused)}. Weigh in the morning after "
        "watering and again before the next one, between two waterings."
    )


def _taught(taught: Thirst, usable_l: float, units: Any) -> list[str]:
    out = []
    if taught.words:
        out.append(f"By its weights it {taught.words}.")
    if taught.usable.readings:
        spread = shown(usable_l * taught.usable.log_spread, "l", units, 2)
        out.append(f"The pot gives {shown(usable_l, 'l', units, 2)} (±{spread}), by weights too.")
    out += [f"Doubtful in the journal: {words}" for words in taught.doubtful]
    return out
