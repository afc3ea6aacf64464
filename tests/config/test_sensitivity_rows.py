"""config/sensitivity.toml: no pattern names nothing, words for every row, a weight for every kind."""

from __future__ import annotations

import shutil
import tomllib
from fnmatch import fnmatchcase
from pathlib import Path
from typing import get_args

import pytest

from advisor.advice.model import Kind
from advisor.errors import SettingsError
from advisor.garden.table_rows import matches_row, rows_of
from advisor.store.config_files import load_tables, read_tables

CONFIG = Path(__file__).resolve().parents[2] / "config"
DOCUMENT = tomllib.loads((CONFIG / "sensitivity.toml").read_text(encoding="utf-8"))


def names_in_files() -> set[str]:
    """Names of all number rows, gathered from the files themselves."""
    found = set()

    def walk(file: str, table: object, path: str) -> None:
        if isinstance(table, dict) and "value" in table and "unit" in table:
            found.add(f"{file} {path}")
        elif isinstance(table, dict):
            for key, inner in table.items():
                walk(file, inner, f"{path}.{key}" if path else key)
        elif isinstance(table, list):
            for place, inner in enumerate(table, 1):
                walk(file, inner, f"{path}[{place}]")

    for file in CONFIG.glob("*.toml"):
        walk(file.name, tomllib.loads(file.read_text(encoding="utf-8")), "")
    return found


def test_rows_are_named_as_they_stand_in_their_files():
    assert set(rows_of(load_tables())) == names_in_files()


@pytest.mark.parametrize("row", [row for measure in DOCUMENT["measure"] for row in measure["rows"]])
def test_every_pattern_names_some_row(row):
    assert any(fnmatchcase(name, row) for name in names_in_files())


def test_a_pattern_may_name_a_check_as_it_stands_in_its_file():
    assert matches_row("work.toml work.bend.check[2].numbers.strength", "work.toml work.bend.check[2].*")
    assert not matches_row("work.toml work.bend.check[3].numbers.max", "work.toml work.bend.check[2].*")


def test_every_measure_says_what_to_do():
    for measure in DOCUMENT["measure"]:
        assert 40 < len(measure["text"]) < 220, measure["rows"]
    assert DOCUMENT["measure"][-1]["rows"] == ["*"]


def test_every_kind_of_advice_has_a_weight():
    assert set(DOCUMENT["weight"]) == set(get_args(Kind))


def test_estimates_that_describe_trees_and_pots_state_a_range():
    """Definitions and words need none; traits, materials but for the open bench itself, and sizes do."""
    rows = rows_of(load_tables())
    bare = {
        name
        for name, number in rows.items()
        if name.startswith(("species.toml", "materials.toml", "sizes.toml"))
        and number.evidence in {"estimate", "from memory"}
        and (number.low is None or number.high is None)
    }
    assert {name for name in bare if not name.startswith("materials.toml shelter.")} == set()


def test_loader_wants_words_for_all_other_rows(tmp_path):
    folder = tmp_path / "config"
    shutil.copytree(CONFIG, folder, ignore=shutil.ignore_patterns("demo"))
    text = (folder / "sensitivity.toml").read_text(encoding="utf-8")
    (folder / "sensitivity.toml").write_text(text.replace('rows = ["*"]', 'rows = ["x"]'), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        read_tables(folder)
    (fault,) = caught.value.faults
    assert fault.file == "config/sensitivity.toml"
    assert '["*"]' in fault.wanted
