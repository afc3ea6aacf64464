"""The rows of all tables by name: list them, change one, and see which are read.

A row is named as it stands in its file: ``physics.toml water.pot_coefficient``,
``species.toml group.fagus.traits.leaf_limit_c``, ``work.toml work.bend.check[2].numbers.strength``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from fnmatch import fnmatchcase
from typing import Any

from advisor.garden.tables import FlagRule, SpeciesGroup, Tables, WorkRule
from advisor.units import Number, NumberTable

__all__ = ["ReadRows", "matches_row", "recording", "row_name", "rows_of", "with_number"]

Change = Callable[[NumberTable], NumberTable]


def row_name(table: NumberTable, key: str) -> str:
    """Return the name of a row: its file, and its path there."""
    return f"{table.name}.{key}" if " " in table.name else f"{table.name} {key}"


def matches_row(row: str, pattern: str) -> bool:
    """Return whether a pattern means the row: ``*`` stands for any run of characters, ``?`` for one."""
    return fnmatchcase(row, pattern.replace("[", "[[]"))


def rows_of(tables: Tables) -> dict[str, Number]:
    """Return every number row of ``tables`` by name, in the order of the tables."""
    return {row_name(table, key): table[key] for table in _number_tables(tables) for key in table}


def with_number(tables: Tables, row: str, number: Number) -> Tables:
    """Return tables in which one row holds another number; all else is shared.

    Raises
    ------
    KeyError
        No row has that name.
    """
    found = False

    def change(table: NumberTable) -> NumberTable:
        nonlocal found
        if not row.startswith(table.name):
            return table
        for key in table:
            if row_name(table, key) == row:
                found = True
                return table.with_row(key, number)
        return table

    changed = _mapped(tables, change)
    if not found:
        raise KeyError(row)
    return changed


@dataclass(slots=True)
class ReadRows:
    """Names of the rows that were read, by the step that read them."""

    by_step: dict[str, set[str]] = field(default_factory=dict)
    step: str = ""

    def note(self, row: str) -> None:
        """Note that the present step read ``row``."""
        self.by_step.setdefault(self.step, set()).add(row)

    def of(self, *steps: str) -> frozenset[str]:
        """Rows read by any of ``steps``."""
        return frozenset().union(*(self.by_step.get(step, set()) for step in steps))

    @property
    def all(self) -> frozenset[str]:
        """Rows read by any step."""
        return self.of(*self.by_step)


class _RecordingTable(NumberTable):
    """A table that notes which of its rows are read."""

    def __init__(self, table: NumberTable, read: ReadRows) -> None:
        super().__init__(table.name, {key: table[key] for key in table})
        self._read = read

    def __getitem__(self, key: str) -> Number:
        number = super().__getitem__(key)
        self._read.note(row_name(self, key))
        return number


def recording(tables: Tables, read: ReadRows) -> Tables:
    """Return the same tables, noting in ``read`` every row that is read."""
    return _mapped(tables, lambda table: _RecordingTable(table, read))


def _number_tables(tables: Tables) -> Iterator[NumberTable]:
    found: list[NumberTable] = []

    def see(table: NumberTable) -> NumberTable:
        found.append(table)
        return table

    _mapped(tables, see)
    return iter(found)


def _mapped(tables: Tables, change: Change) -> Tables:
    """Return ``tables`` with every number table changed, whatever field it stands in."""
    changed: dict[str, Any] = {}
    for each in fields(tables):
        value = getattr(tables, each.name)
        after = _changed(value, change)
        if after is not value:
            changed[each.name] = after
    return replace(tables, **changed)


def _changed(value: Any, change: Change) -> Any:
    if isinstance(value, NumberTable):
        return change(value)
    if isinstance(value, SpeciesGroup):
        traits = change(value.traits)
        return value if traits is value.traits else replace(value, traits=traits)
    if isinstance(value, FlagRule):
        numbers = change(value.numbers)
        return value if numbers is value.numbers else replace(value, numbers=numbers)
    if isinstance(value, WorkRule):
        checks = tuple(replace(check, numbers=change(check.numbers)) for check in value.checks)
        same = all(new.numbers is old.numbers for new, old in zip(checks, value.checks, strict=True))
        return value if same else replace(value, checks=checks)
    if isinstance(value, Mapping):
        members = {key: _changed(inner, change) for key, inner in value.items()}
        same = all(members[key] is value[key] for key in members)
        return value if same else members
    return value
