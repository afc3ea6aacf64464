"""``judge``: one or more replays held against what happened, as text, CSV and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from advisor.advice.hours import day_span, window
from advisor.errors import DataGap
from advisor.garden.tables import Tables
from advisor.message.json_out import dump
from advisor.message.judgement import Judged, with_totals
from advisor.message.judgement_data import judgement_csv, judgement_object
from advisor.message.judgement_text import judgement_text
from advisor.physics.missing import FloatArray
from advisor.service.judging_shade import judge_shade
from advisor.service.judging_truth import Truth, work_out_truth
from advisor.service.judging_warnings import judge_warnings
from advisor.service.judging_water import judge_watering
from advisor.store.atomic_files import write_atomically
from advisor.store.config_files import load_tables
from advisor.store.replayed_folder import Replayed, digest_mornings, read_replayed

__all__ = ["Verdict", "judge_folders", "judge_one"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Verdicts with their totals, in three forms, and what was left out."""

    judged: tuple[Judged, ...]
    faults: tuple[str, ...]

    @property
    def text(self) -> str:
        """For reading."""
        return judgement_text(self.judged)

    @property
    def json(self) -> str:
        """``judgement/1``."""
        return dump(judgement_object(self.judged))


def judge_folders(folders: Sequence[Path], tuning: Sequence[Path] = ()) -> Verdict:
    """Judge replays and write judgement.txt, .csv and .json into each folder.

    Parameters
    ----------
    folders : sequence of Path
        As ``replay`` wrote them.
    tuning : sequence of Path
        Those on which numbers in config were tuned; added where they are not in ``folders``.

    Raises
    ------
    SettingsError
        A folder is not that of a replay.
    DataGap
        A replay has no weather at all.
    """
    tuned = {path.resolve() for path in tuning}
    every = list({path.resolve(): path for path in (*folders, *tuning)}.values())
    tables = load_tables()
    replays = [read_replayed(folder, tables) for folder in every]
    names = _names(every)
    judged: list[Judged] = []
    faults: list[str] = []
    for folder, replayed, name in zip(every, replays, names, strict=True):
        one = judge_one(replayed, tables, name, tuned=folder.resolve() in tuned)
        _write(folder, (one,))
        judged.append(one)
        faults += replayed.faults
    return Verdict(with_totals(judged), tuple(faults))


def _names(folders: Sequence[Path]) -> list[str]:
    """Folder names, with as much of the path before them as tells them apart."""
    parts = [path.resolve().parts for path in folders]
    depth = 1
    while len({part[-depth:] for part in parts}) < len(parts) and depth < max(map(len, parts)):
        depth += 1
    return ["/".join(part[-depth:]) for part in parts]


def judge_one(replayed: Replayed, tables: Tables, name: str, *, tuned: bool = False) -> Judged:
    """Judge one replay.

    Raises
    ------
    DataGap
        Not one hour of the judged days has a true temperature.
    """
    if np.isnan(_judged_air_c(replayed)).all():
        raise DataGap("air_temperature_c", replayed.mornings[0].now, replayed.mornings[-1].now)
    truth = work_out_truth(replayed, tables)
    return Judged(
        name=name,
        role="tuning" if tuned else "reported",
        first_day=truth.days[0].isoformat(),
        last_day=truth.days[-1].isoformat(),
        trees=len(truth.exposure.tree_ids),
        counts=_counts(truth),
        warnings=tuple(judge_warnings(truth)),
        water=tuple(judge_watering(truth)),
        shade=tuple(judge_shade(truth)),
        notes=replayed.notes,
    )


def _counts(truth: Truth) -> dict[str, int]:
    replayed = truth.replayed
    found = digest_mornings(replayed.mornings)
    failures = sum(len(morning.failures) for morning in replayed.mornings)
    return {
        "days": len(truth.days),
        "days without a pass": len(truth.days) - len(found),
        "hours without true temperature": int(np.isnan(_judged_air_c(replayed)).sum()),
        "failures in the passes": failures,
    }


def _judged_air_c(replayed: Replayed) -> FloatArray:
    """True air temperature of the judged days; hours that the truth lacks are NaN."""
    garden, weather = replayed.holdings.garden, replayed.weather
    begin, end = day_span(garden, replayed.days[0])[0], day_span(garden, replayed.days[-1])[1]
    return window(weather.start_utc, weather.value("air_temperature_c"), begin, end)


def _write(folder: Path, judged: tuple[Judged, ...]) -> None:
    forms = {
        "judgement.txt": judgement_text(judged),
        "judgement.csv": judgement_csv(judged),
        "judgement.json": dump(judgement_object(judged)) + "\n",
    }
    for name, text in forms.items():
        write_atomically(folder / name, text.encode())
