"""How far the forecast was off here, as a table in words and as JSON; one row a lead time."""

from __future__ import annotations

import math
import textwrap
from itertools import pairwise
from typing import Any

from advisor.advice.model import Situation
from advisor.message.words import short_day
from advisor.units import DisplayUnits, shown
from advisor.weather.forecast_error import (
    HOURS_A_CLASS,
    LEAD_EDGES_H,
    Correction,
    ErrorStat,
    ForecastError,
    learned_days,
)

__all__ = ["error_object", "error_text", "spread_words"]

WIDTH = 78


def _against(error: ForecastError) -> str:
    if error.compared_with == "station":
        return f"against {error.reference}"
    return "against what the service itself said of those hours afterwards, which is no observation"


def spread_words(situation: Situation) -> str:
    """Say whose error a single forecast is held with: ``usual error`` or that of the days learned."""
    error = situation.forecast_error
    days = learned_days(error, situation.tables.physics)
    if error is None or not days:
        return "usual error"
    return f"error of the last {days} days here, {_against(error)}"


# --- words -----------------------------------------------------------------------------------------------


def _signed(value: float, unit: str, units: DisplayUnits) -> str:
    if math.isnan(value):
        return "-"
    number = shown(value, unit, units, 1 if unit == "K" else 0).number
    return number if number.startswith("-") or float(number) == 0.0 else f"+{number}"


def _cell(stat: ErrorStat, unit: str, units: DisplayUnits) -> str:
    if not stat.count:
        return "-"
    spread = shown(stat.spread, unit, units, 1 if unit == "K" else 0).number
    return f"{_signed(stat.bias, unit, units)} ± {spread}"


def error_text(situation: Situation) -> str:
    """Return the table, or a sentence that says why there is none; ends with a newline."""
    error, garden = situation.forecast_error, situation.holdings.garden
    if error is None:
        return "Nothing is learned of this forecast's error yet; the usual error is used.\n"
    temperature = shown(0.0, "K", garden.units).unit
    days = learned_days(error, situation.tables.physics)
    used = "" if days else " Too few days yet: the usual error is used."
    head = (
        f"Error of the forecast here, {short_day(error.first_day)} to {short_day(error.last_day)}, "
        f"{_against(error)}: mean of forecast minus observed ± spread, in {temperature}, wind and gusts in % "
        f"of the forecast.{used}"
    )
    columns = ("ahead", "days", "hourly", "highest", "lowest", "wind", "gusts")
    form = "{:<11}{:>5} {:>12} {:>12} {:>12} {:>11} {:>11}".format
    out = [textwrap.fill(head, WIDTH), form(*columns)]
    for place, (begin, end) in enumerate(pairwise(LEAD_EDGES_H)):
        cells = [
            _cell(getattr(error, name)[place], unit, garden.units)
            for name, unit in (
                ("by_lead", "K"), ("maximum", "K"), ("minimum", "K"), ("wind", "share"), ("gust", "share"),
            )
        ]  # fmt: skip
        out.append(form(f"{begin} to {end} h", error.by_lead[place].days, *cells).rstrip())
    if error.refused:
        out.append(
            textwrap.fill(f"{error.refused} h left out: no forecast is so wrong, a station is.", WIDTH)
        )
    return "\n".join([*out, *_shown(error, garden.units)]) + "\n"


def _shown(error: ForecastError, units: DisplayUnits) -> list[str]:
    """Say where a correction helps, by lead time."""
    out = []
    for place, (begin, end) in enumerate(pairwise(LEAD_EDGES_H)):
        parts = [
            f"{at * HOURS_A_CLASS:02d}-{(at + 1) * HOURS_A_CLASS:02d} h {_signed(-one.bias_k, 'K', units)}"
            for at, one in enumerate(error.corrections[place])
            if one is not None
        ]
        if parts:
            text = f"Corrected {begin} to {end} h ahead, by local hour: {', '.join(parts)}."
            out.append(textwrap.fill(text, WIDTH, subsequent_indent="  "))
    return out


# --- JSON ------------------------------------------------------------------------------------------------


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 3)


def _stat(stat: ErrorStat) -> dict[str, Any]:
    return {
        "count": stat.count,
        "days": stat.days,
        "bias": _number(stat.bias),
        "spread": _number(stat.spread),
        "root_mean_square": _number(stat.root_mean_square),
    }


def _correction(one: Correction | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "bias_k": round(one.bias_k, 3),
        "days": one.days,
        "mean_absolute_error_before_k": round(one.before_k, 3),
        "mean_absolute_error_after_k": round(one.after_k, 3),
    }


def error_object(situation: Situation) -> dict[str, Any] | None:
    """Return what was learned as JSON can hold it, or None; temperatures in K, wind in shares."""
    error = situation.forecast_error
    if error is None:
        return None
    leads = []
    for place, (begin, end) in enumerate(pairwise(LEAD_EDGES_H)):
        hours = [
            {
                "local_hour_from": hour * HOURS_A_CLASS,
                "local_hour_until": (hour + 1) * HOURS_A_CLASS,
                **_stat(stat),
                "correction": _correction(error.corrections[place][hour]),
            }
            for hour, stat in enumerate(error.hourly[place])
        ]
        leads.append(
            {
                "ahead_from_h": begin,
                "ahead_until_h": end,
                "air_temperature_k": _stat(error.by_lead[place]),
                "daily_maximum_k": _stat(error.maximum[place]),
                "daily_minimum_k": _stat(error.minimum[place]),
                "wind_share": _stat(error.wind[place]),
                "gust_share": _stat(error.gust[place]),
                "hours": hours,
            }
        )
    return {
        "source": error.source,
        "compared_with": error.compared_with,
        "reference": error.reference,
        "first_day": error.first_day.isoformat(),
        "last_day": error.last_day.isoformat(),
        "days_used": learned_days(error, situation.tables.physics),
        "refused_h": error.refused,
        "leads": leads,
    }
