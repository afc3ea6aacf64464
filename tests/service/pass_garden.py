"""The invented garden that the tests of the whole pass use, and how to tick it."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from servers.forecast_server import ForecastServer
from servers.observations import observed

from advisor.service.clock import Clock
from advisor.service.tick import PassReport, run_pass

NEW_YORK = ZoneInfo("America/New_York")
REPOSITORY = Path(__file__).resolve().parents[2]

PLACES = """
[garden]
name = "Gantry Yard"
latitude = 40.777
longitude = -73.874
elevation_m = 7
timezone = "America/New_York"

[[place]]
id = "open-bench"
name = "Open bench"
sky_view = 0.9
wind_shelter = 0.1
height_m = 0.8
room = 20

[[place]]
id = "net-bench"
name = "Net bench"
shade_fraction = 0.5
sky_view = 0.8
height_m = 0.8
shelter_level = 1
room = 12

[[place]]
id = "shed"
name = "Shed"
shade_fraction = 0.9
sky_view = 0.1
wind_shelter = 0.95
rain = "covered"
ground = "boards"
night_gain_c = 4.0
shelter_level = 4
room = 12
"""
TREES: Mapping[str, tuple[str, str]] = {
    # id: (species, size class)
    "wren": ("acer-palmatum", "chuhin"),
    "linnet": ("acer-palmatum", "chuhin"),
    "plover": ("ulmus-parvifolia", "chuhin"),
    "curlew": ("juniperus-chinensis", "chuhin"),
    "dunlin": ("pinus-thunbergii", "chuhin"),
    "siskin": ("olea-europaea", "chuhin"),
    "teal": ("ficus", "chuhin"),
    "godwit": ("acer-palmatum", "shohin"),
}
SUMMER_JOURNAL = (
    "2013-05-20,,wren,leaves-hard,,,",
    "2013-05-20,,linnet,leaves-hard,,,",
    "2013-05-20,,godwit,leaves-hard,,,",
    "2013-05-25,,plover,leaves-hard,,,",
    "2013-07-04,09:00,wren,defoliated,,,",
)
HEADER = "date,time,tree,entry,amount,unit,note"


def tree_lines(names: Sequence[str], place: str = "open-bench") -> str:
    """The ``[[tree]]`` tables of garden.toml."""
    return "".join(
        f'\n[[tree]]\nid = "{name}"\nname = "{name.title()}"\nspecies = "{TREES[name][0]}"\n'
        f'place = "{place}"\nsize = "{TREES[name][1]}"\nstrength = 4\n'
        for name in names
    )


def local(text: str) -> datetime:
    """A New York wall clock time in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=NEW_YORK).astimezone(UTC)


@dataclass
class Yard:
    """A garden folder, its weather server, and its messages where no ``[mail]`` is given."""

    folder: Path
    weather: ForecastServer

    @classmethod
    def write(
        cls,
        folder: Path,
        weather: ForecastServer,
        *,
        trees: Sequence[str] = tuple(TREES),
        journal: Sequence[str] = SUMMER_JOURNAL,
        places: str = PLACES,
        mail: str = "",
        alerts: str = "",
        ensemble: bool = False,
        stations: str = "",
    ) -> Yard:
        """Write the three files; the state folder comes with the first tick.

        ``stations`` is the address of a server of station records; none is asked without it.
        """
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "garden.toml").write_text(places + tree_lines(trees), encoding="utf-8")
        rows = [row for row in journal if row.split(",")[2] in trees]
        (folder / "journal.csv").write_text("\n".join([HEADER, *rows, ""]), encoding="utf-8")
        (folder / "service.toml").write_text(
            '[weather]\nforecast = ["open-meteo"]\ncontact = "grower@example.org"\n'
            f'[weather.open-meteo]\nbase_url = "{weather.base_url}"\n'
            f'ensemble_url = "{weather.base_url if ensemble else ""}"\n'
            f'[weather.meteostat]\nbase_url = "{stations}"\n{mail}{alerts}',
            encoding="utf-8",
        )
        return cls(folder, weather)

    def tick(self, at: datetime | str, environ: Mapping[str, str] | None = None, **named: Any) -> PassReport:
        """One pass at a given time; the weather server's day moves along."""
        at_utc = local(at) if isinstance(at, str) else at
        self.weather.now_utc = at_utc
        return run_pass(self.folder, Clock("given", at_utc), environ or {}, **named)

    def mails(self, kind: str | None = None) -> list[EmailMessage]:
        """Messages in the mail folder in the order they were made, of one kind if asked."""
        found = [read_mail(path.read_bytes()) for path in (self.folder / "state" / "mail").glob("*.eml")]
        found.sort(key=lambda mail: mail["Date"].datetime)
        return [mail for mail in found if kind is None or kind_of(mail) == kind]

    def command(
        self, *words: str, now: datetime | str | None = None, env: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run the command line in a process of its own."""
        given = ["--garden", str(self.folder)]
        if now is not None:
            at_utc = local(now) if isinstance(now, str) else now
            self.weather.now_utc = at_utc
            given += ["--now", at_utc.isoformat()]
        return advisor(*given, *words, env=env)


def environment(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """A plain environment in which the package is found and no proxy or secret is set."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG", "TMPDIR") if name in os.environ}
    return kept | {"PYTHONPATH": str(REPOSITORY), "MPLBACKEND": "Agg"} | dict(extra or {})


