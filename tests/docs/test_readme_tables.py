"""What the README lists is what there is: registries, files and rows against its tables.

The README is read as any reader would read it: a table under a heading, its first column in backticks.
"""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

from advisor.advice.alerts import ALERTS
from advisor.advice.registry import RULES
from advisor.cli import main
from advisor.delivery.registry import CHANNELS
from advisor.exposure.model import HOURLY
from advisor.message.parts.registry import PARTS
from advisor.service.queue import HAZARDS
from advisor.sources.registry import OBSERVATION_SOURCES, SOURCES
from advisor.store import garden_rows, service_rows
from advisor.store.journal_words import ENTRIES, RETRACTED
from advisor.weather.csv_out import COLUMNS as WEATHER_COLUMNS

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PACKAGE = ROOT / "advisor"


def table_under(heading: str) -> list[str]:
    """Return the ids of the first column of the first table under a heading."""
    pieces = re.split(r"^#+ +(.+)$", README, flags=re.MULTILINE)
    bodies = dict(zip(pieces[1::2], pieces[2::2], strict=True))
    assert heading in bodies, f"README.md has no heading {heading!r}"
    rows: list[str] = []
    for line in bodies[heading].splitlines():
        if line.startswith("|"):
            rows.append(line)
        elif rows:
            break
    ids = [match[1] for row in rows if (match := re.match(r"\|\s*`([^`]+)`", row))]
    assert len(ids) == len(rows) - 2, f"{heading}: every row begins with an id in backticks"
    assert len(ids) == len(set(ids)), f"{heading}: a row stands twice"
    return ids


def functions(path: Path) -> list[ast.FunctionDef]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node for node in tree.body if isinstance(node, ast.FunctionDef)]


def test_weather_sources_registry_files_and_readme_agree():
    files = set()
    for path in (PACKAGE / "sources").glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "ID":
                files.add(ast.literal_eval(node.value))
    assert set(SOURCES) == set(table_under("Weather sources"))
    assert set(OBSERVATION_SOURCES) == set(table_under("Observation sources"))
    assert {*SOURCES, *OBSERVATION_SOURCES} == files
    assert {folder.name for folder in (ROOT / "fixtures").iterdir()} >= files


def test_delivery_channels_registry_files_and_readme_agree():
    files = {
        path.stem
        for path in (PACKAGE / "delivery").glob("*.py")
        if any(node.name == "send" for node in functions(path))
    }
    assert set(CHANNELS) == files == set(table_under("Delivery channels"))


def test_digest_parts_registry_files_and_readme_agree():
    files = {
        path.stem
        for path in (PACKAGE / "message" / "parts").glob("*.py")
        if any(node.name == "build" for node in functions(path))
    }
    assert {*PARTS, "foot"} == files
    assert [*PARTS, "foot"] == table_under("Digest parts"), "in reading order"


def test_rules_registry_files_and_readme_agree():
    files = {
        path.stem
        for path in (PACKAGE / "advice").glob("*.py")
        for node in functions(path)
        if node.name == f"{path.stem}_advice"
        and len(node.args.args) == 1
        and node.returns is not None
        and ast.unparse(node.returns) == "tuple[Advice, ...]"
    }
    assert set(RULES) == files == set(table_under("Rules"))


def test_alerts_registry_files_and_readme_agree():
    files = {
        node.name.removesuffix("_alert")
        for path in (PACKAGE / "advice").glob("alert_*.py")
        for node in functions(path)
        if node.name.endswith("_alert") and not node.name.startswith("_")
    }
    assert set(ALERTS) == files == set(table_under("Alerts")) == set(HAZARDS)


def test_kinds_of_work_rows_and_readme_agree():
    rows = tomllib.loads((ROOT / "config" / "work.toml").read_text(encoding="utf-8"))["work"]
    assert set(rows) == set(table_under("Kinds of work"))


def test_species_groups_every_id_of_config_stands_in_the_readme():
    groups = tomllib.loads((ROOT / "config" / "species.toml").read_text(encoding="utf-8"))["group"]
    for group in groups.values():
        for species in group["species"]:
            assert f"`{species}`" in README, species


@pytest.mark.parametrize(("file", "table"), [("sizes", "size"), ("materials", "wall"), ("materials", "shape"),
                                             ("materials", "substrate")])  # fmt: skip
def test_words_of_the_garden_file_stand_in_the_readme(file, table):
    rows = tomllib.loads((ROOT / "config" / f"{file}.toml").read_text(encoding="utf-8"))[table]
    for word in rows:
        assert f"`{word}`" in README, word


def test_commands_program_and_readme_agree():
    assert set(main.commands) == set(table_under("Commands"))


def test_journal_words_and_readme_agree():
    assert set(ENTRIES) - {RETRACTED} == set(table_under("Journal words"))


@pytest.mark.parametrize(
    ("heading", "row"),
    [
        ("The garden: `[garden]`", garden_rows.GardenRow),
        ("Where growers disagree: `[practice]`", garden_rows.PracticeRow),
        ("A place: `[[place]]`", garden_rows.PlaceRow),
        ("A tree: `[[tree]]`", garden_rows.TreeRow),
        ("Weather: `[weather]`", service_rows.WeatherRow),
        ("Mail: `[mail]`", service_rows.MailRow),
        ("Digest: `[digest]`", service_rows.DigestRow),
        ("Alerts: `[alerts]`", service_rows.AlertsRow),
        ("State: `[state]`", service_rows.StateRow),
    ],
)
def test_keys_of_the_files_and_readme_agree(heading, row):
    keys: set[str] = set()
    for name, field in row.model_fields.items():
        inner = {
            "pot": garden_rows.PotRow,
            "crown": garden_rows.CrownRow,
            "open_meteo": service_rows.EnsembleRow,
            "met_norway": service_rows.SourceRow,
            "us_nws": service_rows.SourceRow,
            "meteostat": service_rows.StationRow,
        }.get(name)
        shown = field.alias or name
        keys |= {f"{shown}.{key}" for key in inner.model_fields} if inner else {shown}
    assert keys == set(table_under(heading))


def test_readme_names_its_first_two_commands():
    for command in ("sh deploy/try", "sh deploy/test"):
        assert command in README
        assert (ROOT / command.split()[1]).is_file()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_and_paths_named_exist(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:advisor|config|deploy|fixtures|tests)/[A-Za-z0-9_./@-]+)`", text))
    assert named
    missing = sorted(path for path in named if not (ROOT / path).exists())
    assert not missing


@pytest.mark.parametrize(
    ("begins", "header"),
    [
        ("- `weather --csv`:", ("start_utc", *WEATHER_COLUMNS, "source")),
        ("- `exposure TREE --csv`:", ("start_utc", *HOURLY)),
    ],
)
def test_csv_columns_program_and_readme_agree(begins, header):
    listed = README.split(begins, 1)[1].split("\n- ", 1)[0].split("\n\n", 1)[0]
    assert tuple(re.findall(r"`([^`]+)`", listed)) == header
