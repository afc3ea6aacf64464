"""Which estimate moves the advice: one tree, ten plain days, reasoned by hand in sensitivity_cases.toml."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from advisor.advice.sensitivity import Sensitivity
from advisor.garden.model import Crown, Garden, Holdings, JournalEntry, Place, Pot, Tree
from advisor.garden.table_rows import rows_of, with_number
from advisor.garden.tables import Tables
from advisor.service.evaluate import AlertSettings
from advisor.service.sensitivity import sensitivity
from advisor.store.config_files import load_tables
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import Provenance, WeatherTable

CASES = tomllib.loads(Path(__file__).with_name("sensitivity_cases.toml").read_text(encoding="utf-8"))
GARDEN = Garden("Yard", 48.0, 0.0, 100.0, "Etc/UTC")
BEGIN = datetime(2023, 7, 8, tzinfo=UTC)
MORNINGS = tuple(BEGIN + timedelta(days=4 + n, hours=6) for n in range(CASES["garden"]["mornings"]))


@cache
def plain_days() -> WeatherTable:
    """Ten clear days as the cases tell them; radiation, gusts and the rest are worked out."""
    hour = np.arange(240)
    values = {
        "air_temperature_c": 22.0 + 6.0 * np.cos((hour + 0.5 - 15.0) * np.pi / 12.0),
        "dew_point_c": np.full(240, 10.0),
        "wind_speed_10m_m_s": np.full(240, 2.5),
        "rain_mm": np.zeros(240),
        "cloud_cover_pct": np.full(240, 5.0),
    }
    table = WeatherTable(
        np.datetime64(BEGIN.replace(tzinfo=None), "s") + hour * np.timedelta64(3600, "s"),
        values,
        Provenance("invented", None, BEGIN),
    )
    physics = load_tables().physics
    return complete(
        table,
        GARDEN.latitude_deg,
        GARDEN.longitude_deg,
        GARDEN.elevation_m,
        derive=DeriveNumbers.from_numbers(physics),
        quality=QualityNumbers.from_numbers(physics),
    )


def tree(tree_id: str, species: str) -> Tree:
    pot = Pot(3.2, 30.0, 22.0, 6.0, "rectangle", "glazed-dark")
    group = load_tables().group_of(species)
    assert group is not None
    return Tree(
        tree_id, tree_id, species, group.id, "bench", "chuhin", pot, Crown(35.0, 30.0), "pumice", strength=4
    )


def holdings(*species: str) -> Holdings:
    trees = tuple(tree(f"t{n}", name) for n, name in enumerate(species or (CASES["garden"]["species"],)))
    seen = tuple(
        JournalEntry(BEGIN + timedelta(hours=8), one.id, "leaves-hard", None, "", "", n + 2, n)
        for n, one in enumerate(trees)
    )
    return Holdings(GARDEN, {"bench": Place("bench", "Bench")}, trees, seen)


def run(tables: Tables | None = None, own: Holdings | None = None, **options) -> Sensitivity:
    kept = own or holdings()
    return sensitivity(
        lambda tables: kept,
        tables or load_tables(),
        plain_days(),
        options.pop("mornings", MORNINGS),
        AlertSettings("even", "22:00", "06:00"),
        **options,
    )


@cache
def plain() -> Sensitivity:
    return run(only=("species.toml *", "limits.toml *", "materials.toml wall*", "aftercare.toml *"))


def found(result: Sensitivity) -> dict:
    return {row.row: row for row in result.rows}


@pytest.mark.parametrize("case", CASES["matters"], ids=lambda case: case["row"].rsplit(".", 1)[1])
def test_a_range_that_crosses_the_day_moves_the_advice(case):
    row = found(plain())[case["row"]]
    assert {kind: days for kind, days in row.days.items() if days} == case["days"]
    (end,) = row.ends
    assert end.value == case["low"]
    assert end.changes["shade"].more >= case["days"]["shade"]
    assert end.changes["shade"].fewer == 0
    assert end.shade_h > 0.0
    assert row.score == max(one.score for one in plain().rows), "nothing else moves so much here"


@pytest.mark.parametrize("case", CASES["does_not_matter"], ids=lambda case: case["row"].rsplit(".", 1)[1])
def test_a_range_far_from_the_day_moves_nothing(case):
    row = found(plain()).get(case["row"])
    assert row is None or (row.score == 0.0 and not any(row.days.values())), "not read, or read in vain"


@pytest.mark.parametrize("case", CASES["never_read"], ids=lambda case: case["row"].rsplit(".", 1)[1])
def test_a_row_that_nothing_reads_is_not_varied(case):
    assert case["row"] in rows_of(load_tables())
    assert case["row"] not in found(plain())
    assert case["row"] not in plain().no_range


@pytest.mark.parametrize("case", CASES["no_range"], ids=lambda case: case["row"].rsplit(".", 1)[1])
def test_a_row_without_a_range_is_named_and_not_varied(case):
    assert case["row"] in plain().no_range
    assert case["row"] not in found(plain())


@pytest.mark.parametrize("case", CASES["wider"], ids=lambda case: case["row"].rsplit(".", 1)[1])
def test_a_wider_range_never_lowers_the_score(case):
    tables, days, scores = load_tables(), [], []
    number = rows_of(tables)[case["row"]]
    for low in case["lows"]:
        varied = with_number(tables, case["row"], replace(number, low=low))
        row = found(run(varied, only=(case["row"],)))[case["row"]]
        days.append(row.days.get("shade", 0))
        scores.append(row.score)
    assert days == case["days_of_shade"]
    assert scores == sorted(scores)


def test_only_estimates_and_memory_are_varied_unless_all_are_asked_for():
    rows = rows_of(load_tables())
    evidence = {rows[row.row].evidence for row in plain().rows}
    assert evidence <= {"estimate", "from memory"}
    pattern = ("physics.toml water.*",)
    wide = run(only=pattern, every_row=True, mornings=MORNINGS[:1])
    assert "published" in {rows[row.row].evidence for row in wide.rows}


def test_result_does_not_depend_on_the_order_of_trees_or_mornings():
    pattern = ("species.toml *", "limits.toml heat.*")
    two = holdings("zelkova-serrata", "carpinus-betulus")
    turned = replace(two, trees=two.trees[::-1], journal=two.journal[::-1])
    one_way = run(own=two, only=pattern, mornings=MORNINGS[:2])
    other_way = run(own=turned, only=pattern, mornings=MORNINGS[:2][::-1])
    assert [(row.row, row.score, row.days) for row in one_way.rows] == [
        (row.row, row.score, row.days) for row in other_way.rows
    ]


def test_what_is_reused_does_not_change_the_result():
    """Each variation by the whole evaluation, as a pass does it, gives the same advice as the short way."""
    from advisor.service.sensitivity_morning import Morning

    tables = load_tables()
    two = holdings("zelkova-serrata", "carpinus-betulus")

    def afresh(by: Tables) -> Morning:
        return Morning(lambda tables: two, by, plain_days(), MORNINGS[0], AlertSettings())

    morning, checked = afresh(tables), 0
    physics = [f"physics.toml {key}" for key in ("water.pot_coefficient", "night_cooling.bench_k")]
    species = sorted(row for row in morning.read if row.startswith("species.toml "))
    others = sorted(morning.read - set(species))
    for row in (*physics, *species[::4], *others[::25]):
        number = rows_of(tables)[row]
        for value in {number.low, number.high} - {None, number.value}:
            morning.prepare([(row, value)])
            varied = with_number(tables, row, replace(number, value=value))
            assert morning.with_row(row, value) == afresh(varied).advice, (row, value)
            checked += 1
    assert checked > 30


def test_interrupted_it_keeps_what_is_known():
    said: list[str] = []

    def interrupt(line: str) -> None:
        said.append(line)
        if len(said) == 3:
            raise KeyboardInterrupt

    result = run(report=interrupt, only=("species.toml *",))
    assert not result.complete
    assert 0 < len(result.mornings) < len(MORNINGS)
    assert result.rows


def test_how_to_measure_is_told_for_every_row():
    assert all(row.measure for row in plain().rows)
    top = found(plain())["species.toml group.zelkova.traits.vpd_limit_kpa"]
    assert "leaf" in top.measure or "leaves" in top.measure


def test_morning_times_are_local_days_apart():
    from advisor.service.sensitivity import mornings_between

    zone = replace(GARDEN, timezone="Europe/Berlin").zone
    found = mornings_between(date(2023, 3, 20), date(2023, 4, 3), 7, time(6), zone)
    assert [at.astimezone(zone).strftime("%m-%d %H:%M") for at in found] == [
        "03-20 06:00",
        "03-27 06:00",
        "04-03 06:00",
    ]