def advisor(
    *words: str, env: Mapping[str, str] | None = None, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run ``advisor`` with these words."""
    return subprocess.run(
        [sys.executable, "-m", "advisor.cli", *words],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment(env),
        cwd=cwd,
        check=False,
    )


def read_mail(raw: bytes) -> EmailMessage:
    """Parse received bytes."""
    found = message_from_bytes(raw, policy=policy.default)
    assert isinstance(found, EmailMessage)
    return found


def kind_of(mail: EmailMessage) -> str:
    """The kind that the message's own header names."""
    return dict(part.strip().split("=", 1) for part in mail["Advisor-Message"].split(";"))["kind"]


def day_of(mail: EmailMessage) -> date:
    """The day that the message's own header names."""
    parts = dict(part.strip().split("=", 1) for part in mail["Advisor-Message"].split(";"))
    return date.fromisoformat(parts["day"])


def text_of(mail: EmailMessage) -> str:
    """The plain text part."""
    part = mail.get_body(("plain",))
    assert part is not None
    return str(part.get_content())


def highs_and_lows_c(station: str) -> dict[date, tuple[float, float]]:
    """Highest and lowest report of each New York day, straight from the observations."""
    found: dict[date, list[float]] = {}
    for start, row in observed(station).items():
        if row.temperature_f is not None:
            found.setdefault(start.astimezone(NEW_YORK).date(), []).append((row.temperature_f - 32.0) / 1.8)
    return {day: (max(values), min(values)) for day, values in found.items()}


def every(begin: str, end: str, step: timedelta) -> list[datetime]:
    """Moments from one wall clock time up to and with another."""
    at, last, found = local(begin), local(end), []
    while at <= last:
        found.append(at)
        at += step
    return found


def with_highs_of(high_c: float, days_ahead: int = 13) -> Callable[[str, list[Any]], list[Any]]:
    """A warp of the days from today on alone: every day between 10 K below the high and the high.

    Warmest at 15:00, coldest at 03:00 in New York (19 and 07 UTC); dew point 10 K under the mean; the
    past stays as observed, so that the trees' states do not differ.
    """

    def warp(name: str, values: list[Any]) -> list[Any]:
        ahead = 24 * days_ahead
        begin = len(values) - ahead
        if name == "temperature_2m":
            swing = [high_c - 5.0 + 5.0 * math.cos((hour - 19) * math.pi / 12.0) for hour in range(24)]
            return values[:begin] + [swing[hour % 24] for hour in range(ahead)]
        if name == "dew_point_2m":
            return values[:begin] + [high_c - 15.0] * ahead
        if name == "relative_humidity_2m":
            return values[:begin] + [None] * ahead
        if name == "precipitation":
            return values[:begin] + [0.0] * ahead
        return values

    return warp


def as_json(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    """What a command gave on stdout, as the JSON object it must be."""
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found
