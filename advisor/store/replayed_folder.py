"""The folder that a replay wrote, as ``judge`` reads it: true weather, garden files, and what was said.

``truth.csv.gz`` is the hourly truth in the columns of ``weather --csv``; garden.toml, journal.csv and
service.toml are copies; ``mornings.jsonl`` has a JSON object a line for each pass. A broken line is named and
left out; a folder that lacks one of the files is refused.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from advisor.errors import DataGap, Fault, SettingsError
from advisor.garden.model import Holdings
from advisor.garden.tables import Tables
from advisor.store.garden_files import GARDEN_FILE, holdings_of, load_garden_file
from advisor.store.hourly_files import read_hourly
from advisor.store.journal_files import journal_text
from advisor.store.service_files import SERVICE_FILE, ServiceSettings, load_service
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import WeatherTable

__all__ = [
    "MORNINGS_FILE", "TRUTH_FILE", "Morning", "Piece", "Replayed", "Told", "digest_mornings", "read_replayed",
    "spoken_at",
]  # fmt: skip

TRUTH_FILE = "truth.csv.gz"
MORNINGS_FILE = "mornings.jsonl"
_NAMED = 10
"""Broken lines named one by one; the rest is counted."""


class _Row(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class Amount(_Row):
    """A number with its unit."""

    value: float | None = None
    unit: str = ""


class ReasonRow(_Row):
    """The part of a reason that judging looks at."""

    quantity: str
    at: AwareDatetime | None = None


class Piece(_Row):
    """One piece of advice, as in ``today/1``."""

    id: str
    kind: str
    urgency: str = "today"
    trees: tuple[str, ...] = ()
    do: str = ""
    from_utc: AwareDatetime = Field(alias="from")
    until_utc: AwareDatetime = Field(alias="until")
    amount: Amount | None = None
    chance: float | None = Field(default=None, ge=0.0, le=1.0)
    reasons: tuple[ReasonRow, ...] = ()


class Told(_Row):
    """One message that would have been sent; ``event`` groups a warning with its updates."""

    kind: str
    event: str | None = None
    at: AwareDatetime
    subject: str = ""
    trees: tuple[str, ...] = ()
    from_utc: AwareDatetime | None = Field(default=None, alias="from")
    until_utc: AwareDatetime | None = Field(default=None, alias="until")


class Morning(_Row):
    """One pass: what was sent and what was advised."""

    now: AwareDatetime
    day: date
    messages: tuple[Told, ...] = ()
    advice: tuple[Piece, ...] = ()
    failures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Replayed:
    """Everything of one replay.

    Attributes
    ----------
    weather : the truth, completed (radiation parts and so on), hours without a gap in the axis.
    mornings : passes in the order of time.
    faults : lines left out and files that are not whole.
    notes : what is worth saying of the truth.
    """

    folder: Path
    holdings: Holdings
    settings: ServiceSettings
    weather: WeatherTable
    mornings: tuple[Morning, ...]
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    days: tuple[date, ...] = field(default=())
    """Local days from the first to the last morning."""


def read_replayed(folder: Path, tables: Tables) -> Replayed:
    """Read the folder of a replay.

    Raises
    ------
    SettingsError
        It is not one, or its garden files cannot be used; says what to do.
    DataGap
        The truth has no air temperature at all.
    """
    missing = [
        name
        for name in (MORNINGS_FILE, TRUTH_FILE, GARDEN_FILE, SERVICE_FILE)
        if not (folder / name).is_file()
    ]
    if missing:
        raise SettingsError(
            f"{folder} is not the folder of a replay: it lacks {', '.join(missing)}; let `advisor replay` "
            "write one and name that folder"
        )
    settings = load_service(folder / SERVICE_FILE)
    mornings, faults = _mornings(folder / MORNINGS_FILE)
    if not mornings:
        first = f" ({faults[0]})" if faults else ""
        raise SettingsError(
            f"{folder / MORNINGS_FILE} holds no pass that can be read{first}; run `advisor replay` again"
        )
    _daily(folder, mornings)
    garden_file = load_garden_file(folder / GARDEN_FILE, tables)
    text, journal_faults = journal_text(folder)
    holdings, garden_faults = holdings_of(garden_file, text, mornings[-1].now.astimezone(UTC))
    if holdings is None or not holdings.trees:
        none = Fault(GARDEN_FILE, None, "tree", "no tree can be used", "mend the garden and replay it again")
        raise SettingsError([*garden_faults, *journal_faults, none])
    faults += [_named(folder, fault) for fault in (*garden_faults, *journal_faults)]
    fetched = mornings[-1].now.astimezone(UTC)
    try:
        truth, report = read_hourly(folder / TRUTH_FILE, holdings.garden.zone, tables.physics, fetched)
    except SettingsError as error:
        if any(fault.found.startswith("no hour in it") for fault in error.faults):
            raise DataGap("air_temperature_c", mornings[0].now, mornings[-1].now) from error
        raise
    garden = holdings.garden
    whole = complete(
        truth,
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        derive=DeriveNumbers.from_numbers(tables.physics),
        quality=QualityNumbers.from_numbers(tables.physics),
    )
    days = _days(mornings)
    notes = tuple(f"{TRUTH_FILE}: {one}" for one in report.findings if one.rule != "empty field")
    return Replayed(folder, holdings, settings, whole, tuple(mornings), tuple(faults), notes, days)


def _named(folder: Path, fault: Fault) -> str:
    return f"{folder / fault.file}{str(fault).removeprefix(fault.file)} (left out: {fault.drops})"


def _days(mornings: Sequence[Morning]) -> tuple[date, ...]:
    first = min(morning.day for morning in mornings).toordinal()
    last = max(morning.day for morning in mornings).toordinal()
    return tuple(date.fromordinal(day) for day in range(first, last + 1))


def _daily(folder: Path, mornings: Sequence[Morning]) -> None:
    """Refuse a replay of which no two days follow one another: most of its days were never advised on."""
    days = sorted({morning.day for morning in mornings})
    steps = {(later - day).days for day, later in pairwise(days)}
    if steps and 1 not in steps:
        raise SettingsError(
            f"{folder} was replayed with --every {min(steps)}: what would have been advised on the days "
            "between is not known; replay every day to judge it"
        )


def _mornings(path: Path) -> tuple[list[Morning], list[str]]:
    found: list[Morning] = []
    broken: list[str] = []
    with path.open("rb") as lines:
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                found.append(Morning.model_validate(_object(line)))
            except ValidationError as error:
                first = error.errors()[0]
                key = ".".join(str(part) for part in first["loc"])
                broken.append(f"{path}, line {number}: {key}: {first['msg']} (left out: this pass)")
            except ValueError as error:
                broken.append(f"{path}, line {number}: no JSON object ({error}) (left out: this pass)")
    rest = len(broken) - _NAMED
    if rest > 0:
        broken = [*broken[:_NAMED], f"{path}: and {rest} more lines like these"]
    return sorted(found, key=lambda morning: morning.now), broken


def _object(line: bytes) -> dict[str, Any]:
    data = json.loads(line.decode("utf-8"))
    if not isinstance(data, dict):
        raise ValueError(f"{type(data).__name__} where an object stands on every line")  # noqa: TRY004 - bad data
    return data


def digest_mornings(mornings: Sequence[Morning]) -> dict[date, Morning]:
    """The pass of each day whose advice the digest carried; without a digest the first pass of the day."""
    found: dict[date, Morning] = {}
    told: set[date] = set()
    for morning in mornings:
        has = any(_is_digest(message) for message in morning.messages)
        if morning.day not in found or (has and morning.day not in told):
            found[morning.day] = morning
        if has:
            told.add(morning.day)
    return found


def spoken_at(morning: Morning) -> datetime:
    """When the digest of a pass went, or the pass itself."""
    return next((message.at for message in morning.messages if _is_digest(message)), morning.now)


def _is_digest(message: Told) -> bool:
    """Return True for a digest with advice, not for the mail that says that there is none."""
    return message.kind == "digest" and message.event != "failure"
