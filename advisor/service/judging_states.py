"""The trees' states through a replay, and what they met in the true weather in those states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from advisor.advice.hours import day_span
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.exposure.places import place_temperature_c
from advisor.garden.state import fold_all
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.warmth import Warmth, warmth_from_hours
from advisor.physics.missing import FloatArray
from advisor.store.replayed_folder import Replayed
from advisor.weather.days import local_day_of
from advisor.weather.table import WeatherTable, stamp_of, utc_of

__all__ = ["exposure_through", "states_through"]

WARM_UP_H = 48
"""Hours run before each stretch of hours, for the heat in the pots."""
STRETCH_H = 7 * 24
"""Longest stretch of hours worked with one state of the trees."""
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
    """Return the rows of ``span`` at which states are folded anew, and the states from there on.

    A state knows the weather and the journal up to its own day, nothing later.
    """
    moments = _moments(replayed, span)
    warmth = _warmth(replayed, tables)
    states = tuple(
        fold_all(
            replayed.holdings,
            tables,
            {place: _known_by(one, at, replayed) for place, one in warmth.items()},
            at,
        )
        for at in (utc_of(span.start_utc[row]) for row in moments)
    )
    return moments, states


def _moments(replayed: Replayed, span: WeatherTable) -> tuple[int, ...]:
    """Rows at which states are folded anew: local midnights, and hours after a line of the journal."""
    garden = replayed.holdings.garden
    day, rows = local_day_of(utc_of(span.start_utc[0]), garden.zone), {0}
    last = local_day_of(utc_of(span.start_utc[-1]), garden.zone)
    while day < last:
        day += timedelta(days=1)
        rows.add(-int((span.start_utc[0] - stamp_of(day_span(garden, day)[0])) // _HOUR))
    for entry in replayed.holdings.journal:
        if entry.entry not in CHANGES_NOTHING:
            rows.add(-int((span.start_utc[0] - stamp_of(entry.at_utc)) // _HOUR))
    return tuple(sorted(row for row in rows if 0 <= row < span.hours))


def _warmth(replayed: Replayed, tables: Tables) -> dict[str, Warmth]:
    garden, weather = replayed.holdings.garden, replayed.weather
    return {
        place.id: warmth_from_hours(
            weather.start_utc, place_temperature_c(place, weather, garden, tables), garden.zone
        )
        for place in replayed.holdings.places.values()
    }


def _known_by(warmth: Warmth, at_utc: datetime, replayed: Replayed) -> Warmth:
    """The days up to and with today: a state does not look ahead."""
    today = local_day_of(at_utc, replayed.holdings.garden.zone)
    length = max(min((today - warmth.days[0]).days + 1, len(warmth.days)), 0) if warmth.days else 0
    return replace(warmth, **{field.name: getattr(warmth, field.name)[:length] for field in fields(warmth)})


def _signature(states: Mapping[str, TreeState]) -> tuple[tuple[str, float, int, bool], ...]:
    """What the exposure of the trees depends on besides weather and pots."""
    return tuple(
        (state.place_id, state.extra_shade, round(state.water_leaf_share * 20), state.sun_leaf_share > 0.0)
        for state in states.values()
    )


def _stretches(
    moments: Sequence[int], states: Sequence[Mapping[str, TreeState]], hours: int
) -> list[tuple[int, int, int]]:
    """First row, end row and number of the states for stretches in which nothing that matters changes."""
    found: list[tuple[int, int, int]] = []
    marks = [_signature(one) for one in states]
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
    one: Exposure | None = None
    for first, end, number in _stretches(moments, states, span.hours):
        before = max(offset + first - WARM_UP_H, 0)
        run = weather.between(before, offset + end)
        one = compute_exposure(replayed.holdings, states[number], run, tables, utc_of(span.start_utc[first]))
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
        **joined,
    )
