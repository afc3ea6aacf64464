"""A new garden folder passes its own check, and never overwrites anything."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import pytest

from advisor.errors import SettingsError, StoreError
from advisor.store.config_files import load_tables
from advisor.store.garden_files import load_holdings, parse_garden
from advisor.store.service_files import load_service, parse_service
from advisor.store.starter import STARTER_FILES, write_starter

NOW = datetime(2026, 7, 1, 10, tzinfo=UTC)


def uncommented(text: str) -> str:
    """The text with its commented-out tables and keys put in force."""
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_code = line.startswith("# ") and (
            bare.startswith("[") or (" = " in bare and bare.split(" = ")[0].isidentifier())
        )
        lines.append(bare if is_code else line)
    return "\n".join(lines)


def test_starter_passes_the_check(tmp_path):
    paths = write_starter(tmp_path / "new" / "garden")
    assert sorted(path.name for path in paths) == ["garden.toml", "journal.csv", "service.toml"]
    assert sorted(path.name for path in paths[0].parent.iterdir()) == [
        "garden.toml",
        "journal.csv",
        "service.toml",
    ]
    holdings, faults = load_holdings(tmp_path / "new" / "garden", load_tables(), NOW)
    assert faults == ()
    assert holdings is not None
    assert len(holdings.trees) == 1
    assert load_service(tmp_path / "new" / "garden" / "service.toml").mail is None


def test_examples_in_comments_are_right_too():
    garden = parse_garden(uncommented(STARTER_FILES["garden.toml"]), load_tables())
    assert garden.faults == ()
    assert [tree.id for tree in garden.trees] == ["first", "ember"]
    assert list(garden.places) == ["south-bench", "shed"]
    assert parse_service(uncommented(STARTER_FILES["service.toml"])).mail is not None


@pytest.mark.parametrize("name", ["garden.toml", "service.toml", "journal.csv"])
def test_starter_never_overwrites(tmp_path, name):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    with pytest.raises(SettingsError, match=name):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"


def test_starter_on_a_file_is_refused(tmp_path):
    (tmp_path / "thing").write_text("mine", encoding="utf-8")
    with pytest.raises(SettingsError, match="not a folder"):
        write_starter(tmp_path / "thing")


def test_starter_that_fails_half_way_leaves_nothing(tmp_path, monkeypatch):
    links = []

    def link(source, target):
        links.append(target)
        if len(links) == 2:
            raise OSError(28, "No space left on device")
        real(source, target)

    real = os.link
    monkeypatch.setattr(os, "link", link)
    with pytest.raises(StoreError, match="No space"):
        write_starter(tmp_path / "garden")
    assert list(tmp_path.iterdir()) == []
