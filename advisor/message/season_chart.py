"""The picture of a season sheet: state band, heat, cold and water of one tree against its limits.

Drawn with Matplotlib's object interface (never pyplot), opaque white.
"""

from __future__ import annotations

import io
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from advisor.garden.state_model import Stage
from advisor.message.season_days import SheetDay
from advisor.message.season_sheet import SeasonSheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["season_picture"]

FloatArray = NDArray[np.float64]

_AIR, _LIMIT, _COLD, _WATER, _GRID, _INK = "#8a3b12", "#b77b12", "#2f5d8a", "#3f6f9f", "#d5dad0", "#3d4a36"
_STAGES = ("#c9cec4", "#d8cf9a", "#c3d08a", "#a3c96f", "#7fb55c", "#4f8f4a", "#93bd4f", "#d08a3c", "#a9825a")
"""By the stage's place in the year, dormant first."""


def season_picture(sheet: SeasonSheet) -> bytes | None:
    """Return the picture as PNG, or None without a day. Same sheet, same bytes."""
    if not sheet.days:
        return None
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    days = np.arange(len(sheet.days), dtype=np.float64)
    figure = Figure(figsize=(10.0, 8.0), dpi=100, facecolor="white", layout="constrained")
    canvas = FigureCanvasAgg(figure)
    frames: list[Axes] = list(
        figure.subplots(4, 1, sharex=True, gridspec_kw={"height_ratios": [1.2, 2.2, 2.2, 1.6]})
    )
    _band(frames[0], sheet)
    _heat(frames[1], sheet, days)
    _cold(frames[2], sheet, days)
    _water(frames[3], sheet, days)
    _days_below(frames[3], [one.day for one in sheet.days])
    done_on, warned_on = ({day for day, _ in of} for of in (sheet.actions, sheet.warnings))
    done = [place for place, one in enumerate(sheet.days) if one.day in done_on]
    warned = [place for place, one in enumerate(sheet.days) if one.day in warned_on]
    for axis in frames:
        axis.set_xlim(-0.5, len(sheet.days) - 0.5)
        axis.grid(axis="y", color=_GRID, linewidth=0.6)
        axis.tick_params(axis="both", labelsize=8, length=0)
        axis.spines[["top", "right", "left", "bottom"]].set_visible(False)
        over = axis.get_xaxis_transform()
        axis.vlines(done, 0.0, 1.0, color=_INK, linestyle="dotted", linewidth=0.8, transform=over)
        axis.vlines(warned, 0.0, 1.0, color=_LIMIT, alpha=0.7, linewidth=0.8, transform=over)
    # what shows nothing there is not laid out either: the days under the upper frames, legends inside theirs
    for axis in frames[:-1]:
        axis.xaxis.set_visible(False)
    for legend in (axis.get_legend() for axis in frames):
        if legend is not None:
            legend.set_in_layout(False)
    canvas.draw()  # type: ignore[no-untyped-call]
    from PIL import Image

    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    out = io.BytesIO()
    Image.fromarray(pixels).convert("RGB").quantize(64).save(out, "PNG", optimize=True)
    return out.getvalue()


def _series(sheet: SeasonSheet, name: str) -> FloatArray:
    values = np.array([getattr(one, name) for one in sheet.days], dtype=np.float64)
    if sheet.units == "us" and name.endswith("_c"):
        values = values * 1.8 + 32.0
    return values


def _degrees(sheet: SeasonSheet) -> str:
    return "°F" if sheet.units == "us" else "°C"


def _place_of(days: tuple[SheetDay, ...], day: date) -> float:
    return float((day - days[0].day).days)


def _band(axis: Axes, sheet: SeasonSheet) -> None:
    """Draw stages as a band, flags as bars over it."""
    order = {stage.label: stage.order for stage in Stage}
    for span in sheet.stages:
        name = span.text.rsplit(" (", 1)[0]
        begin, width = _place_of(sheet.days, span.first) - 0.5, float((span.last - span.first).days + 1)
        axis.broken_barh([(begin, width)], (-0.45, 0.9), color=_STAGES[order.get(name, 0)])
        if width > len(sheet.days) * 0.09:
            axis.text(begin + width / 2.0, 0.0, name, fontsize=7, ha="center", va="center", color=_INK)
    flags = sheet.flags
    names = list(dict.fromkeys(span.text for span in flags))
    for span in flags:
        row = names.index(span.text) + 1
        begin, width = _place_of(sheet.days, span.first) - 0.5, float((span.last - span.first).days + 1)
        axis.broken_barh([(begin, width)], (row - 0.35, 0.7), color=_COLD, alpha=0.55)
    axis.set_yticks(range(len(names) + 1), ["state", *names])
    axis.set_ylim(-0.6, len(names) + 0.6)
    axis.set_title(sheet.title, fontsize=10, loc="left", color=_INK)


def _line(axis: Axes, days: FloatArray, values: FloatArray, colour: str, name: str) -> None:
    marker = "." if days.size < 40 else ""
    axis.plot(days, values, color=colour, linewidth=1.4, marker=marker, label=name)


def _limit(axis: Axes, days: FloatArray, values: FloatArray, colour: str, name: str) -> None:
    axis.step(days, values, where="mid", color=colour, linewidth=1.0, linestyle=(0, (4, 3)), label=name)


def _heat(axis: Axes, sheet: SeasonSheet, days: FloatArray) -> None:
    _line(axis, days, _series(sheet, "leaf_max_c"), _AIR, "leaf, highest")
    _limit(axis, days, _series(sheet, "leaf_limit_c"), _LIMIT, "leaf limit")
    _line(axis, days, _series(sheet, "pot_core_max_c"), _INK, "ball, highest")
    _limit(axis, days, _series(sheet, "pot_core_limit_c"), _GRID, "ball limit")
    axis.set_ylabel(f"heat, {_degrees(sheet)}", fontsize=8)
    _legend(axis)


def _cold(axis: Axes, sheet: SeasonSheet, days: FloatArray) -> None:
    _line(axis, days, _series(sheet, "bench_min_c"), _COLD, "bench air, lowest")
    _limit(axis, days, _series(sheet, "frost_limit_c"), _LIMIT, "frost limit")
    _line(axis, days, _series(sheet, "root_min_c"), _INK, "roots, lowest")
    _limit(axis, days, _series(sheet, "root_limit_c"), _GRID, "root limit")
    axis.set_ylabel(f"cold, {_degrees(sheet)}", fontsize=8)
    _legend(axis)


def _water(axis: Axes, sheet: SeasonSheet, days: FloatArray) -> None:
    left = np.clip(_series(sheet, "water_left_min_share"), 0.0, None) * 100.0
    axis.fill_between(days, 0.0, left, step="mid", color=_WATER, alpha=0.5)
    axis.set_ylim(0.0, 105.0)
    axis.set_ylabel("least water left, %", fontsize=8)


def _legend(axis: Axes) -> None:
    axis.legend(fontsize=7, ncols=4, loc="upper left", frameon=False)


def _days_below(axis: Axes, days: list[date]) -> None:
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    step = max(1, -(-len(days) // 14))
    if len(days) > 90:
        places = [place for place, day in enumerate(days) if day.day == 1]
    else:
        places = list(range(0, len(days), step))
    axis.set_xticks(places, [f"{days[place].day} {months[days[place].month - 1]}" for place in places])
