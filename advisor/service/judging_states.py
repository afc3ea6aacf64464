"""The trees' states through a replay, and what they met in the true weather in those states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from advisor.advice.hours import day_span
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.exposure.places import place_temperatures_c
from advisor.exposure.weighing import learn_thirst
from advisor.garden.model import Tree
from advisor.garden.state import fold_state, journal_for, stays_of
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.warmth import Warmth, spliced, warmth_side_by_side
from advisor.physics.missing import FloatArray
from advisor.store.replayed_folder import Replayed
from advisor.weather.days import local_day_of
from advisor.weather.table import WeatherTable, stamp_of, utc_of

__all__ = ["exposure_through", "states_through"]

WARM_UP_H = 48
"""Hours run before each stretch of hours, for the heat in the pots."""
STRETCH_H = 7 * 24
"""Longest stretch of hours worked with one state of the trees."""
SAME_D = 8
"""Longest stretch of days at whose ends a tree is compared."""
CHANGES_NOTHING = frozenset({"watered", "weighed", "fed", "note", "sealed"})
"""Journal words after which no tree stands or is otherwise than before."""
_HOUR = np.timedelta64(3600, "s")
_HOURLY = (
    "direct_sun_share", "shortwave_w_m2", "sun_w_m2", "leaf_temperature_c", "vpd_kpa", "wind_m_s", "gust_m_s",
    "rain_reaching_pot_mm", "water_use_l", "water_left_share", "pot_rim_c", "pot_rim_shaded_c", "pot_core_c",
    "bench_temperature_c", "wet_bulb_c", "reference_et_mm", "solar_hour", "sun_elevation_deg", "wbgt_c",
)  # fmt: skip


def states_through(
    replayed: Replayed, tables: Tables, span: WeatherTable
) -> tuple[tuple[int, ...], tuple[Mapping[str, TreeState], ...]]:
    """Return the rows of ``span`` from which on states hold, and the states.

    Rows are local midnights and hours after a line of the journal. A state knows weather and journal up
    to its own day, nothing later. Where a tree is the same at both ends of some days without a line of the
    journal, it is taken as the same between them.
    """
    garden = replayed.holdings.garden
    day, midnights = local_day_of(utc_of(span.start_utc[0]), garden.zone), {0}
    last = local_day_of(utc_of(span.start_utc[-1]), garden.zone)
    while day < last:
        day += timedelta(days=1)
        midnights.add(_row(span, day_span(garden, day)[0]))
    warmth = _warmth(replayed, tables)
    own = {
        tree.id: _Folder(replayed, tables, span, tree, warmth).states(midnights)
        for tree in replayed.holdings.trees
    }
    moments = tuple(sorted({row for found in own.values() for row in found}))
    held: dict[str, TreeState] = {}
    states = []
    for row in moments:
        held = {tree: found.get(row, held.get(tree)) or found[0] for tree, found in own.items()}
        states.append(held)
    return moments, tuple(states)


def _row(span: WeatherTable, at_utc: datetime) -> int:
    """Row of the first hour that starts at an instant or after it."""
    return -int((span.start_utc[0] - stamp_of(at_utc)) // _HOUR)


class _Folder:
    """Folds one tree at as few moments as tell all its states."""

    def __init__(
        self,
        replayed: Replayed,
        tables: Tables,
        span: WeatherTable,
        tree: Tree,
        warmth: Mapping[str, Warmth],
    ) -> None:
        holdings = replayed.holdings
        self.tree, self.tables, self.span, self.holdings = tree, tables, span, holdings
        self.entries = journal_for(holdings, tree.id)
        end = utc_of(span.start_utc[-1])
        stays = stays_of(tree, self.entries, holdings.garden, end, holdings.places)
        self.warmth = spliced(warmth, stays)
        self.found: dict[int, TreeState] = {}

    def at(self, row: int) -> TreeState:
        """The state at the start of a row."""
        if row not in self.found:
            garden, at_utc = self.holdings.garden, utc_of(self.span.start_utc[row])
            self.found[row] = fold_state(
                self.tree,
                self.tables.species[self.tree.group_id],
                self.entries,
                None if self.warmth is None else _until(self.warmth, local_day_of(at_utc, garden.zone)),
                garden,
                self.tables,
                at_utc,
                places=self.holdings.places,
            )
        return self.found[row]

    def states(self, midnights: set[int]) -> dict[int, TreeState]:
        """States by row, at midnights and after lines of the journal."""
        lines = {
            _row(self.span, entry.at_utc) for entry in self.entries if entry.entry not in CHANGES_NOTHING
        }
        lines = {row for row in lines if 0 < row < self.span.hours}
        rows = sorted(midnights | lines)
        states: dict[int, TreeState] = {}
        first = 0
        for number in range(1, len(rows) + 1):
            if number == len(rows) or rows[number] in lines or number - first >= SAME_D:
                self._fill(rows[first:number], states)
                first = number
        return states

    def _fill(self, rows: Sequence[int], states: dict[int, TreeState]) -> None:
        low, high = self.at(rows[0]), self.at(rows[-1])
        if len(rows) <= 2 or _asks(low) == _asks(high):
            states.update(dict.fromkeys(rows[:-1], low))
            states[rows[-1]] = high
            return
        middle = len(rows) // 2
        self._fill(rows[: middle + 1], states)
        self._fill(rows[middle:], states)


def _asks(state: TreeState) -> tuple[object, ...]:
    """Everything of a state that judging looks at, as values that can be compared."""
    needs = state.needs
    return (
        _mark(state),
        state.stage.stage,
        state.root_share,
        tuple(flag.id for flag in state.flags),
        tuple(
            None if need is None else need.value
            for need in (
                needs.frost_limit_c,
                needs.root_limit_c,
                needs.leaf_limit_c,
                needs.vpd_limit_kpa,
                needs.shade_share,
            )
        ),
    )


def _warmth(replayed: Replayed, tables: Tables) -> dict[str, Warmth]:
    garden, weather = replayed.holdings.garden, replayed.weather
    air = place_temperatures_c(list(replayed.holdings.places.values()), weather, garden, tables)
    return dict(
        zip(
            replayed.holdings.places,
            warmth_side_by_side(weather.start_utc, air, garden.zone),
            strict=True,
        )
    )


def _until(warmth: Warmth, day: date) -> Warmth:
    """The days up to and with one: a state does not look ahead."""
    length = max(min((day - warmth.days[0]).days + 1, len(warmth.days)), 0) if warmth.days else 0
    return replace(warmth, **{field.name: getattr(warmth, field.name)[:length] for field in fields(warmth)})


def _mark(state: TreeState) -> tuple[str, float, int, bool]:
    """What the exposure of a tree depends on besides weather and pot; leaf to a tenth of the crown."""
    leaf = round(state.water_leaf_share * state.water_factor * 10)
    return state.place_id, state.extra_shade, leaf, state.sun_leaf_share > 0.0


def _stretches(
    moments: Sequence[int], states: Sequence[Mapping[str, TreeState]], hours: int
) -> list[tuple[int, int, int]]:
    """First row, end row and number of the states for stretches in which nothing that matters changes."""
    found: list[tuple[int, int, int]] = []
    marks = [[_mark(state) for state in one.values()] for one in states]
    for number, row in enumerate(moments):
        end = moments[number + 1] if number + 1 < len(moments) else hours
        if found and marks[found[-1][2]] == marks[number] and end - found[-1][0] <= STRETCH_H:
            found[-1] = (found[-1][0], end, found[-1][2])
        else:
            found.append((row, end, number))
    return found


def exposure_through(
    replayed: Replayed,
    tables: Tables,
    span: WeatherTable,
    moments: Sequence[int],
    states: Sequence[Mapping[str, TreeState]],
) -> Exposure:
    """Return what every tree met in the hours of ``span``, each in the place and state of the time."""
    weather = replayed.weather
    offset = weather.index_at(utc_of(span.start_utc[0]))
    parts: dict[str, list[FloatArray]] = {name: [] for name in _HOURLY}
    known_until = utc_of(weather.start_utc[-1])
    thirst = learn_thirst(replayed.holdings, weather, _warmth(replayed, tables), tables, known_until)
    one: Exposure | None = None
    for first, end, number in _stretches(moments, states, span.hours):
        before = max(offset + first - WARM_UP_H, 0)
        run = weather.between(before, offset + end)
        one = compute_exposure(
            replayed.holdings, states[number], run, tables, utc_of(span.start_utc[first]), thirst=thirst
        )
        keep = slice(offset + first - before, None)
        for name in _HOURLY:
            parts[name].append(getattr(one, name)[..., keep])
    assert one is not None  # noqa: S101 - a span has at least one hour
    trees = len(one.tree_ids)
    joined: dict[str, Any] = {name: np.concatenate(arrays, axis=-1) for name, arrays in parts.items()}
    return replace(
        one,
        start_utc=span.start_utc,
        slot_utc=np.zeros(0, dtype="datetime64[s]"),
        waterings_l=np.zeros((trees, 0)),
        dry_at=np.full(trees, np.datetime64("NaT", "s")),
        left_now_share=np.full(trees, np.nan),
        dry_known_share=np.full(trees, np.nan),
        **joined,
    )
