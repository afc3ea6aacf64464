"""Measuring: best of some rounds, additions of the same size, memory, what a profile names first."""

from __future__ import annotations

import cProfile
import pstats
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

REPOSITORY = str(Path(__file__).resolve().parents[2])

Function = tuple[str, int, str]
"""File, line and name, as the profiler has them."""


def seconds(work: Callable[[], Any], rounds: int = 3) -> float:
    """Best of some rounds, in processor time of this process: other work on the machine counts less."""
    best = float("inf")
    for _ in range(rounds):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def addition_s(cells: int) -> float:
    """Time to add two arrays of this many numbers."""
    block = np.ones(cells)
    return seconds(lambda: block + block, 5)


def peak_mb(work: Callable[[], Any]) -> float:
    """Most memory that Python and NumPy held at once during the work, beside what they held before."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 2**20
    finally:
        tracemalloc.stop()


def resident_mb() -> float:
    """Memory of this process now; NaN where the system does not tell."""
    status = Path("/proc/self/statm")
    if not status.is_file():
        return float("nan")
    return int(status.read_text(encoding="ascii").split()[1]) * 4096 / 2**20


def profile_of(work: Callable[[], Any]) -> dict[Function, Any]:
    """Every function that ran: calls, own seconds, seconds with what it called, and callers."""
    profile = cProfile.Profile()
    profile.runcall(work)
    found: dict[Function, Any] = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    return found


def limits_of(stats: dict[Function, Any], most: int = 3) -> list[str]:
    """The functions of ours that take most: own time, and that of libraries they call themselves."""
    taken: dict[Function, float] = {}
    for key, (_, _, own, _, callers) in stats.items():
        if key[0].startswith(REPOSITORY):
            taken[key] = taken.get(key, 0.0) + own
            continue
        for caller, (_, _, _, with_calls) in callers.items():
            if caller[0].startswith(REPOSITORY):
                taken[caller] = taken.get(caller, 0.0) + with_calls
    whole = sum(row[2] for row in stats.values())
    ranked = sorted(taken, key=lambda key: -taken[key])[:most]
    return [f"{taken[key] / whole:.0%} {_named(key)}" for key in ranked]


def _named(key: Function) -> str:
    return f"{key[2]} ({Path(key[0]).relative_to(REPOSITORY)})"


def parts_of(stats: dict[Function, Any], name: str, most: int = 6) -> list[str]:
    """What a function of ours spends its time on: the functions it calls, as shares of its own time."""
    parent = next(key for key in stats if key[2] == name and key[0].startswith(REPOSITORY))
    whole = stats[parent][3]
    called = {key: row[4][parent][3] for key, row in stats.items() if parent in row[4]}
    ranked = sorted(called, key=lambda key: -called[key])[:most]
    return [f"{called[key] / whole:.0%} {key[2]}" for key in ranked if called[key] >= 0.01 * whole]
