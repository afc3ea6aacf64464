"""The JSON contract: ``today/1``, ``suits/1`` and the weather object they share.

Times are UTC with ``Z``; missing numbers are null, never NaN.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from advisor.advice.model import Advice, Check, HalfDay, Reason, Situation, WorkJudgement
from advisor.advice.settled import settled_by_the_hour
from advisor.exposure.model import HOURLY, Exposure
from advisor.garden.state_model import TreeState
from advisor.message.climate import climate_object
from advisor.message.place_learned import correction_object
from advisor.message.tree_water import water_facts
from advisor.message.work_answer import journal_lines, settled_by
from advisor.physics.missing import How, reduce_over
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import stamp_of, utc_of

__all__ = [
    "advice_objects",
    "check_object",
    "dump",
    "exposure_object",
    "state_object",
    "suits_object",
    "today_object",
    "tree_object",
    "utc_text",
    "weather_object",
]


def utc_text(at_utc: datetime | None) -> str | None:
    """ISO 8601 in UTC with seconds and ``Z``."""
    return None if at_utc is None else at_utc.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def dump(data: Mapping[str, Any]) -> str:
    """Return JSON text; a NaN that slipped through is an error, not ``NaN`` in the output."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, indent=2)


def _number(value: float | str | None, digits: int = 3) -> float | str | None:
    if value is None or isinstance(value, str):
        return value
    if not math.isfinite(value):
        return None
    return round(float(value), digits)


def weather_object(situation: Situation) -> dict[str, Any] | None:
    """Return ``W``: source, age, reach, what was derived and what is missing."""
    weather = situation.weather
    if weather is None:
        return None
    return {
        "source": weather.provenance.source,
        "issued_at": utc_text(weather.provenance.issued_at_utc or weather.provenance.fetched_at_utc),
        "age_h": _number(situation.weather_age_h, 2),
        "covers_until": utc_text(weather.covers_until_utc),
        "derived": list(weather.provenance.derived),
        "missing": list(weather.provenance.missing),
        "members": weather.member_count,
        "notes": list(weather.provenance.notes),
        "climate": climate_object(situation),
    }


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "quantity": reason.quantity,
        "value": _number(reason.value),
        "unit": reason.unit,
        "limit": _number(reason.limit),
        "at": utc_text(reason.at_utc),
        "set_by": reason.set_by,
        "source": reason.source,
    }


def _advice(advice: Advice) -> dict[str, Any]:
    amount = advice.amount
    return {
        "id": advice.id,
        "kind": advice.kind,
        "urgency": advice.urgency,
        "trees": list(advice.trees),
        "do": advice.do,
        "from": utc_text(advice.from_utc),
        "until": utc_text(advice.until_utc),
        "amount": None if amount is None else {"value": _number(amount.value), "unit": amount.unit},
        "chance": _number(advice.chance),
        "reasons": [_reason(reason) for reason in advice.reasons],
        "because": advice.because,
        "sure": advice.sure,
        "changes_if": advice.changes_if,
        "must": advice.must,
    }


def _today(situation: Situation, exposure: Exposure, name: str, how: How) -> np.ndarray:
    """Return today's extreme or sum of an array of the exposure for every tree; NaN: too little is known."""

    def work() -> np.ndarray:
        values = getattr(exposure, name)[:, _rows_of_today(situation, exposure)]
        coverage = situation.tables.physics.value("weather.extreme_coverage_share", "share")
        return reduce_over(values, how, minimum_coverage=coverage).value

    return situation.once(("_today", name, how), work)


def _rows_of_today(situation: Situation, exposure: Exposure) -> slice:
    begin, end = day_bounds_utc(situation.day, situation.holdings.garden.zone)
    return slice(
        int(np.searchsorted(exposure.start_utc, stamp_of(begin))),
        int(np.searchsorted(exposure.start_utc, stamp_of(end))),
    )


def _tree_numbers(situation: Situation, state: TreeState) -> dict[str, Any]:
    exposure = situation.exposure
    empty = {
        "water": {"left_share": None, "dry_at": None, "use_today_l": None},
        "leaf_max_c": None,
        "pot_max_c": None,
        "night_min_c": None,
        "direct_sun_h": None,
    }
    if exposure is None:
        return empty
    row = exposure.row(state.tree.id)

    def today(name: str, how: How) -> float:
        return float(_today(situation, exposure, name, how)[row])

    by_hour = settled_by_the_hour(situation)
    reckoned = by_hour.exposure or exposure
    used = float(_today(by_hour, reckoned, "water_use_l", "sum")[row])
    left = _number(float(np.clip(reckoned.left_now_share[row], 0.0, 1.0)))
    dry = reckoned.dry_at[row]
    return {
        "water": {
            "left_share": left,
            "dry_at": None if np.isnat(dry) else utc_text(utc_of(dry)),
            "dry_known_share": _number(float(reckoned.dry_known_share[row])),
            "use_today_l": _number(used),
            "known": exposure.water_known[row],
            **_water(situation, state),
        },
        "leaf_max_c": _number(today("leaf_temperature_c", "max"), 1),
        "pot_max_c": _number(today("pot_rim_c", "max"), 1),
        "night_min_c": _number(today("bench_temperature_c", "min"), 1),
        "direct_sun_h": _number(today("direct_sun_share", "sum"), 1),
    }


