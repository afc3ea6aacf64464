"""The picture of a message: air temperature with day extremes, rain, and the limits that matter.

Drawn with Matplotlib's object interface (never pyplot), opaque white, at twice its shown size.
"""

from __future__ import annotations

import io
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.message.outlook import day_outlooks, outlook_cells
from advisor.message.view import Picture
from advisor.message.words import short_day
from advisor.units import DisplayUnits, fahrenheit_from_celsius, shown
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import stamp_of

__all__ = ["outlook_picture"]

DAYS = 6
_TEMPERATURE, _RAIN, _LIMIT, _COLD, _GRID = "#8a3b12", "#3f6f9f", "#b77b12", "#2f5d8a", "#d5dad0"


def _finding(situation: Situation) -> str:
    """The sentence the chart shows, which is also its alternative text."""
    units = situation.holdings.garden.units
    days = [day for day in day_outlooks(situation, DAYS) if day.maximum_c == day.maximum_c]
    cold = [day for day in day_outlooks(situation, DAYS) if day.minimum_c == day.minimum_c]
    if not days or not cold:
        return "The coming temperatures are unknown."
    warmest = max(days, key=lambda day: day.maximum_c)
    coldest = min(cold, key=lambda day: day.minimum_c)
    return (
        f"High of {shown(warmest.maximum_c, 'degC', units)} on {short_day(warmest.day)}, "
        f"low of {shown(coldest.minimum_c, 'degC', units)} on {short_day(coldest.day)}."
    )


def _in_units(values: NDArray[np.float64], units: DisplayUnits) -> NDArray[np.float64]:
    return values * 1.8 + 32.0 if units == "us" else values


def outlook_picture(situation: Situation) -> Picture | None:
    """Return the chart of the coming days, or None without any temperature."""
    weather = situation.weather
    outlooks = day_outlooks(situation, DAYS)
    if weather is None or not outlooks:
        return None
    zone, units = situation.holdings.garden.zone, situation.holdings.garden.units
    begin = day_bounds_utc(situation.day, zone)[0]
    end = day_bounds_utc(outlooks[-1].day, zone)[1]
    first, last = (int(np.searchsorted(weather.start_utc, stamp_of(edge))) for edge in (begin, end))
    temperature = weather.value("air_temperature_c")[first:last]
    if not np.isfinite(temperature).any():
        return None
    hours = (weather.start_utc[first:last] - stamp_of(begin)) / np.timedelta64(3600, "s")
    png = _draw(situation, hours, _in_units(temperature, units), weather.value("rain_mm")[first:last])
    rows = tuple((short_day(day.day), *outlook_cells(day, units)) for day in outlooks)
    return Picture(png, _finding(situation), ("Day", "Low", "High", "Rain", "Gust"), rows)


def _draw(
    situation: Situation,
    hours: NDArray[np.float64],
    temperature: NDArray[np.float64],
    rain_mm: NDArray[np.float64],
) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    zone, units = situation.holdings.garden.zone, situation.holdings.garden.units
    figure = Figure(figsize=(6.0, 2.6), dpi=200, facecolor="white", layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axis = figure.add_subplot(facecolor="white")
    axis.plot(hours, temperature, color=_TEMPERATURE, linewidth=1.8, label="air")
    for limit, colour, name in _limits(situation):
        shown_limit = fahrenheit_from_celsius(limit) if units == "us" else limit
        axis.axhline(shown_limit, color=colour, linewidth=1.0, linestyle=(0, (4, 3)))
        axis.text(hours[-1], shown_limit, name, fontsize=7, color=colour, ha="right", va="bottom")
    axis.set_ylabel("°F" if units == "us" else "°C", fontsize=8)
    axis.grid(axis="y", color=_GRID, linewidth=0.6)
    bars = axis.twinx()
    amount = rain_mm / 25.4 if units == "us" else rain_mm
    bars.bar(hours + 0.5, amount, width=0.9, color=_RAIN, alpha=0.7)
    top = float(np.nanmax(amount, initial=0.0))
    bars.set_ylim(0.0, max(3.0 * top, 0.4 if units == "us" else 6.0))
    bars.set_ylabel("rain, in/h" if units == "us" else "rain, mm/h", fontsize=8, color=_RAIN)
    edges, labels = [], []
    day = situation.day
    origin = day_bounds_utc(day, zone)[0]
    while (edge := (day_bounds_utc(day, zone)[0] - origin).total_seconds() / 3600.0) <= hours[-1]:
        edges.append(edge)
        labels.append(short_day(day).rsplit(" ", 1)[0])
        axis.axvline(edge, color=_GRID, linewidth=0.6)
        day += timedelta(days=1)
    axis.set_xticks([edge + 12.0 for edge in edges], labels, fontsize=8)
    axis.tick_params(axis="both", labelsize=8, length=0)
    bars.tick_params(axis="y", labelsize=8, length=0)
    axis.set_xlim(0.0, float(hours[-1]) + 1.0)
    for frame in (axis, bars):
        frame.spines[["top", "right", "left", "bottom"]].set_visible(False)
    canvas.draw()  # type: ignore[no-untyped-call]
    from PIL import Image

    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    image = Image.fromarray(pixels).convert("RGB").quantize(64)
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def _limits(situation: Situation) -> list[tuple[float, str, str]]:
    """Lines worth drawing: the lowest air figure at which some tree wants protection, and 0 °C in frost."""
    found: list[tuple[float, str, str]] = []
    protect = [
        (value, state.tree.name)
        for state in situation.states.values()
        if (value := state.group.trait("air_protect_c", "degC")) is not None and state.sun_leaf_share > 0.0
    ]
    outlooks = day_outlooks(situation, DAYS)
    warmest = max(
        (day.maximum_c for day in outlooks if day.maximum_c == day.maximum_c), default=float("-inf")
    )
    coldest = min((day.minimum_c for day in outlooks if day.minimum_c == day.minimum_c), default=float("inf"))
    if protect and warmest >= min(protect)[0] - 2.0:
        found.append((min(protect)[0], _LIMIT, f"{min(protect)[1]} wants shade"))
    if coldest <= 3.0:
        found.append((0.0, _COLD, "frost"))
    return found
