"""Every number in config/ says what it rests on; the loader lists every fault; code knows no species.

The TOML is read here with tomllib, not through the loader.
"""

from __future__ import annotations

import ast
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from advisor.errors import SettingsError
from advisor.store.config_files import read_tables

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "config"
FILES = sorted(path.name for path in CONFIG.glob("*.toml"))
EVIDENCE = {"published", "common practice", "estimate", "from memory"}  # the four words of the house style


def document(name: str) -> dict:
    return tomllib.loads((CONFIG / name).read_text(encoding="utf-8"))


def number_rows(table: object, path: str = "") -> Iterator[tuple[str, dict]]:
    if isinstance(table, dict):
        if "value" in table:
            yield path, table
            return
        for name, inner in table.items():
            yield from number_rows(inner, f"{path}.{name}")
    elif isinstance(table, list):
        for place, inner in enumerate(table, 1):
            yield from number_rows(inner, f"{path}[{place}]")


def bare_numbers(table: object, path: str = "") -> Iterator[str]:
    """Paths of numbers that stand outside a number row."""
    if isinstance(table, bool):
        return
    if isinstance(table, int | float):
        yield path
    elif isinstance(table, dict):
        if "value" not in table:
            for name, inner in table.items():
                yield from bare_numbers(inner, f"{path}.{name}")
    elif isinstance(table, list):
        for place, inner in enumerate(table, 1):
            yield from bare_numbers(inner, f"{path}[{place}]")


def test_tables_of_trees_and_materials_are_there():
    assert {"species.toml", "sizes.toml", "materials.toml", "climate.toml", "bibliography.toml"} <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_every_number_row_has_unit_evidence_and_a_source_that_resolves(name):
    sources = set(document("bibliography.toml")["source"])
    for path, row in number_rows(document(name)):
        where = f"{name}{path}"
        assert row.get("evidence") in EVIDENCE, where
        assert row.get("source") in sources, where
        assert row.get("unit"), where
        assert row.get("low", row["value"]) <= row["value"] <= row.get("high", row["value"]), where


@pytest.mark.parametrize("name", FILES)
def test_no_number_stands_without_its_row(name):
    assert list(bare_numbers(document(name))) == []


def test_every_source_says_author_or_kind_in_words():
    for source, row in document("bibliography.toml")["source"].items():
        assert len(row["text"]) > 15, source


def test_published_numbers_do_not_rest_on_house_or_memory():
    own = {"house", "memory", "growers"}
    for name in FILES:
        for path, row in number_rows(document(name)):
            assert not (row["evidence"] == "published" and row["source"] in own), f"{name}{path}"


# --- the loader ----------------------------------------------------------------------------------


def copy_of_config(folder: Path) -> Path:
    target = folder / "config"
    shutil.copytree(CONFIG, target, ignore=shutil.ignore_patterns("demo"))
    return target


def swap(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text
    (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")


def test_loader_reads_a_plain_copy(tmp_path):
    assert len(read_tables(copy_of_config(tmp_path)).species) >= 24


def test_loader_refuses_a_source_nobody_listed(tmp_path):
    folder = copy_of_config(tmp_path)
    swap(folder, "sizes.toml", 'source = "growers"', 'source = "hearsay"')
    with pytest.raises(SettingsError) as caught:
        read_tables(folder)
    (fault,) = caught.value.faults
    assert "sizes.toml" in fault.file
    assert "hearsay" in fault.found


def test_loader_lists_faults_of_several_files_at_once(tmp_path):
    folder = copy_of_config(tmp_path)
    swap(folder, "species.toml", 'habit = "deciduous"', 'habit = "decidous"')
    swap(folder, "sizes.toml", 'unit = "cm"', 'unit = "inch"')
    swap(folder, "materials.toml", 'evidence = "estimate"', 'evidence = "guess"')
    swap(folder, "climate.toml", "value = 25,", 'value = "25",')
    with pytest.raises(SettingsError) as caught:
        read_tables(folder)
    said = {(fault.file, fault.key.rsplit(".", 1)[-1]) for fault in caught.value.faults}
    assert said == {
        ("config/species.toml", "habit"),
        ("config/sizes.toml", "unit"),
        ("config/materials.toml", "evidence"),
        ("config/climate.toml", "value"),
    }


def test_loader_names_a_missing_and_a_broken_file(tmp_path):
    folder = copy_of_config(tmp_path)
    (folder / "sizes.toml").unlink()
    (folder / "climate.toml").write_text("[frost\n", encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        read_tables(folder)
    assert {"config/sizes.toml", "config/climate.toml"} <= {fault.file for fault in caught.value.faults}


# --- code knows no species -----------------------------------------------------------------------


def words_of_code(path: Path) -> Iterator[tuple[int, str]]:
    """Strings that the program can act on; docstrings and texts shown as examples are prose."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    prose = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in prose:
            yield node.lineno, node.value


def test_code_names_no_species_and_no_group():
    groups = document("species.toml")["group"]
    names = set(groups) | {name for group in groups.values() for name in group["species"]}
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text!r}"
        for path in sorted((ROOT / "advisor").rglob("*.py"))
        for line, text in words_of_code(path)
        if text.strip().lower() in names
    ]
    assert found == []
