"""What the grower's weights say of each tree, held against the use modelled where it stood between them.

Everything is worked out anew from journal and weather at each pass; nothing learned is kept. The weather of a
season is at hand as long as the tree's own season is, and a mended line of the journal counts at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from advisor.exposure.places import Spot, SpotTraits, place_sun, spot_traits, sun_of
from advisor.exposure.spot_weather import SpotWeather, open_weather, spot_weather
from advisor.exposure.water import pot_top_area_m2, pot_water, rain_at_pots_mm, water_use_l
from advisor.garden.model import Holdings, JournalEntry, Tree
from advisor.garden.state import fold_state, journal_for, stays_of
from advisor.garden.tables import Tables
from advisor.garden.thirst import Thirst, learn_demand, learn_usable
from advisor.garden.warmth import Warmth, spliced
from advisor.garden.weights import (
    Doubt,
    Pair,
    Weight,
    dry_mass_kg,
    full_of,
    holds_l,
    pairs_of,
    sound_weights,
    water_held_l,
    weights_since,
    why_unused,
)
from advisor.physics.missing import FloatArray
from advisor.physics.pot_water import litres_from_mm
from advisor.weather.table import WeatherTable, stamp_of

__all__ = ["learn_thirst"]

BEFORE_H = 24
"""Hours worked out before each pair: for the cloud of the evening, and the beginning of a fall of rain."""


def learn_thirst(
    holdings: Holdings,
    weather: WeatherTable | None,
    warmth_by_place: Mapping[str, Warmth | None],
    tables: Tables,
    now_utc: datetime,
) -> dict[str, Thirst]:
    """Learn from the weights of every tree that was ever weighed.

    Parameters
    ----------
    holdings : Holdings
    weather : WeatherTable or None
        Complete, as far into the past as is known; pairs of weights without weather tell nothing of thirst.
    warmth_by_place : mapping from place id to Warmth or None
        As for ``garden.state.fold_all``: how much leaf there was at the time.
    tables : Tables
    now_utc : datetime
        Later lines do not count.

    Returns
    -------
    dict from tree id to Thirst
    """
    found = {}
    spots = None if weather is None else _SpotHours(holdings, weather, tables)
    for tree in holdings.trees:
        entries = [entry for entry in holdings.journal_of(tree.id) if entry.at_utc <= now_utc]
        if any(entry.entry == "weighed" for entry in entries):
            model = _Modelled(holdings, tree, spots, warmth_by_place, tables, now_utc)
            found[tree.id] = _of_tree(tree, entries, model, tables, now_utc)
    return found


def _of_tree(
    tree: Tree, entries: Sequence[JournalEntry], model: _Modelled, tables: Tables, now_utc: datetime
) -> Thirst:
    numbers = tables.physics
    capacity_l, by_mix_l = water_held_l(tree, tables)
    pot_kg = dry_mass_kg(tree, tables) + capacity_l * numbers.value("tipping.water_density_kg_l", "kg/l")
    pots = weights_since(entries)
    parted = [sound_weights(pot, holds_l(tree, tables), pot_kg, numbers) for pot in pots]
    doubts = [doubt for _, doubtful in parted for doubt in doubtful]
    wrong = {doubt.line for doubt in doubts}
    wilted, survived, newest = _losses(entries, parted[-1][0], tables)
    age_d = 0.0 if newest is None else (now_utc - newest) / timedelta(days=1)
    usable = learn_usable(by_mix_l, wilted, survived, numbers, age_d)
    pairs: list[Pair] = []
    for sound, _ in parted:
        more, odd = pairs_of(entries, sound, by_mix_l * usable.value, model.between, numbers)
        pairs += more
        doubts += odd
    repotted = [entry.at_utc for entry in entries if entry.entry == "repotted"]
    demand, far = learn_demand(pairs, repotted, now_utc, numbers)
    doubts += far
    return Thirst(
        demand=demand,
        usable=usable,
        weighings=len({line for pair in pairs for line in pair.lines}),
        doubtful=tuple(_said(doubt, model) for doubt in sorted(doubts, key=lambda doubt: doubt.line)),
        wrong_lines=frozenset(wrong),
        unused=()
        if demand.readings
        else why_unused(
            entries, [sound for sound, _ in parted], by_mix_l * usable.value, model.between, numbers
        ),
    )


def _said(doubt: Doubt, model: _Modelled) -> str:
    day = doubt.at_utc.astimezone(model.holdings.garden.zone)
    meant = "" if doubt.meant_kg is None else f"; was it {doubt.meant_kg:.2f} kg?"
    return f"line {doubt.line}, {day:%d %b %H:%M}: {doubt.found} does not fit the others{meant}"


def _losses(
    entries: Sequence[JournalEntry], sound: Sequence[Weight], tables: Tables
) -> tuple[list[float], list[float], datetime | None]:
    """Litres gone from the full pot when the tree was seen wilted, and in other weighings; and when last."""
    get = tables.physics.value
    soon = timedelta(hours=get("water.weighed_full_within_h", "h"))
    near = timedelta(hours=get("thirst.wilt_within_h", "h"))
    through = [one.at_utc for one in entries if one.entry == "watered" and one.amount is None]
    if not any(at <= weight.at_utc <= at + soon for weight in sound for at in through):
        return [], [], None
    seen = [one.at_utc for one in entries if one.entry == "wilted"]
    wilted: list[float] = []
    survived: list[float] = []
    newest = None
    for weight in sound:
        lost = full_of(sound, weight.at_utc, tables.physics) - weight.kg
        lost /= get("tipping.water_density_kg_l", "kg/l")
        if lost <= get("thirst.scale_kg", "kg"):
            continue
        newest = weight.at_utc
        dry = any(abs(at - weight.at_utc) <= near for at in seen)
        (wilted if dry else survived).append(lost)
    return wilted, survived, newest


class _SpotHours:
    """Weather of spots over spans of hours, each worked out once: a bench is weighed on the same mornings."""

    def __init__(self, holdings: Holdings, weather: WeatherTable, tables: Tables) -> None:
        self.holdings, self.weather, self.tables = holdings, weather, tables
        self._known: dict[tuple[int, int, str, float], tuple[SpotWeather, FloatArray, SpotTraits]] = {}

    def of(
        self, begin: int, end: int, place_id: str, extra_shade: float
    ) -> tuple[SpotWeather, FloatArray, SpotTraits]:
        """Weather at a spot, rain in the open, shape (1, H), and the spot's traits."""
        key = (begin, end, place_id, extra_shade)
        if key not in self._known:
            garden, tables = self.holdings.garden, self.tables
            span = self.weather.between(begin, end)
            spots = [Spot(self.holdings.places[place_id], extra_shade)]
            sun, traits = sun_of(span, garden, tables), spot_traits(spots, tables)
            outside = open_weather(span, sun, garden, None, span.hours)
            place = place_sun(spots, traits, sun)
            here = spot_weather(
                outside, span.start_utc, traits, place=place, sun=sun, garden=garden, tables=tables
            )
            self._known[key] = here, outside.rain_mm, traits
        return self._known[key]


