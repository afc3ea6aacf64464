"""What a grower may get wrong when asking for work: plain words, the right exit code, nothing lost."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import TREES, Yard, with_highs_of

CASES: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("bad_work_input.toml").read_text(encoding="utf-8")
)["case"]
ASKED = "2013-06-18T07:00"


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_wrong_input_gets_plain_words_and_its_exit_code(
    case: dict[str, Any], tmp_path: Path, weather: ForecastServer
) -> None:
    mild, gone = with_highs_of(22.0), set(case.get("missing", []))

    def warp(name: str, values: list[Any]) -> list[Any]:
        return [None] * len(values) if name in gone else mild(name, values)

    weather.warp = warp
    yard = Yard.write(tmp_path / "yard", weather, trees=tuple(TREES), journal=case.get("journal", ()))
    garden = yard.folder / "garden.toml"
    text = garden.read_text(encoding="utf-8") + case.get("garden_end", "")
    if case.get("no_strength"):
        text = text.replace("strength = 4\n", "")
    garden.write_text(text, encoding="utf-8")
    before = {path.name: path.read_bytes() for path in yard.folder.iterdir() if path.is_file()}
    done = yard.command(*case["command"], now=ASKED)
    printed, told = " ".join(done.stdout.split()), " ".join(done.stderr.split())
    assert done.returncode == case["code"], (printed, told)
    for word in case.get("says", []):
        assert word in printed, printed
    for word in case.get("errs", []):
        assert word in told, told
    for word in case.get("dead", []):
        assert word not in f"{printed} {told}".lower().split(), printed
    assert "Traceback" not in told
    after = {path.name: path.read_bytes() for path in yard.folder.iterdir() if path.is_file()}
    assert after == before, "a question changes no file of the grower's"


def test_wrong_input_cases_name_their_rule() -> None:
    assert len({case["id"] for case in CASES}) == len(CASES)
    assert all(case["rule"] for case in CASES)
