"""How fast the advisor is, as ratios to adding arrays of the same size in the same run, and what limits it.

Run: python tests/benchmarks/speed.py [--tiny] [--year] [PART ...]

The parts are evapotranspiration, exposure, growth, morning and replay; all without any. ``--year`` replays
100 trees through a year instead of some days; ``--tiny`` goes through everything in sizes that measure
nothing. Prints; asserts nothing: machines differ, and a ratio is for comparing one version with the next on
one machine.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (0, 1, 2))

from speed_gardens import MORNING, exposure_of, morning_of, tables, write_garden, write_year
from speed_measures import addition_s, limits_of, parts_of, peak_mb, profile_of, resident_mb, seconds

from advisor.exposure.compute import compute_exposure
from advisor.physics.evapotranspiration import reference_et_hourly_mm
from advisor.service.compose import digest_input
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.service.replay import ReplayPlan, run_replay

ASKED = datetime(2026, 1, 1, tzinfo=UTC)


def say(text: str) -> None:
    """Print one line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def evapotranspiration(*, tiny: bool) -> None:
    """Reference evapotranspiration of a year at many places, against refet on the same arrays."""
    places, hours = (3, 48) if tiny else (100, 8760)
    start = np.datetime64("2013-01-01T00", "s") + np.arange(hours) * np.timedelta64(3600, "s")
    air = 12.0 + np.random.default_rng(1).normal(0.0, 6.0, (places, hours))
    vapour, wind = np.full_like(air, 0.9), np.full_like(air, 2.0)
    sun = np.maximum(np.sin((np.arange(hours) % 24 - 11.0) / 12.0 * np.pi), 0.0) * np.full_like(air, 700.0)
    taken = seconds(lambda: reference_et_hourly_mm(start, air, vapour, wind, sun, 40.8, -73.9, 7.0))
    additions = taken / addition_s(air.size)
    say(f"reference evapotranspiration, {places} x {hours} h: {taken:.3f} s, {additions:.0f} additions")
    if find_spec("refet") is None:
        say("  refet is not installed: nothing to compare with")
        return
    import refet

    days = (start.astype("datetime64[D]") - start.astype("datetime64[Y]")).astype(np.float64) + 1.0
    given = {"tmean": air, "ea": vapour, "rs": sun * 0.0036, "uz": wind, "zw": 2.0, "elev": 7.0}
    when = {"doy": days + 0.0 * air, "time": np.arange(hours) % 24.0 + 0.0 * air}
    place = {"lat": 40.8, "lon": -73.9, "method": "asce", **when}
    theirs = seconds(lambda: refet.Hourly(**given, **place).eto())
    say(f"  refet on the same arrays: {theirs:.3f} s; ours takes {taken / theirs:.2f} of it")


def exposure(*, tiny: bool) -> None:
    """Tree-hours a second, peak memory and what limits it, for three shapes of the same work."""
    compute_exposure(**exposure_of(1, 1))  # libraries are loaded before the clock runs
    sizes = [(4, 1, 3), (6, 1, 0), (2, 3, 0)] if tiny else [(200, 10, 50), (5000, 10, 0), (100, 365, 0)]
    for trees, days, members in sizes:
        given = exposure_of(trees, days, members)

        def work(given: dict[str, Any] = given) -> Any:
            return compute_exposure(**given)

        taken, memory = seconds(work, 2), peak_mb(work)
        cells = trees * days * 24 * max(members, 1)
        many = f" x {members} members" if members else ""
        say(
            f"exposure, {trees} trees x {days * 24} h{many}: {taken:.2f} s, "
            f"{cells / taken / 1e6:.2f} million tree-hours a second, "
            f"{taken / addition_s(cells):.0f} additions; "
            f"peak {memory:.0f} MB, {memory * 2**20 / cells:.0f} bytes a tree-hour"
        )
        say(f"  limited by {'; '.join(limits_of(profile_of(work)))}")


def growth(*, tiny: bool) -> None:
    """What twice as many trees, hours or members cost: 2 is straight proportion."""
    trees, days, members = (2, 1, 2) if tiny else (400, 10, 10)

    def taken(trees: int, days: int, members: int) -> float:
        given = exposure_of(trees, days, members)
        return seconds(lambda: compute_exposure(**given))

    base = taken(trees, days, members)
    for name, size in (
        ("trees", (2 * trees, days, members)),
        ("hours", (trees, 2 * days, members)),
        ("members", (trees, days, 2 * members)),
    ):
        say(f"growth of the exposure, twice the {name}: {taken(*size) / base:.2f} times as long")


