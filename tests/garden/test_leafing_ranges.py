"""Stages of real years at real stations against published ranges; sources: leafing_ranges.toml."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from garden.observed_seasons import first_day, group_of, station_place, tables

from advisor.garden.phenology import StageModel
from advisor.garden.seasons import season_start
from advisor.garden.state_model import Stage

EXPECTED: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("leafing_ranges.toml").read_text(encoding="utf-8")
)
RANGES: list[dict[str, Any]] = EXPECTED["range"]


def _model(station: str, species: str) -> StageModel:
    garden, warmth = station_place(station)
    return StageModel(group_of(species), garden, warmth, tables().phenology)


def _first(station: str, species: str, stage: Stage, near: date) -> date:
    begin = season_start(near, station_place(station)[0].southern)
    autumn = stage.order >= Stage.AUTUMN_COLOUR.order
    begin += timedelta(days=181 if autumn else 0)
    return first_day(_model(station, species), stage, begin, 183 if autumn else 250)


@pytest.mark.parametrize(
    "row", RANGES, ids=[f"{row['station']}-{row['species']}-{row['stage']}" for row in RANGES]
)
def test_stage_at_a_station_begins_within_the_published_range(row: dict[str, Any]) -> None:
    assert row["source"]
    found = _first(row["station"], row["species"], Stage[row["stage"]], row["from"])
    assert row["from"] <= found <= row["until"]


def test_ranges_are_narrow_enough_to_fail() -> None:
    """At most two months each, and both hemispheres among them."""
    for row in RANGES:
        assert timedelta(days=10) <= row["until"] - row["from"] <= timedelta(days=80), row
    assert {station_place(row["station"])[0].southern for row in RANGES} == {True, False}


@pytest.mark.parametrize("station", EXPECTED["order"]["stations"])
def test_species_leaf_out_in_the_same_order_everywhere(station: str) -> None:
    _, warmth = station_place(station)
    middle = warmth.days[len(warmth.days) // 2]
    near = season_start(middle, station_place(station)[0].southern)
    days = [
        _first(station, species, Stage.LEAVES_UNFOLDING, near) for species in EXPECTED["order"]["species"]
    ]
    assert days == sorted(days)
    assert days[0] < days[-1]
