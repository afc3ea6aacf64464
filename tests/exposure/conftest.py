"""Tables and the table of expected facts."""

import tomllib
from pathlib import Path

import pytest

from advisor.store.config_files import load_tables


@pytest.fixture(scope="session")
def tables():
    return load_tables()


@pytest.fixture(scope="session")
def facts():
    return tomllib.loads(Path(__file__).with_name("exposure_facts.toml").read_text(encoding="utf-8"))
