"""Small gardens for the cases of the plan: the trees of a row, in the simple weather of ``work_builders``."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from advice.work_builders import ZONE, Weather, make_situation, make_state, make_tree

from advisor.advice.model import AlertEvent, Situation
from advisor.advice.plan_model import PlannedSession
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.store.config_files import load_tables

SETTINGS = ("works_per_day", "light_works_per_day", "major_works_per_season")
WET_HOURS = (9, 11, 14, 17)


def tables_telling(tell: dict[str, list[str]]) -> Tables:
    """Return the shipped tables with other stages in which a kind of work is told."""
    tables = load_tables()
    works = dict(tables.works)
    for work, stages in tell.items():
        checks = tuple(
            replace(row, options={**row.options, "tell": stages}) if row.kind == "stage" else row
            for row in works[work].checks
        )
        works[work] = replace(works[work], checks=checks)
    return replace(tables, works=works)


def garden_of(case: dict[str, Any]) -> Situation:
    """Return the situation of a row of plan_cases.toml, with its warnings."""
    tables = tables_telling(case["tell"]) if "tell" in case else load_tables()
    now = datetime.fromisoformat(case.get("now", "2026-06-20T06:00")).replace(tzinfo=ZoneInfo(ZONE))
    now = now.astimezone(UTC)
    rain = [(day, hour, 8.0) for day in case.get("rain_days", []) for hour in WET_HOURS]
    weather = Weather(
        **{key: float(value) for key, value in case.get("weather", {}).items()},
        days={int(day): values for day, values in case.get("days", {}).items()},
        rain=rain,
    )
    states: dict[str, TreeState] = {}
    for row in case["tree"]:
        strength = row.get("strength", 4) or None
        tree = make_tree(row["species"], tables, strength=strength, tree_id=row["id"])
        states[tree.id] = make_state(
            tree,
            tables,
            now,
            stage=row.get("stage", "LEAVES_HARD"),
            known=row.get("known", "seen"),
            events=row.get("events", [["leaves-hard", 10]]),
            flags=row.get("flags", []),
            leaves_hard_seen=row.get("stage", "LEAVES_HARD") == "LEAVES_HARD",
            leaf_share=float(row.get("leaf_share", 1.0)),
        )
    frost = case.get("frost", "2026-10-12")
    situation = make_situation(
        states,
        None if case.get("no_weather") else weather,
        now,
        tables,
        frost=None if frost == "none" else date.fromisoformat(frost),
        latitude=float(case.get("latitude", 47.9)),
    )
    settings = {key: case[key] for key in SETTINGS if key in case}
    garden = replace(situation.holdings.garden, **settings)
    situation = replace(situation, holdings=replace(situation.holdings, garden=garden))
    return replace(situation, warnings=_heat(case.get("heat"), situation))


def _heat(row: dict[str, Any] | None, situation: Situation) -> tuple[AlertEvent, ...]:
    if row is None:
        return ()
    first, last = (situation.day + timedelta(days=row[key]) for key in ("first", "last"))
    now = situation.now_utc
    return (AlertEvent("heat", first, last, tuple(row["trees"]), (), "heat", (), 1.0, False, now, now),)


def told(session: PlannedSession, today: date) -> tuple[int, str, str, frozenset[str]]:
    """Return (day, tree, work it is planned for, all works): what a row of the cases says."""
    return (session.day - today).days, session.tree_id, session.work, frozenset(session.works)


def wanted(row: str) -> tuple[int, str, str, frozenset[str]]:
    """Read ``DAY TREE WORK+WORK``."""
    day, tree, works = row.split()
    names = works.split("+")
    return int(day), tree, names[0], frozenset(names)
