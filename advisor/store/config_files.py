"""The one loader of config/: TOML rows in, frozen tables out.

config/ ships inside the wheel as ``advisor/_config``; in a checkout the folder ``config`` beside the
package is used. Every fault is listed at once with file and key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Literal, cast, get_args

from advisor.errors import Fault, SettingsError
from advisor.garden.tables import (
    CheckRow,
    Effort,
    FlagRule,
    LeafHabit,
    MeasureRow,
    SpeciesGroup,
    Tables,
    WorkRule,
)
from advisor.units import EVIDENCE, UNITS, Evidence, Number, NumberTable

_NUMBER_KEYS = {"value", "unit", "evidence", "source", "low", "high", "note"}


def config_folder() -> Traversable:
    """Return config/: inside the installed package, or beside it in a checkout."""
    inside = resources.files("advisor") / "_config"
    if inside.is_dir():
        return inside
    beside = Path(__file__).resolve().parents[2] / "config"
    if beside.is_dir():
        return beside
    raise SettingsError(f"no config tables in {inside} nor in {beside}; install the package again")


class _Reader:
    """Reads rows, collecting faults instead of stopping at the first."""

    def __init__(self, folder: Traversable) -> None:
        self._folder = folder
        self.faults: list[Fault] = []
        self.numbers: list[tuple[str, str, Number]] = []

    def fault(self, file: str, key: str, found: str, wanted: str) -> None:
        self.faults.append(Fault(f"config/{file}", None, key, found, wanted))

    def document(self, file: str) -> dict[str, Any]:
        try:
            return tomllib.loads((self._folder / file).read_text(encoding="utf-8"))
        except FileNotFoundError:
            self.fault(file, "", "is missing", "restore it from the release")
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            self.fault(file, "", f"cannot be read: {error}", "mend the syntax")
        return {}

    def number(self, file: str, key: str, row: Mapping[str, Any]) -> Number | None:
        unknown = sorted(set(row) - _NUMBER_KEYS)
        if unknown:
            self.fault(file, key, f"unknown keys {unknown}", f"only {sorted(_NUMBER_KEYS)}")
        values = {name: row.get(name) for name in ("value", "low", "high")}
        for name, value in values.items():
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                self.fault(file, f"{key}.{name}", f"{value!r} is not a number", "a plain number")
                return None
        if values["value"] is None:
            self.fault(file, key, "has no value", "value = ..., unit, evidence, source")
            return None
        unit, evidence, source = (str(row.get(name, "")) for name in ("unit", "evidence", "source"))
        if unit not in UNITS:
            self.fault(file, f"{key}.unit", f"unknown unit {unit!r}", f"one of {sorted(UNITS)}")
        if evidence not in EVIDENCE:
            self.fault(file, f"{key}.evidence", f"{evidence!r}", f"one of {list(EVIDENCE)}")
        if not source:
            self.fault(file, f"{key}.source", "is missing", "an id of bibliography.toml")
        low, high = values["low"], values["high"]
        value = float(cast("float", values["value"]))
        number = Number(
            value,
            unit,
            cast("Evidence", evidence),
            source,
            None if low is None else float(low),
            None if high is None else float(high),
        )
        if (number.low is not None and number.low > value) or (
            number.high is not None and number.high < value
        ):
            self.fault(
                file, key, f"value {value} outside {number.low}..{number.high}", "low <= value <= high"
            )
        self.numbers.append((file, key, number))
        return number

    def table(self, file: str, rows: Mapping[str, Any], prefix: str) -> NumberTable:
        return NumberTable(f"{file} {prefix}".strip(), dict(self._flat(file, rows, prefix, "")))

    def _flat(
        self, file: str, rows: Mapping[str, Any], prefix: str, path: str
    ) -> Iterator[tuple[str, Number]]:
        for name, row in rows.items():
            key = f"{path}.{name}" if path else name
            full = f"{prefix}.{key}" if prefix else key
            if not isinstance(row, dict):
                self.fault(file, full, f"{row!r} is a bare value", "a row { value, unit, evidence, source }")
            elif "value" in row or "unit" in row:
                number = self.number(file, full, row)
                if number is not None:
                    yield key, number
            else:
                yield from self._flat(file, row, prefix, key)

    def words(self, file: str, key: str, row: Mapping[str, Any], name: str) -> tuple[str, ...]:
        found = row.get(name, [])
        if not isinstance(found, list) or not all(isinstance(word, str) for word in found):
            self.fault(file, f"{key}.{name}", f"{found!r}", "a list of words")
            return ()
        return tuple(found)

    def known(self, file: str, key: str, row: Mapping[str, Any], allowed: set[str]) -> None:
        for name in sorted(set(row) - allowed):
            self.fault(file, f"{key}.{name}", "is not a known key", f"one of {sorted(allowed)}")


def _species(reader: _Reader) -> dict[str, SpeciesGroup]:
    file, found = "species.toml", {}
    for group_id, row in reader.document(file).get("group", {}).items():
        key = f"group.{group_id}"
        reader.known(file, key, row, {"name", "species", "habit", "marks", "traits"})
        habit = row.get("habit", "")
        if habit not in get_args(LeafHabit):
            reader.fault(file, f"{key}.habit", f"{habit!r}", f"one of {list(get_args(LeafHabit))}")
        found[group_id] = SpeciesGroup(
            group_id,
            str(row.get("name", group_id)),
            reader.words(file, key, row, "species"),
            cast("LeafHabit", habit),
            reader.table(file, row.get("traits", {}), f"{key}.traits"),
            frozenset(reader.words(file, key, row, "marks")),
        )
    return found


def _flags(reader: _Reader) -> dict[str, FlagRule]:
    file, found = "aftercare.toml", {}
    for flag_id, row in reader.document(file).get("flag", {}).items():
        key = f"flag.{flag_id}"
        reader.known(
            file,
            key,
            row,
            {"name", "starts", "ends", "followed_by", "ends_by_time", "question", "answers", "water_note"}
            | {"keeps", "numbers"},
        )
        found[flag_id] = FlagRule(
            flag_id,
            str(row.get("name", flag_id)),
            reader.words(file, key, row, "starts"),
            reader.words(file, key, row, "ends"),
            str(row.get("followed_by", "")),
            bool(row.get("ends_by_time", True)),
            str(row.get("question", "")),
            reader.words(file, key, row, "answers"),
            str(row.get("water_note", "")),
            frozenset(reader.words(file, key, row, "keeps")),
            reader.table(file, row.get("numbers", {}), f"{key}.numbers"),
        )
    for flag in found.values():
        if flag.followed_by and flag.followed_by not in found:
            reader.fault(
                file, f"flag.{flag.id}.followed_by", f"{flag.followed_by!r}", f"one of {sorted(found)}"
            )
    return found


def _works(reader: _Reader, cautions: Mapping[str, str]) -> dict[str, WorkRule]:
    file, found = "work.toml", {}
    for work_id, row in reader.document(file).get("work", {}).items():
        key = f"work.{work_id}"
        reader.known(
            file,
            key,
            row,
            {"name", "entry", "check", "cautions", "prepare", "afterwards", "not_for"}
            | {"effort", "water_before", "day_before", "alternative_to", "with"},
        )
        effort = row.get("effort", "")
        if effort not in get_args(Effort):
            reader.fault(file, f"{key}.effort", f"{effort!r}", f"one of {list(get_args(Effort))}")
        checks = []
        for place, check in enumerate(row.get("check", []), 1):
            where = f"{key}.check[{place}]"
            reader.known(
                file,
                where,
                check,
                {"id", "kind", "gate", "text", "deciding", "shelter_mends", "numbers", "options"},
            )
            if check.get("gate") not in {"tree", "weather", "person"}:
                reader.fault(file, f"{where}.gate", f"{check.get('gate')!r}", "tree, weather or person")
            checks.append(
                CheckRow(
                    str(check.get("id", place)),
                    str(check.get("kind", "")),
                    cast("Literal['tree', 'weather', 'person']", check.get("gate", "tree")),
                    str(check.get("text", "")),
                    bool(check.get("deciding", True)),
                    bool(check.get("shelter_mends", False)),
                    reader.table(file, check.get("numbers", {}), f"{where}.numbers"),
                    dict(check.get("options", {})),
                )
            )
        ids = reader.words(file, key, row, "cautions")
        for caution in ids:
            if caution not in cautions:
                reader.fault(file, f"{key}.cautions", f"{caution!r}", f"one of {sorted(cautions)}")
        found[work_id] = WorkRule(
            work_id,
            str(row.get("name", work_id)),
            str(row.get("entry", "")),
            tuple(checks),
            ids,
            reader.words(file, key, row, "prepare"),
            reader.words(file, key, row, "afterwards"),
            {str(mark): str(why) for mark, why in row.get("not_for", {}).items()},
            effort,
            str(row.get("water_before", "")),
            reader.words(file, key, row, "day_before"),
            reader.words(file, key, row, "alternative_to"),
            _by_setting(reader, file, key, row.get("with", {})),
        )
    for rule in found.values():
        for other in rule.alternative_to:
            if other not in found:
                reader.fault(file, f"work.{rule.id}.alternative_to", f"{other!r}", f"one of {sorted(found)}")
    return found


_LISTS_BY_SETTING = ("prepare", "afterwards", "day_before")


def _by_setting(
    reader: _Reader, file: str, key: str, rows: Mapping[str, Mapping[str, Any]]
) -> dict[str, dict[str, dict[str, object]]]:
    """Return the words of a kind of work that are others with a setting of ``[practice]``."""
    found: dict[str, dict[str, dict[str, object]]] = {}
    for setting, by_value in rows.items():
        for value, row in by_value.items():
            where = f"{key}.with.{setting}.{value}"
            reader.known(file, where, row, {*_LISTS_BY_SETTING, "water_before"})
            words: dict[str, object] = {
                name: reader.words(file, where, row, name) for name in _LISTS_BY_SETTING if name in row
            }
            if "water_before" in row:
                words["water_before"] = str(row["water_before"])
            found.setdefault(setting, {})[value] = words
    return found


def _measures(reader: _Reader, rows: object) -> tuple[MeasureRow, ...]:
    file, found = "sensitivity.toml", []
    for place, row in enumerate(rows if isinstance(rows, list) else [], 1):
        key = f"measure[{place}]"
        reader.known(file, key, row, {"rows", "text"})
        found.append(MeasureRow(reader.words(file, key, row, "rows"), str(row.get("text", ""))))
    if not found or found[-1].rows != ("*",):
        reader.fault(file, "measure", "no last row for all others", 'a last [[measure]] with rows = ["*"]')
    return tuple(found)


def read_tables(folder: Traversable) -> Tables:
    """Read every table of ``folder``.

    Raises
    ------
    SettingsError
        With every fault found: file, key, what stands there, what would be right.
    """
    reader = _Reader(folder)
    bibliography = {
        source: str(row.get("text", ""))
        for source, row in reader.document("bibliography.toml").get("source", {}).items()
    }
    cautions = {
        caution: str(row.get("text", ""))
        for caution, row in reader.document("cautions.toml").get("caution", {}).items()
    }
    sizes = reader.document("sizes.toml").get("size", {})
    materials = reader.document("materials.toml")
    sensitivity = reader.document("sensitivity.toml")
    measures = _measures(reader, sensitivity.pop("measure", None))

    def rows(kind: str) -> dict[str, NumberTable]:
        return {
            name: reader.table("materials.toml", row, f"{kind}.{name}")
            for name, row in materials.get(kind, {}).items()
        }

    tables = Tables(
        species=_species(reader),
        sizes={name: reader.table("sizes.toml", row, f"size.{name}") for name, row in sizes.items()},
        walls=rows("wall"),
        substrates=rows("substrate"),
        grounds=rows("ground"),
        shelters={int(name): table for name, table in rows("shelter").items()},
        shapes=rows("shape"),
        flags=_flags(reader),
        works=_works(reader, cautions),
        limits=reader.table("limits.toml", reader.document("limits.toml"), ""),
        physics=reader.table("physics.toml", reader.document("physics.toml"), ""),
        climate=reader.table("climate.toml", reader.document("climate.toml"), ""),
        operation=reader.table("operation.toml", reader.document("operation.toml"), ""),
        cautions=cautions,
        bibliography=bibliography,
        phenology=reader.table("phenology.toml", reader.document("phenology.toml"), ""),
        sensitivity=reader.table("sensitivity.toml", sensitivity, ""),
        measures=measures,
    )
    for file, key, number in reader.numbers:
        if number.source and number.source not in bibliography:
            reader.fault(file, key, f"source {number.source!r} is not in bibliography.toml", "add it there")
    if reader.faults:
        raise SettingsError(reader.faults)
    return tables


@lru_cache(maxsize=1)
def load_tables() -> Tables:
    """Return the tables shipped with the advisor, read once per process."""
    return read_tables(config_folder())