def morning(*, tiny: bool) -> None:
    """One evaluated morning and its digest, for a small and a large garden, and how they split up."""
    for trees in (2, 3) if tiny else (8, 100):
        with tempfile.TemporaryDirectory() as folder:
            holdings, weather = morning_of(Path(folder), trees)

        def work(holdings: Any = holdings, weather: Any = weather) -> Evaluation:
            return evaluate(holdings, tables(), weather, MORNING, AlertSettings())

        done = work()
        judged = seconds(lambda done=done: digest_input(done, (), ()), 1)  # the second time it remembers
        taken = seconds(work)
        say(f"morning, {trees} trees: evaluated in {taken:.2f} s, work and plan judged in {judged:.2f} s")
        stats = profile_of(work)
        say(f"  evaluated: {', '.join(parts_of(stats, 'evaluate'))}")
        say(f"  evaluated: limited by {'; '.join(limits_of(stats))}")
        done = work()
        stats = profile_of(lambda done=done: digest_input(done, (), ()))
        say(f"  judged: limited by {'; '.join(limits_of(stats))}")


def replay(*, tiny: bool, year: bool = False) -> None:
    """Mornings and afternoons of past weather: tree-hours a second, growth, and whether memory stays flat."""
    trees, days = (2, 2) if tiny else (100, 340) if year else (25, 6)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        held: list[float] = []
        a_day = _day_of_replay(folder / "first", trees, days, lambda: held.append(resident_mb()))
        say(
            f"replay, {trees} trees x {days} days: {a_day:.2f} s a day of two passes, "
            f"{trees * 24 / a_day:.0f} tree-hours a second, a year in {a_day * 365 / 60:.1f} min"
        )
        say(f"  memory {held[days // 2]:.0f} MB half way, {held[-1]:.0f} MB at the end")
        if year:
            taken, sheets = _look(folder / "look", trees, days, every=7)
            say(f"  one morning in 7 and every hour: {taken:.0f} s, and {sheets:.0f} s for the sheets")
            return
        for name, size in (("trees", (2 * trees, days)), ("days", (trees, 2 * days))):
            say(f"  twice the {name}: a day takes {_day_of_replay(folder / name, *size) / a_day:.2f} as long")
        stats = profile_of(lambda: _day_of_replay(folder / "profiled", trees, days))
        say(f"  limited by {'; '.join(limits_of(stats))}")


def _look(folder: Path, trees: int, days: int, every: int) -> tuple[float, float]:
    """Seconds of a whole quick look from its beginning to its last morning, and for what closes it."""
    write_garden(folder, trees)
    write_year(folder / "hours.csv")
    begun, first = time.process_time(), date(2013, 1, 16)
    ends: list[float] = []
    plan = ReplayPlan(
        first, first + timedelta(days=days - 1), folder / "out", folder / "hours.csv", every=every
    )

    def tell(text: str) -> None:
        if "  day " in text:  # of a morning, not of a sheet
            ends.append(time.process_time())

    run_replay(folder, plan, ASKED, tell)
    return ends[-1] - begun, time.process_time() - ends[-1]


def _day_of_replay(folder: Path, trees: int, days: int, each_day: Callable[[], None] = lambda: None) -> float:
    """Mean seconds of the days after the first; setting up and the closing sheets left out."""
    write_garden(folder, trees)
    write_year(folder / "hours.csv")
    first = date(2013, 1, 16) if days > 100 else date(2013, 7, 10)
    last = first + timedelta(days=days - 1)
    ends: list[float] = []

    def tell(_: str) -> None:
        ends.append(time.process_time())
        each_day()

    plan = ReplayPlan(first, last, folder / "out", folder / "hours.csv")
    run_replay(folder, plan, ASKED, tell, stop=lambda: len(ends) >= days)
    return (ends[-1] - ends[0]) / (days - 1)


PARTS: dict[str, Callable[..., None]] = {
    "evapotranspiration": evapotranspiration,
    "exposure": exposure,
    "growth": growth,
    "morning": morning,
    "replay": replay,
}


def main(words: Sequence[str]) -> int:
    """Measure and print what is asked for."""
    reader = argparse.ArgumentParser(description="Measure the advisor's speed as ratios.")
    reader.add_argument("--tiny", action="store_true", help="sizes that measure nothing")
    reader.add_argument("--year", action="store_true", help="replay 100 trees through a year")
    reader.add_argument("part", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; all without any")
    given = reader.parse_args(words)
    unknown = [name for name in given.part if name not in PARTS]
    if unknown:
        reader.error(f"no part {unknown[0]!r}; one of {', '.join(PARTS)}")
    for name in given.part or PARTS:
        more = {"year": given.year} if name == "replay" else {}
        PARTS[name](tiny=given.tiny, **more)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
