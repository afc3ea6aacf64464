"""What the grower's own thermometers taught of places, in words and as numbers."""

from __future__ import annotations

from typing import Any

from advisor.advice.model import Situation
from advisor.garden.model import Place, PlaceReading
from advisor.message.words import short_day
from advisor.units import DisplayUnits, shown

__all__ = ["correction_object", "correction_words", "corrections_object", "learned_lines"]

LEAST_K = 0.05
"""A smaller correction reads as none."""


def learned_lines(situation: Situation) -> tuple[str, ...]:
    """Return a sentence for each place with readings that count, were set aside or cannot be compared."""
    units = situation.holdings.garden.units
    said = (correction_words(place, units) for place in situation.holdings.places.values())
    return tuple(words for words in said if words)


def correction_words(place: Place, units: DisplayUnits) -> str:
    """``South bench: nights 1.2 °C colder than reckoned, from 9 of your readings``; empty without any."""
    correction = place.correction
    if correction is None:
        return ""
    parts = [
        _part(name, value, count, units)
        for name, value, count in (
            ("nights", correction.night_k, correction.night_readings),
            ("days", correction.day_k, correction.day_readings),
        )
        if count
    ]
    if correction.set_aside:
        named = ", ".join(_reading(one, units) for one in correction.set_aside)
        parts.append(f"set aside as too far off: {named}")
    if correction.unknown_weather:
        many = correction.unknown_weather > 1
        parts.append(
            f"{correction.unknown_weather} {'readings teach' if many else 'reading teaches'} nothing, "
            f"the weather of {'their nights or days' if many else 'its night or day'} is not known"
        )
    return f"{place.name}: {'; '.join(parts)}."


def _part(name: str, value_k: float, count: int, units: DisplayUnits) -> str:
    readings = f"from {count} of your readings" if count > 1 else "from one reading of yours"
    if abs(value_k) < LEAST_K:
        return f"{name} as reckoned, {readings}"
    way = "colder" if value_k < 0.0 else "warmer"
    return f"{name} {_degrees(abs(value_k), units)} {way} than reckoned, {readings}"


def _degrees(difference_k: float, units: DisplayUnits) -> str:
    """A difference as it reads on the grower's thermometer."""
    return str(shown(difference_k, "K", units)).replace(" K", " °C")


def _reading(one: PlaceReading, units: DisplayUnits) -> str:
    where = f", line {one.line}" if one.line else ""
    kind = "lowest" if one.kind == "night-min" else "highest"
    return f"{short_day(one.day)} {kind} {shown(one.air_c, 'degC', units)}{where}"


def correction_object(place: Place) -> dict[str, Any] | None:
    """Return what a place's thermometer taught; None without readings that count."""
    correction = place.correction
    if correction is None:
        return None
    return {
        "night_k": round(correction.night_k, 2),
        "night_readings": correction.night_readings,
        "day_k": round(correction.day_k, 2),
        "day_readings": correction.day_readings,
        "set_aside": [
            {
                "day": one.day.isoformat(),
                "kind": one.kind,
                "air_c": round(one.air_c, 2),
                "line": one.line or None,
            }
            for one in correction.set_aside
        ],
        "unknown_weather": correction.unknown_weather,
    }


def corrections_object(situation: Situation) -> dict[str, Any]:
    """Return the corrections of all places that have one, by place id."""
    return {
        place.id: found
        for place in situation.holdings.places.values()
        if (found := correction_object(place)) is not None
    }