class _Modelled:
    """Use of one tree by its size class, and rain that reached its pot, between two moments."""

    def __init__(
        self,
        holdings: Holdings,
        tree: Tree,
        spots: _SpotHours | None,
        warmth_by_place: Mapping[str, Warmth | None],
        tables: Tables,
        now_utc: datetime,
    ) -> None:
        self.holdings, self.tree, self.spots, self.tables = holdings, tree, spots, tables
        self.entries = journal_for(holdings, tree.id)
        stays = stays_of(tree, self.entries, holdings.garden, now_utc, holdings.places)
        self.warmth = spliced(warmth_by_place, stays)

    def between(self, from_utc: datetime, until_utc: datetime) -> tuple[float, float]:
        """Use with water at will, and rain into the pot [l]; NaN where any hour is not known."""
        if self.spots is None:
            return np.nan, np.nan
        weather = self.spots.weather
        first, last = weather.index_at(from_utc), weather.index_at(until_utc)
        if first < 0 or last >= weather.hours:
            return np.nan, np.nan
        begin = max(first - BEFORE_H, 0)
        use_l, rain_l = self._hourly(self.spots, begin, last + 1, from_utc)
        stamps = weather.start_utc[first : last + 1]
        hour = np.timedelta64(3600, "s")
        inside = np.minimum(stamps + hour, stamp_of(until_utc)) - np.maximum(stamps, stamp_of(from_utc))
        share = np.clip(inside / hour, 0.0, 1.0)
        counts = share > 0.0
        rows = slice(first - begin, None)
        used = float((use_l[rows] * share)[counts].sum())
        return used, float((rain_l[rows] * share)[counts].sum())

    def _hourly(
        self, spots: _SpotHours, begin: int, end: int, at_utc: datetime
    ) -> tuple[FloatArray, FloatArray]:
        tree, tables, garden = self.tree, self.tables, self.holdings.garden
        state = fold_state(
            tree,
            tables.species[tree.group_id],
            self.entries,
            self.warmth,
            garden,
            tables,
            at_utc,
            places=self.holdings.places,
        )
        here, rain_mm, traits = spots.of(begin, end, state.place_id, state.extra_shade)
        pots = pot_water([tree], [state], tables)
        use = water_use_l(here.reference_et_mm, pots)[0, 0]
        rain = rain_at_pots_mm(rain_mm, here.wind_m_s, traits.roofed, pots, tables)[0, 0]
        return use, litres_from_mm(rain, pot_top_area_m2(tree.pot, tables))
