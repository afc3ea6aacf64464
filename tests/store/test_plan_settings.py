"""The grower's settings for the plan: read as written, and a slip answered with line and key."""

from __future__ import annotations

import pytest

from advisor.store.config_files import load_tables
from advisor.store.garden_files import parse_garden

GARDEN = """\
[garden]
latitude = 47.9
longitude = 8.2
elevation_m = 640
timezone = "Europe/Berlin"
"""


def test_plan_settings_are_read_and_may_be_left_out():
    given = parse_garden(
        GARDEN + "works_per_day = 3\nlight_works_per_day = 1\nmajor_works_per_season = 2\n", load_tables()
    ).garden
    assert given is not None
    assert (given.works_per_day, given.light_works_per_day, given.major_works_per_season) == (3, 1, 2)
    silent = parse_garden(GARDEN, load_tables()).garden
    assert silent is not None
    assert (silent.works_per_day, silent.light_works_per_day, silent.major_works_per_season) == (None,) * 3


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("works_per_day = 0", "works_per_day"),
        ("works_per_day = -1", "works_per_day"),
        ("works_per_day = 2.5", "works_per_day"),
        ('works_per_day = "two"', "works_per_day"),
        ("works_per_day = true", "works_per_day"),
        ("works_per_day = 51", "works_per_day"),
        ("light_works_per_day = 0", "light_works_per_day"),
        ("major_works_per_season = 3", "major_works_per_season"),
        ("work_per_day = 2", "work_per_day"),
    ],
)
def test_plan_setting_wrong_value_names_line_key_and_what_to_write(line, key):
    found = parse_garden(GARDEN + line + "\n", load_tables())
    (fault,) = found.faults
    assert (fault.file, fault.line, fault.key) == ("garden.toml", 6, f"garden.{key}")
    assert fault.wanted
    assert found.fatal, "what [garden] says holds for everything, so the last good copy is used"
