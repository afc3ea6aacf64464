"""The ten invented days of judged_folder.toml as the folder that a replay would write."""

from __future__ import annotations

import csv
import gzip
import io
import json
import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

CASES: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("judged_folder.toml").read_text(encoding="utf-8")
)
COLUMNS = (
    "start_utc", "air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_10m_m_s",
    "wind_gust_m_s", "rain_mm", "shortwave_w_m2", "cloud_cover_pct", "pressure_hpa", "weather_code",
    "reference_et_mm", "source",
)  # fmt: skip
"""Columns of ``weather --csv``, as the README lists them."""
GARDEN = """
[garden]
name = "Pencil Yard"
latitude = 48.0
longitude = 0.0
elevation_m = 100
timezone = "Etc/UTC"
watering_times = ["07:00", "13:00", "19:00"]

[[place]]
id = "bench"
height_m = 0.8

[[place]]
id = "shade"
shade_fraction = 0.9
sky_view = 0.2
height_m = 0.8

[[place]]
id = "room"
sky_view = 0.0
shade_fraction = 1.0
rain = "covered"
shelter_level = 5

[[tree]]
id = "ember"
species = "acer-palmatum"
size = "chuhin-large"
place = "bench"

[[tree]]
id = "teal"
species = "ficus"
size = "kifu"
place = "shade"

[[tree]]
id = "burrow"
species = "acer-palmatum"
size = "shohin"
place = "room"
"""
JOURNAL = (
    "date,time,tree,entry,amount,unit,note\n"
    "2021-04-10,,ember,leaves-open,,,\n"
    "2021-05-10,,ember,leaves-hard,,,\n"
    "2021-05-10,,burrow,leaves-hard,,,\n"
)
FIRST = datetime.combine(CASES["first_day"], datetime.min.time(), tzinfo=UTC)


def _z(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def _on(day: int, hour: int = 0) -> datetime:
    return FIRST + timedelta(days=day - 1, hours=hour)


def truth_csv(blank_day: int | None = None, hot_c: float = 38.0) -> str:
    """The hours from the day before the first to the noon after the last."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    at = _on(0)
    while at < _on(CASES["days"] + 1, 12):
        day = (at - FIRST).days + 1
        afternoon, small = 12 <= at.hour <= 15, 3 <= at.hour <= 5
        air, dew, sun, cloud = 18.0 + 0.1 * (at.hour % 3), 14.0, 0.0, 100.0
        if 5 <= at.hour <= 19:
            sun = 40.0
        if day in CASES["hot_days"] and afternoon:
            air, dew, sun, cloud = hot_c, 10.0, 850.0, 0.0
        elif day in CASES["warm_days"] and afternoon:
            air = 33.0
        if day - 1 in CASES["frost_nights"] and small:
            air, dew = -6.0, -7.0
        shown = "" if day == blank_day else f"{air:.1f}"
        writer.writerow([_z(at), shown, dew, "", 1.0, 2.0, 0, sun, cloud, 1000, "", "", "invented"])
        at += timedelta(hours=1)
    return out.getvalue()


def _piece(name: str, kind: str, at: datetime, until: datetime, quantity: str, **more: Any) -> dict[str, Any]:
    reason = {"quantity": quantity, "value": 1.0, "unit": "1", "limit": 1.0, "set_by": "x", "source": "x"}
    trees = [more.get("tree", "ember")]
    return {
        "id": name, "kind": kind, "urgency": "today", "trees": trees, "do": "Do it", "from": _z(at),
        "until": _z(until), "amount": None, "chance": more.get("chance"),
        "reasons": [{**reason, "at": more.get("coldest")}],
    }  # fmt: skip


def _advice(day: int) -> list[dict[str, Any]]:
    said, now = CASES["digest"], _on(day, 6)
    found = [
        _piece(f"water-{hour:02}00-ember", "water", _on(day, hour), _on(day, hour + 3), "water left in Ember")
        for hour in said["water"].get(str(day), ())
    ]
    if str(day) in said["shade_by"]:
        by, chance = _on(day, said["shade_by"][str(day)]), said["shade_chance"][str(day)]
        dry = "dryness of the air in the sun"
        found.append(_piece("shade-move-shade-ember", "shade", now, by, dry, chance=chance))
    if day in said["frost_tonight"]:
        chance, coldest = said["frost_chance"][str(day)], _z(_on(day + 1, 4))
        what = "bench temperature"
        found.append(
            _piece(
                "shelter-cold-room-teal",
                "shelter",
                now,
                _on(day, 15),
                what,
                chance=chance,
                coldest=coldest,
                tree="teal",
            )
        )
    return found


def mornings() -> list[dict[str, Any]]:
    """Passes at 06:00, and one whenever a mail went at another hour."""
    mails = [
        {**mail, "at": _z(mail["at"]), "from": _z(mail["from"]), "until": _z(mail["until"])}
        for mail in CASES["mail"]
    ]
    times = {_z(_on(day, 6)) for day in range(1, CASES["days"] + 1)} | {mail["at"] for mail in mails}
    rows = []
    for now in sorted(times):
        at = datetime.fromisoformat(now.replace("Z", "+00:00"))
        day = (at - FIRST).days + 1
        sent = [
            {**mail, "subject": "A warning", "trees": ["teal" if mail["kind"] == "frost" else "ember"]}
            for mail in mails
            if mail["at"] == now
        ]
        if at.hour == 6:
            sent.insert(
                0,
                {"kind": "digest", "event": "", "at": now, "subject": "Today", "trees": [], "from": None,
                 "until": None},
            )  # fmt: skip
        rows.append(
            {"now": now, "day": at.date().isoformat(), "messages": sent, "trees": [], "failures": [],
             "advice": _advice(day) if at.hour == 6 else []}
        )  # fmt: skip
    return rows


def write_folder(folder: Path, *, blank_day: int | None = None, hot_c: float = 38.0) -> Path:
    """Write the whole folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "garden.toml").write_text(GARDEN, encoding="utf-8")
    (folder / "journal.csv").write_text(JOURNAL, encoding="utf-8")
    (folder / "service.toml").write_text('[weather]\ncontact = "grower@example.org"\n', encoding="utf-8")
    (folder / "truth.csv.gz").write_bytes(gzip.compress(truth_csv(blank_day, hot_c).encode(), mtime=0))
    lines = [json.dumps(row) for row in mornings()]
    (folder / "mornings.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def day_of(number: int) -> date:
    return _on(number).date()
