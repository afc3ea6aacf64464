"""One tree's days in numbers: what a season sheet is made of, and its lines in CSV."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date

import numpy as np
from numpy.typing import NDArray

from advisor.advice.hours import day_span, window
from advisor.advice.model import Situation
from advisor.garden.state_model import Need
from advisor.physics.missing import How, reduce_over

__all__ = ["DAY_COLUMNS", "SheetDay", "day_cells", "day_of_cells", "sheet_days"]


@dataclass(frozen=True, slots=True)
class SheetDay:
    """One local day of one tree; NaN where it cannot be told, or where no limit holds.

    Attributes
    ----------
    stage, stage_known : name of the stage, and whether it was seen, estimated or guessed.
    flags : ids of the flags that ran, parted by spaces in CSV.
    leaf_max_c, leaf_limit_c : hottest leaf of the day and what the tree bears; NaN for a bare tree.
    pot_rim_max_c, pot_core_max_c, pot_core_limit_c : the same of the pot.
    bench_min_c, frost_limit_c : coldest bench air and the limit for the shoots.
    root_min_c, root_limit_c : coldest part of the ball and the limit for the roots.
    water_left_min_share, water_use_l, direct_sun_h : over the day, watered as advised or logged.
    """

    day: date
    place: str
    stage: str
    stage_known: str
    flags: tuple[str, ...]
    leaf_max_c: float
    leaf_limit_c: float
    pot_rim_max_c: float
    pot_core_max_c: float
    pot_core_limit_c: float
    bench_min_c: float
    frost_limit_c: float
    root_min_c: float
    root_limit_c: float
    water_left_min_share: float
    water_use_l: float
    direct_sun_h: float

    @property
    def frost_margin_k(self) -> float:
        """Coldest bench air above the limit of the shoots; negative: colder than the tree bears."""
        return self.bench_min_c - self.frost_limit_c

    @property
    def root_margin_k(self) -> float:
        """The same of the ball and the roots."""
        return self.root_min_c - self.root_limit_c

    @property
    def leaf_over_k(self) -> float:
        """Hottest leaf above its limit; positive: hotter than the tree bears."""
        return self.leaf_max_c - self.leaf_limit_c


DAY_COLUMNS: tuple[str, ...] = tuple(one.name for one in fields(SheetDay))


def _need(need: Need | None) -> float:
    return math.nan if need is None else need.value


def sheet_days(situation: Situation, day: date) -> dict[str, SheetDay]:
    """Return a past day of each tree of the exposure, as the situation after it knows it.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    exposure = situation.exposure
    if exposure is None:
        raise ValueError("a day of the sheet needs an exposure; there is no weather")
    span = day_span(situation.holdings.garden, day)
    coverage = situation.tables.physics.value("weather.extreme_coverage_share", "share")
    core_limit_c = situation.tables.limits.value("pot.core_c", "degC")

    def of(name: str) -> NDArray[np.float64]:
        array: NDArray[np.float64] = getattr(exposure, name)
        return window(exposure.start_utc, array, *span)

    def reduced(values: NDArray[np.float64], how: How) -> NDArray[np.float64]:
        return reduce_over(values, how, minimum_coverage=coverage).value

    roots = np.minimum(of("pot_core_c"), of("pot_rim_shaded_c"))
    by_tree = {
        "leaf_max_c": reduced(of("leaf_temperature_c"), "max"),
        "pot_rim_max_c": reduced(of("pot_rim_c"), "max"),
        "pot_core_max_c": reduced(of("pot_core_c"), "max"),
        "bench_min_c": reduced(of("bench_temperature_c"), "min"),
        "root_min_c": reduced(roots, "min"),
        "water_left_min_share": reduced(of("water_left_share"), "min"),
        "water_use_l": reduced(of("water_use_l"), "sum"),
        "direct_sun_h": reduced(of("direct_sun_share"), "sum"),
    }
    found = {}
    for row, tree_id in enumerate(exposure.tree_ids):
        state = situation.states[tree_id]
        needs = state.needs
        found[tree_id] = SheetDay(
            day=day,
            place=state.place_id,
            stage=state.stage.stage.label,
            stage_known=state.stage.certainty,
            flags=tuple(flag.id for flag in state.flags),
            leaf_limit_c=_need(needs.leaf_limit_c),
            pot_core_limit_c=core_limit_c,
            frost_limit_c=_need(needs.frost_limit_c),
            root_limit_c=_need(needs.root_limit_c),
            **{name: float(values[row]) for name, values in by_tree.items()},
        )
    return found


def day_cells(one: SheetDay) -> list[str]:
    """Return the fields of a day's CSV line in the order of ``DAY_COLUMNS``; a gap is an empty field."""
    cells = []
    for name in DAY_COLUMNS:
        value = getattr(one, name)
        if isinstance(value, float):
            digits = 4 if name.endswith(("_share", "_l")) else 2
            text = "" if math.isnan(value) else f"{value:.{digits}f}"
            cells.append(text.lstrip("-") if text and float(text) == 0.0 else text)
        elif isinstance(value, tuple):
            cells.append(" ".join(value))
        else:
            cells.append(str(value))
    return cells


def day_of_cells(cells: Mapping[str, str]) -> SheetDay:
    """Return the day that a CSV line holds.

    Raises
    ------
    KeyError, ValueError
        A column is missing or holds no number.
    """

    def number(name: str) -> float:
        return float(cells[name]) if cells[name] else math.nan

    return SheetDay(
        date.fromisoformat(cells["day"]),
        cells["place"],
        cells["stage"],
        cells["stage_known"],
        tuple(cells["flags"].split()),
        *(number(name) for name in DAY_COLUMNS[5:]),
    )