def _water(situation: Situation, state: TreeState) -> dict[str, Any]:
    facts = water_facts(situation, state)
    facts["waterings"] = [{"at": utc_text(one["at"]), "l": one["l"]} for one in facts["waterings"]]
    facts["rain_today_mm"] = _number(facts["rain_today_mm"], 1)
    facts["factor"] = _number(facts["factor"])
    return facts


def tree_object(situation: Situation, state: TreeState) -> dict[str, Any]:
    """Return one entry of ``trees`` in ``today/1``."""
    return {**state_object(situation, state), **_tree_numbers(situation, state)}


def state_object(situation: Situation, state: TreeState) -> dict[str, Any]:
    """Return the part of ``tree_object`` that is known without weather: stage, states, place."""
    stage = state.stage
    return {
        "tree": state.tree.id,
        "stage": f"{stage.stage.label} (BBCH {stage.stage.bbch})",
        "stage_known": stage.text,
        "stage_certainty": stage.certainty,
        "flags": [
            {
                "flag": flag.id,
                "day": flag.day_n,
                "expected_end": [end.isoformat() for end in flag.expected_end],
                "phase": flag.phase,
            }
            for flag in state.flags
        ],
        "place": state.place_id,
        "place_correction": correction_object(situation.holdings.places[state.place_id]),
    }


def advice_objects(advice: Sequence[Advice]) -> list[dict[str, Any]]:
    """Return ``advice`` of ``today/1``."""
    return [_advice(piece) for piece in advice]


def today_object(situation: Situation, advice: Sequence[Advice]) -> dict[str, Any]:
    """Return ``today/1``."""
    return {
        "schema": "today/1",
        "garden": situation.holdings.garden.name,
        "day": situation.day.isoformat(),
        "asked_at": utc_text(situation.now_utc),
        "weather": weather_object(situation),
        "advice": advice_objects(advice),
        "trees": situation.once(
            "today_object", lambda: [tree_object(situation, state) for state in situation.states.values()]
        ),
    }


def check_object(check: Check) -> dict[str, Any]:
    """Return one check as ``suits/1`` and ``plan/1`` give it."""
    return {
        "gate": check.gate,
        "check": check.check,
        "verdict": check.verdict,
        "value": _number(check.value),
        "unit": check.unit,
        "limit": _number(check.limit),
        "at": utc_text(check.at_utc),
        "source": check.source,
        "text": check.text,
    }


def _half_day(half: HalfDay) -> dict[str, Any]:
    return {"from": utc_text(half.from_utc), "until": utc_text(half.until_utc), "verdict": half.verdict}


def suits_object(
    situation: Situation, work: str, judgements: Sequence[WorkJudgement], day: str
) -> dict[str, Any]:
    """Return ``suits/1``."""
    return {
        "schema": "suits/1",
        "asked_at": utc_text(situation.now_utc),
        "day": day,
        "work": work,
        "weather": weather_object(situation),
        "trees": [
            {
                "tree": judgement.tree_id,
                "verdict": judgement.verdict,
                "reasons": [check_object(check) for check in judgement.checks],
                "windows": [_half_day(half) for half in judgement.windows],
                "next_window": None if judgement.next_window is None else _half_day(judgement.next_window),
                "last_sensible_day": None
                if judgement.last_sensible_day is None
                else judgement.last_sensible_day.isoformat(),
                "last_sensible_why": judgement.last_sensible_why,
                "last_sensible_chance": _number(judgement.last_sensible_chance),
                "barred_why": judgement.barred_why,
                "settled_by": list(settled_by(situation, judgement)),
                "journal": list(journal_lines(situation, judgement)),
                "cautions": list(judgement.cautions),
                "prepare": list(judgement.prepare),
                "afterwards": list(judgement.afterwards),
            }
            for judgement in judgements
        ],
    }


def exposure_object(situation: Situation, tree_id: str) -> dict[str, Any]:
    """Return ``exposure/1``: every hour of one tree, null where nothing is known."""
    exposure = situation.exposure
    if exposure is None:
        return {"schema": "exposure/1", "tree": tree_id, "start_utc": []}
    row = exposure.row(tree_id)
    data: dict[str, Any] = {
        "schema": "exposure/1",
        "tree": tree_id,
        "weather": weather_object(situation),
        "start_utc": [utc_text(utc_of(start)) for start in exposure.start_utc],
    }
    for name in HOURLY:
        data[name] = [_number(float(value), 4) for value in getattr(exposure, name)[row]]
    return data
