"""Where growers disagree: what this grower does, and the tables read by it.

Rows of config/ that hold for one side only carry ``only_with = { SETTING = [values] }``; numbers of a state
stand under ``SETTING.VALUE``; words of a kind of work under ``with.SETTING.VALUE``. Tables that nobody has
read by a practice hold for the defaults.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Any, Literal, cast

from advisor.garden.tables import CheckRow, FlagRule, Tables, WorkRule
from advisor.units import NumberTable

__all__ = ["SETTINGS", "Practice", "practised", "said_by", "usual"]


@dataclass(frozen=True, slots=True)
class Practice:
    """``[practice]`` of the garden file. Defaults are the careful side.

    ``given`` names the settings that the grower wrote.
    """

    defoliate_in_repotting_year: Literal["never", "vigorous"] = "never"
    big_cuts: Literal["both", "summer", "late-winter"] = "both"
    bleeders_in_leaf_fall: Literal["never", "two-weeks"] = "never"
    water_before_wiring: Literal["evening-before", "slightly-dry", "before-work"] = "evening-before"
    feed_after_defoliation: Literal["new-leaves", "weeks", "throughout"] = "new-leaves"
    feed_after_repotting: Literal["four-weeks", "three-weeks"] = "four-weeks"
    lime_wood: Literal["dry", "wet"] = "dry"
    seal: Literal["big-cuts", "thin-bark", "never"] = "big-cuts"
    given: frozenset[str] = field(default_factory=frozenset)

    def holds(self, wanted: Mapping[str, Sequence[str]]) -> bool:
        """True when every setting named has one of its values."""
        return all(getattr(self, name) in values for name, values in wanted.items())

    def words(self, wanted: Mapping[str, Sequence[str]]) -> str:
        """Say which settings speak: ``by your setting seal = "never"``."""
        said = []
        for name in wanted:
            value = f'{name} = "{getattr(self, name)}"'
            said.append(
                f"by your setting {value}" if name in self.given else f"setting {value}, the careful side"
            )
        return " and ".join(said)


SETTINGS: tuple[str, ...] = tuple(each.name for each in fields(Practice) if each.name != "given")

_USUAL = Practice()


def _wanted(options: Mapping[str, object]) -> Mapping[str, Sequence[str]]:
    return cast("Mapping[str, Sequence[str]]", options.get("only_with", {}))


def usual(options: Mapping[str, object]) -> bool:
    """True unless a row is one of settings that are not the default; rows read by a practice always."""
    return "only_with" not in options or _USUAL.holds(_wanted(options))


def said_by(options: Mapping[str, object]) -> str:
    """Say by which settings a row counts; empty where it counts for everybody."""
    said = options.get("by_setting")
    return str(said) if said is not None else _USUAL.words(_wanted(options))


@lru_cache(maxsize=4)
def practised(tables: Tables, practice: Practice) -> Tables:
    """Return the tables as they hold for one grower; rows of other settings are gone.

    Parameters
    ----------
    tables : Tables
        As loaded; tables read by the same practice come back equal.
    practice : Practice

    Remembered by the identity of ``tables``: every pass asks for those of the one garden.
    """
    return replace(
        tables,
        works={name: _work(rule, practice) for name, rule in tables.works.items()},
        flags={name: _flag(rule, practice) for name, rule in tables.flags.items()},
    )


def _resolved(options: Mapping[str, Any], practice: Practice) -> dict[str, Any] | None:
    """Return options without ``only_with``; None where they are those of another practice."""
    wanted = _wanted(options)
    if not practice.holds(wanted):
        return None
    kept = {name: value for name, value in options.items() if name != "only_with"}
    if wanted:
        kept["by_setting"] = practice.words(wanted)
    if "by" in kept:
        rows = (_resolved(row, practice) for row in kept["by"])
        kept["by"] = [row for row in rows if row is not None]
    return kept


def _row(row: CheckRow, practice: Practice) -> CheckRow | None:
    options = _resolved(row.options, practice)
    return None if options is None else replace(row, options=options)


def _work(rule: WorkRule, practice: Practice) -> WorkRule:
    rows = (_row(row, practice) for row in rule.checks)
    words: dict[str, Any] = {}
    for name, by_value in rule.by_setting.items():
        words |= by_value.get(getattr(practice, name), {})
    return replace(rule, checks=tuple(row for row in rows if row is not None), **words)


def _flag(rule: FlagRule, practice: Practice) -> FlagRule:
    plain = [key for key in rule.numbers if key.partition(".")[0] not in SETTINGS]
    if len(plain) == len(rule.numbers):
        return rule
    chosen = {f"{name}.{getattr(practice, name)}": name for name in SETTINGS}
    numbers = {key: rule.numbers[key] for key in plain}
    for key in rule.numbers:
        side, _, name = key.rpartition(".")
        if side in chosen:
            numbers[name] = rule.numbers[key]
    return replace(rule, numbers=NumberTable(rule.numbers.name, numbers))
