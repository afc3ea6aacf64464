"""The checks that rows of config/work.toml may name, and which rows apply to a tree.

A kind of work is rows of data; code is needed only for a new kind of check, which is added here.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from advisor.advice import checks_hazard, checks_person, checks_tree, checks_weather, checks_year, season
from advisor.advice.model import Check, Gate, Situation
from advisor.advice.work_case import WorkCase, is_own, matches, option_words
from advisor.errors import SettingsError
from advisor.garden.practice import usual
from advisor.garden.state_model import TreeState
from advisor.garden.tables import CheckRow, WorkRule

__all__ = [
    "CHECKS",
    "GATES",
    "LASTING",
    "OF_PLACE",
    "OF_PLACE_BY_DAY",
    "OF_THE_DAY",
    "STILL",
    "Rows",
    "applying_rows",
    "rows_apart",
    "run_check",
    "says_the_same",
]

CHECKS: Mapping[str, Callable[[WorkCase], Check]] = {
    "stage": checks_tree.stage,
    "since-seen": checks_tree.since_seen,
    "strength": checks_tree.strength,
    "practice": checks_tree.practice,
    "spacing": checks_tree.spacing,
    "flags": checks_tree.flags,
    "to-end": checks_tree.to_end,
    "heat-rest": checks_hazard.heat_rest,
    "heat-wave": checks_hazard.heat_wave,
    "warning": checks_hazard.warning,
    "leaf-left": checks_tree.leaf_left,
    "water": checks_tree.water,
    "season": season.season,
    "before": checks_weather.before,
    "during": checks_weather.during,
    "after": checks_weather.after,
    "sap-pressure": checks_weather.sap_pressure,
    "thunder": checks_weather.thunder,
    "aftercare-place": checks_weather.aftercare_place,
    "hot-days": checks_weather.hot_days,
    "major-works": checks_year.major_works,
    "winter-part": checks_year.winter_part,
    "feed-pause": checks_year.feed_pause,
    "day-part": checks_year.day_part,
    "time-left": checks_person.time_left,
}
"""By the ``kind`` of a row. A test asserts that every kind in config/ is here and every one here is used."""

GATES: tuple[Gate, ...] = ("tree", "weather", "person")

LASTING = frozenset({"stage", "strength", "practice"})
"""Kinds that look at the tree as it is now: what they rule out on a day they rule out on every later one."""

OF_THE_DAY = LASTING | {
    "since-seen", "spacing", "flags", "to-end", "heat-rest", "heat-wave", "warning", "leaf-left",
    "season", "major-works", "winter-part", "feed-pause",
}  # fmt: skip
"""Kinds that look at the tree on a day: both half days have the same answer."""

OF_PLACE = frozenset(
    {
        "before", "during", "after", "sap-pressure", "thunder", "hot-days", "aftercare-place", "day-part",
        "time-left",
    }
)  # fmt: skip
"""Kinds that look at weather, place and clock: trees side by side have the same answer, unless the
variable of the row is the tree's own or a number of the row is for some species only."""


OF_PLACE_BY_DAY = frozenset({"season", "winter-part"})
"""Kinds of the day that look at species and place alone: trees of a kind side by side share the answer."""

STILL: Mapping[str, Callable[[WorkCase], bool]] = {
    "stage": checks_tree.not_stripped,
    "since-seen": checks_tree.unseen,
    "strength": checks_tree.not_stripped,
    "practice": checks_tree.not_stripped,
    "spacing": checks_tree.no_stress_logged,
    "flags": checks_tree.no_flag_named,
    "to-end": checks_tree.begun_nothing,
    "heat-rest": checks_hazard.no_heat_known,
    "heat-wave": checks_hazard.no_heat,
    "warning": checks_hazard.no_warning,
    "leaf-left": checks_tree.not_stripped,
    "major-works": checks_year.no_major_works,
    "feed-pause": checks_year.feed_always,
}
"""Kinds of the day whose answer, words and all, is the same from today on for a tree of which this is true:
what would move with the days is not there."""


