"""How long the exposure of a garden takes, as a ratio to adding two arrays of the same size in the same run.

Run: python tests/benchmarks/exposure_speed.py [trees] [days] [members]. Prints; asserts nothing: machines
differ, and a ratio is for comparing one version with the next on one machine.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from exposure.exposure_builders import holdings_of, morning, state_of, summer, tree_of, with_members

from advisor.exposure.compute import compute_exposure
from advisor.garden.model import Place
from advisor.store.config_files import load_tables

SIZES = ("mame", "shohin", "kifu", "chuhin", "large")
KINDS = ("acer-palmatum", "pinus-thunbergii", "juniperus-chinensis", "fagus", "ulmus-parvifolia")


def seconds(work, rounds):
    """Best of some rounds."""
    best = float("inf")
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begun)
    return best


def main(trees: int = 200, days: int = 10, members: int = 50) -> None:
    """Measure and print."""
    tables, now = load_tables(), morning()
    places = [
        Place(f"p{n}", "", shade_fraction=0.1 * n, horizon_deg=((90.0, 5.0 * n), (270.0, 10.0)))
        for n in range(8)
    ]
    grown = [
        tree_of(tables, f"t{n}", SIZES[n % 5], f"p{n % 8}", KINDS[n // 8 % 5]) for n in range(max(trees, 1))
    ]
    states = {tree.id: state_of(tables, tree, now) for tree in grown}
    holdings, weather = holdings_of(grown, places), with_members(summer(days), max(members, 1))
    compute_exposure(holdings, states, summer(1), tables, now)  # libraries are loaded before the clock runs
    for name, count, many in (("main forecast", 1, False), (f"{members} members", members, True)):
        block = np.ones((count, len(grown), weather.hours))
        adding = seconds(lambda block=block: block + block, 5)
        taking = seconds(
            lambda many=many: compute_exposure(holdings, states, weather, tables, now, members=many), 2
        )
        cells = block.size
        sys.stdout.write(
            f"{name}: {len(grown)} trees x {weather.hours} h x {count}: {taking:.2f} s, "
            f"{taking / cells * 1e9:.0f} ns a cell, {taking / adding:.0f} additions of that size\n"
        )
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(f"peak memory {peak_mb:.0f} MB, of it {16 * block.nbytes / 2**20:.0f} MB of result\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))
