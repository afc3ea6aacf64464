"""The benchmark goes through all its parts and prints its ratios; how fast this machine is proves nothing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]


def speed(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the command as DEVELOPERS.md gives it."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG", "TMPDIR") if name in os.environ}
    return subprocess.run(
        [sys.executable, "tests/benchmarks/speed.py", *words],
        cwd=REPOSITORY,
        env=kept | {"PYTHONPATH": str(REPOSITORY), "MPLBACKEND": "Agg"},
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )


def test_benchmark_in_tiny_size_prints_every_part() -> None:
    done = speed("--tiny")
    assert done.returncode == 0, done.stderr
    for line in (
        r"^reference evapotranspiration, .* additions$",
        r"^  refet .*(ours takes \d|not installed)",
        r"^exposure, \d+ trees x \d+ h x \d+ members: .* tree-hours a second, \d+ additions; peak \d+ MB",
        r"^exposure, \d+ trees x \d+ h: ",
        r"^growth of the exposure, twice the (trees|hours|members): \d",
        r"^morning, \d+ trees: evaluated in \d",
        r"^  evaluated: \d+% \w+",
        r"^replay, \d+ trees x \d+ days: ",
        r"^  memory \d+ MB half way, \d+ MB at the end$",
        r"^  limited by \d+% \w+ \(advisor/",
    ):
        assert re.search(line, done.stdout, flags=re.MULTILINE), (line, done.stdout)


def test_benchmark_with_an_unknown_part_names_those_there_are() -> None:
    done = speed("--tiny", "speediness")
    assert done.returncode == 2
    assert "no part 'speediness'; one of evapotranspiration, exposure" in done.stderr