Scope = Literal["day", "place", "own"]
"""What a check looks at: the tree on a day; the weather of its place; the tree in its half day."""


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of a kind of work that mean a tree, gate by gate, and by whose answer theirs is.

    ``of_day`` and ``of_half`` are the places in ``rows`` of those that look at the day and at a half day;
    ``seasons`` are its rows of the season.
    """

    rows: tuple[CheckRow, ...]
    scopes: tuple[Scope, ...]
    of_day: tuple[int, ...]
    of_half: tuple[int, ...]
    seasons: tuple[CheckRow, ...]


def applying_rows(situation: Situation, rule: WorkRule, state: TreeState) -> tuple[CheckRow, ...]:
    """Return the rows of a kind of work that mean this tree, gate by gate: tree, weather, person.

    Options ``only_for`` and ``not_for`` (selectors), ``only_stage`` and ``not_stage``; the number
    ``from_height`` is the least height of the crown. Rows of a practice that is not the grower's are gone
    from tables read by it (``garden.practice``); in tables as loaded those of the defaults count.
    """
    return rows_apart(situation, rule, state).rows


def rows_apart(situation: Situation, rule: WorkRule, state: TreeState) -> Rows:
    """Return the rows of a kind of work that mean this tree, told apart by whose answer theirs is."""
    tree, stage = state.tree, state.stage.stage.name
    by_height = situation.once(("rows_by_height", rule.id), lambda: _by_height(rule))
    kind = (rule.id, tree.species_id, tree.group_id, tree.crown.height_cm if by_height else None)

    def work() -> Rows:
        in_any_stage = situation.once(("rows_of_kind", *kind), lambda: _rows_of_kind(rule, state))
        return _told_apart([row for row in in_any_stage if _in_stage(row, stage)])

    return situation.once(("rows_apart", *kind, stage), work)


def _by_height(rule: WorkRule) -> bool:
    return any("from_height" in row.numbers for row in rule.checks)


def _means(row: CheckRow, state: TreeState) -> bool:
    """True when the row means this tree in some stage (selectors, least height)."""
    if not usual(row.options):
        return False
    group, species = state.group, state.tree.species_id
    only, never = option_words(row, "only_for"), option_words(row, "not_for")
    if only and not any(matches(word, group, species) for word in only):
        return False
    if any(matches(word, group, species) for word in never):
        return False
    if "from_height" in row.numbers:
        return state.tree.crown.height_cm >= row.numbers.value("from_height", "cm")
    return True


def _in_stage(row: CheckRow, stage: str) -> bool:
    stages = option_words(row, "only_stage")
    return (not stages or stage in stages) and stage not in option_words(row, "not_stage")


def _rows_of_kind(rule: WorkRule, state: TreeState) -> list[CheckRow]:
    return [row for gate in GATES for row in rule.checks if row.gate == gate and _means(row, state)]


def _told_apart(rows: Sequence[CheckRow]) -> Rows:
    scopes = tuple(_scope(row) for row in rows)
    places = {
        scope: [n for n, found in enumerate(scopes) if found == scope] for scope in ("day", "place", "own")
    }
    return Rows(
        tuple(rows),
        scopes,
        tuple(places["day"]),
        (*places["place"], *places["own"]),
        tuple(row for row in rows if row.kind == "season"),
    )


def _scope(row: CheckRow) -> Scope:
    if row.kind in OF_THE_DAY:
        return "day"
    return "place" if row.kind in OF_PLACE and not is_own(_variable(row)) else "own"


def _variable(row: CheckRow) -> str:
    return str(row.options.get("variable", "bench-air"))


def run_check(case: WorkCase) -> Check:
    """Run the check of a row, or return what it said of another tree side by side.

    Raises
    ------
    SettingsError
        The row names a kind of check that does not exist.
    """
    row = case.row
    kind = CHECKS.get(row.kind)
    if kind is None:
        raise SettingsError(
            f"config/work.toml: work.{case.rule.id}, check {row.id!r}: unknown kind {row.kind!r};"
            f" one of {sorted(CHECKS)}"
        )
    shared = _shared_by(case)
    if shared is None:
        return kind(case)
    return case.situation.once(("run_check", id(row), *shared), lambda: kind(case))


def _shared_by(case: WorkCase) -> tuple[Hashable, ...] | None:
    """Return what the answer of a row of place and weather depends on; None for what a tree has to itself."""
    row, state = case.row, case.state
    tree = state.tree
    if row.kind in OF_PLACE_BY_DAY:
        return (case.day, state.place_id, state.extra_shade, tree.species_id, tree.group_id)
    if row.kind in OF_THE_DAY or _scope(row) == "own":
        return None
    kind = (tree.species_id, tree.group_id) if any("." in name for name in row.numbers) else ()
    return (case.day, case.from_utc, case.until_utc, state.place_id, state.extra_shade, kind)


def says_the_same(case: WorkCase) -> bool:
    """True where the row of a case says the same of the tree on every day from today on."""
    nothing_moves = STILL.get(case.row.kind)
    return nothing_moves is not None and nothing_moves(case)
