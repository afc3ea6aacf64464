"""Which past years the season's end and unusual heat rest on: a line, and the same as JSON values."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

from advisor.advice.model import Situation
from advisor.weather.climate import climate_text

__all__ = ["climate_line", "climate_object"]

ESTIMATED = "first frost is estimated from latitude and height"
NONE_EXPECTED = "no frost is expected at this latitude and height"


def _day(day: date) -> str:
    return f"{day.day} {day:%B}"


def climate_line(situation: Situation, *, dates: bool = False) -> str:
    """One sentence on the climate in use; ``dates`` adds first and last frost at the benches."""
    climate, end = situation.climate, situation.season_end
    fallback = NONE_EXPECTED if end.known == "none" else ESTIMATED
    if climate is None:
        return f"Climate: no record of a station near the garden yet; {fallback}."
    text = f"Climate: {climate_text(climate)} ({climate.years[0]} to {climate.years[-1]})"
    if not end.winters:
        return f"{text}; too few of its winters are known, so {fallback}."
    if dates:
        text += f"; {end.text.rpartition(' (')[0]}"
        if end.last_frost is not None:
            text += f", as often the last one was over by {_day(end.last_frost)}"
    return f"{text}."


def climate_object(situation: Situation) -> dict[str, Any]:
    """Return what is known of the season's end; station and years are null while there is no climate."""
    climate, end = situation.climate, situation.season_end
    found: dict[str, Any] = {
        "known": end.known,
        "station": None,
        "first_frost": None if end.first_frost is None else end.first_frost.isoformat(),
        "chance_by_then": None
        if end.chance is None or not math.isfinite(end.chance)
        else round(end.chance, 3),
        "first_frost_by_share": {
            str(share): None if day is None else day.isoformat() for share, day in end.by_share
        },
        "last_frost": None if end.last_frost is None else end.last_frost.isoformat(),
        "winters": end.winters,
        "text": end.text,
    }
    if climate is not None:
        found["station"] = {
            "id": climate.station.id,
            "name": climate.station.name,
            "distance_km": round(climate.station.distance_km, 1),
            "height_difference_m": round(climate.station.height_difference_m),
            "years": list(climate.years),
        }
    return found
