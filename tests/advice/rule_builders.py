"""Situations for the advice rules, made straight from plain day values: no weather source, no physics.

``build(case)`` takes one case of rule_cases.toml. Hours follow simple curves: air lowest at 03:00 and
highest at 15:00, sun a half sine, each with the day's own extremes. Only what a *place* does to the
night air comes from the exposure floor, so that a shed is as warm as the rules themselves take it to be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from advisor.advice.model import SeasonEnd, Situation
from advisor.exposure.model import Exposure
from advisor.exposure.places import place_temperature_c
from advisor.garden.model import Crown, Garden, Holdings, Place, Pot, Tree
from advisor.garden.state_model import (
    Flag,
    Need,
    Needs,
    Question,
    Stage,
    StageKnown,
    TreeState,
    WaterRecord,
)
from advisor.garden.tables import FlagRule, SpeciesGroup
from advisor.store.config_files import load_tables
from advisor.units import Number, NumberTable
from advisor.weather.table import Provenance, WeatherTable, stamp_of

ZONE = ZoneInfo("Europe/Berlin")
LATITUDE, LONGITUDE = 48.0, 11.0
AHEAD_DAYS = 10

GARDEN = Garden("Test yard", LATITUDE, LONGITUDE, 500.0, "Europe/Berlin")
PLACES = (
    Place("bench", "South bench", room=60),
    Place("net", "Net frame", shade_fraction=0.5, shelter_level=1, room=4),
    Place("wall", "House wall", wind_shelter=0.5, night_gain_c=1.5, shelter_level=2, sky_view=0.5, room=6),
    Place("shed", "Shed", shade_fraction=0.9, rain="covered", night_gain_c=5.5, shelter_level=4, room=6),
)
UNIT = {
    "direct_sun_h": "h", "sun_until_solar_h": "hour of day", "shade_share": "share", "wind_m_s": "m/s",
    "gust_m_s": "m/s", "frost_limit_c": "degC", "root_limit_c": "degC", "leaf_limit_c": "degC",
    "vpd_limit_kpa": "kPa",
}  # fmt: skip
FLAG_MARKS = {"bare": {"bare"}, "tender": {"tender"}, "repotted": set(), "hardening": set()}
DEFAULT_DAY: dict[str, Any] = {
    "air_max_c": 25.0, "air_min_c": 13.0, "vpd_max_kpa": 1.4, "leaf_over_air_k": 4.0, "beam_w_m2": 600.0,
    "gust_m_s": 4.0, "wind_m_s": 2.0, "rain_mm": 0.0, "rain_share": 0.5, "et_mm": 4.0, "use_l": 0.5,
    "rim_max_c": 36.0, "shaded_rim_max_c": 30.0, "core_max_c": 29.0, "core_min_c": None, "rim_min_c": None,
    "weather_code": 1.0, "snow_cm": 0.0, "wbgt_max_c": 22.0, "nan": [],
}  # fmt: skip
HOURLY = (
    "air", "leaf_over", "vpd", "beam", "gust", "wind", "rain", "reach", "et", "use", "rim", "shaded", "core",
    "code", "snow", "wbgt",
)  # fmt: skip


def _rows(
    case: dict[str, Any], now_local: datetime
) -> tuple[np.ndarray, list[datetime], list[dict[str, Any]]]:
    past = int(case.get("past_days", 16))
    first = now_local.date() - timedelta(days=past)
    start = datetime.combine(first, time(), tzinfo=ZONE).astimezone(UTC)
    end = datetime.combine(now_local.date() + timedelta(days=AHEAD_DAYS), time(), tzinfo=ZONE).astimezone(UTC)
    hours = [start + timedelta(hours=n) for n in range(int((end - start).total_seconds() // 3600))]
    days = []
    for hour in hours:
        offset = (hour.astimezone(ZONE).date() - now_local.date()).days
        values = dict(DEFAULT_DAY)
        for row in case.get("weather", []):
            if row["from"] <= offset <= row.get("to", row["from"]):
                values |= {key: value for key, value in row.items() if key not in ("from", "to")}
        days.append(values)
    return np.array([stamp_of(hour) for hour in hours]), hours, days


def _curves(hours: list[datetime], days: list[dict[str, Any]]) -> dict[str, np.ndarray]:
    local = np.array([hour.astimezone(ZONE).hour for hour in hours], dtype=float)
    wave = 0.5 + 0.5 * np.cos(2 * np.pi * (local - 15.0) / 24.0)

    def each(name: str) -> np.ndarray:
        return np.array([np.nan if day[name] is None else float(day[name]) for day in days])

    air_max, air_min = each("air_max_c"), _next_night(each("air_min_c"), local >= 15)
    light = np.clip(np.sin(np.pi * (local + 0.5 - 6.0) / 14.0), 0.0, None) * ((local >= 6) & (local < 20))
    core_c, rim_c = (_next_night(each(name), local >= 16) for name in ("core_min_c", "rim_min_c"))
    core_min = np.where(np.isnan(core_c), air_min + 1.0, core_c)
    rim_min = np.where(np.isnan(rim_c), air_min, rim_c)
    late = 0.5 + 0.5 * np.cos(2 * np.pi * (local - 16.0) / 24.0)
    evening = (local >= 18) & (local < 22)
    return {
        "air": air_min + (air_max - air_min) * wave,
        "light": light,
        "leaf_over": each("leaf_over_air_k") * light,
        "vpd": each("vpd_max_kpa") * (0.15 + 0.85 * wave),
        "beam": each("beam_w_m2") * light,
        "gust": each("gust_m_s") * (0.5 + 0.5 * wave),
        "wind": each("wind_m_s") * (0.5 + 0.5 * wave),
        "rain": np.where(evening, each("rain_mm") / 4.0, 0.0),
        "reach": np.where(evening, each("rain_mm") * each("rain_share") / 4.0, 0.0),
        "et": each("et_mm") * light / 8.9,
        "use": each("use_l") / 24.0,
        "rim": rim_min + (np.maximum(each("rim_max_c"), rim_min) - rim_min) * late,
        "shaded": rim_min + (np.maximum(each("shaded_rim_max_c"), rim_min) - rim_min) * late,
        "core": core_min + (np.maximum(each("core_max_c"), core_min) - core_min) * late,
        "code": each("weather_code"),
        "snow": each("snow_cm"),
        "wbgt": each("wbgt_max_c") * (0.6 + 0.4 * wave),
    }


def _next_night(lowest: np.ndarray, evening: np.ndarray) -> np.ndarray:
    """From the afternoon on the night to come counts, that is the lowest value of the next day."""
    return np.where(evening, np.append(lowest[24:], lowest[-24:]), lowest)


def number(value: float, unit: str) -> Number:
    return Number(value, unit, "estimate", "house")


def group(group_id: str, habit: str) -> SpeciesGroup:
    traits = {
        "root_kill_c": number(-10.0, "degC"),
        "air_caution_c": number(28.0, "degC"),
        "air_protect_c": number(32.0, "degC"),
    }
    marks = frozenset({"conifer"}) if "needle" in habit else frozenset()
    return SpeciesGroup(group_id, group_id, (group_id,), habit, NumberTable("species.toml", traits), marks)


def flag(flag_id: str, day: date) -> Flag:
    note = "check, leave it if the top third is still moist" if flag_id in ("bare", "repotted") else ""
    words = {"bare": "bare after stripping", "tender": "soft new leaves"}.get(flag_id, flag_id)
    rule = FlagRule(
        flag_id, words, (), (), "", True, "", (), note, frozenset(FLAG_MARKS[flag_id]), NumberTable("t", {})
    )
    began = day - timedelta(days=8)
    end = day + timedelta(days=10)
    return Flag(
        rule, began, datetime.combine(began, time(10), UTC), 9, None, (end, end), "running", "logged", None
    )


def state(row: dict[str, Any], now: datetime) -> TreeState:
    tree_id, day = row["id"], now.astimezone(ZONE).date()
    flags = tuple(flag(each, day) for each in row.get("flags", []))
    bare = "bare" in row.get("flags", [])
    stage = Stage[row.get("stage", "LEAVES_HARD")]
    tree = Tree(
        tree_id,
        row.get("name", tree_id.capitalize()),
        row.get("group", "acer-palmatum"),
        row.get("group", "acer-palmatum"),
        row.get("place", "bench"),
        row.get("size", "chuhin"),
        Pot(row.get("volume_l", 3.2), 30.0, 22.0, 6.0, "rectangle", "glazed-dark"),
        Crown(row.get("width_cm", 35.0), row.get("height_cm", 45.0)),
        "akadama-pumice-lava",
    )
    needs = Needs(
        **{
            key: Need(
                float(value),
                UNIT[key],
                flags[0].rule.name if flags else "species",
                "common practice: growers",
            )
            for key, value in row.get("needs", {}).items()
        }
    )
    since = row.get("stage_since", day - timedelta(days=60))
    last = {"watered": row["last_watered"]} if "last_watered" in row else {}
    leaf = row.get("leaf_share", 0.05 if bare else (0.0 if stage is Stage.DORMANT else 1.0))
    return TreeState(
        tree=tree,
        group=group(tree.group_id, row.get("habit", "deciduous")),
        at_utc=now,
        place_id=tree.place_id,
        place_since=None,
        extra_shade=row.get("extra_shade", 0.0),
        stage=StageKnown(stage, "seen", "seen", since, since),
        leaves_hard_seen=stage is Stage.LEAVES_HARD,
        flags=flags,
        water_leaf_share=leaf,
        sun_leaf_share=0.0 if bare or stage is Stage.DORMANT else row.get("leaf_share", 1.0),
        root_share=row.get("root_share", 1.0),
        needs=needs,
        water=WaterRecord(None, None, None, None, row.get("unlogged", False)),
        last=last,
        questions=tuple(
            Question(each["id"], each["text"], tuple(each["answers"]), each["due"], each["why"])
            for each in row.get("questions", [])
        ),
    )


def _slots(now: datetime) -> list[datetime]:
    day = now.astimezone(ZONE).date()
    every = [
        datetime.combine(day + timedelta(days=ahead), at, tzinfo=ZONE).astimezone(UTC)
        for ahead in range(3)
        for at in GARDEN.watering_times
    ]
    return [at for at in every if at >= now]


def _waterings(rows: list[dict[str, Any]], slots: list[datetime]) -> np.ndarray:
    litres = []
    for row in rows:
        by_time = row.get("waterings_l", [0.3, 0.0, 0.0])
        times = [at.hour for at in GARDEN.watering_times]
        litres.append([by_time[times.index(slot.astimezone(ZONE).hour)] for slot in slots])
    return np.array(litres, dtype=float).reshape(len(rows), len(slots))


def build(case: dict[str, Any], now: datetime | None = None, ends: datetime | None = None) -> Situation:
    """Make the situation of a case; ``now`` moves the clock without moving the weather."""
    anchor = case["now"].replace(tzinfo=ZONE)
    now_utc = (now or anchor).astimezone(UTC)
    start, hours, days = _rows(case, anchor)
    curve = _curves(hours, days)
    rows = case["trees"]
    states = {row["id"]: state(row, now_utc) for row in rows}
    places = {
        place.id: replace(place, room=case.get("room", {}).get(place.id, place.room)) for place in PLACES
    }
    holdings = Holdings(GARDEN, places, tuple(each.tree for each in states.values()), ())
    tables = load_tables()
    gaps = {
        name: np.array([name in day["nan"] for day in days])
        for name in {each for day in days for each in day["nan"]}
    }
    weather = WeatherTable(
        start,
        {
            "air_temperature_c": curve["air"],
            "cloud_cover_pct": np.zeros(start.size),
            "wind_speed_10m_m_s": np.zeros(start.size),
            "wind_gust_m_s": curve["gust"] / 0.75,
            "rain_mm": curve["rain"],
            "weather_code": curve["code"],
            "snow_depth_cm": curve["snow"],
            "reference_et_mm": curve["et"],
        },
        Provenance("test", now_utc, now_utc, model_names_hail=case.get("names_hail", False)),
    )
    exposure = _exposure(curve, gaps, start, rows, states, places, weather, now_utc)

    def expose(there: Holdings, doubles: Mapping[str, TreeState]) -> Exposure:
        """What the trees meet elsewhere, by the same curves; a double's id begins with its tree's."""
        named = {row["id"]: row for row in rows}
        of_trees = [named[double.split("@")[0]] for double in doubles]
        return _exposure(curve, gaps, start, of_trees, dict(doubles), places, weather, now_utc)

    day = now_utc.astimezone(ZONE).date()
    blind = case.get("no_weather", False)
    told: set[str] = set()
    if case.get("told_standing"):
        told = {"standing-heat-bench:" + "+".join(states), "standing-pot-bench:" + "+".join(states)}
    return Situation(
        now_utc=now_utc,
        day=day,
        holdings=holdings,
        tables=tables,
        states=states,
        weather=None if blind else weather,
        exposure=None if blind else exposure,
        members=None,
        caution=case.get("caution", "even"),
        season_end=SeasonEnd(None, "none", "", ""),
        weather_age_h=None if blind else 1.0,
        confirmed={(hazard, tree): on for hazard, tree, on in case.get("confirmed", [])},
        told_standing=frozenset(told),
        expose=expose,
    )


def _exposure(
    curve: dict[str, np.ndarray],
    gaps: dict[str, np.ndarray],
    start: np.ndarray,
    rows: list[dict[str, Any]],
    states: dict[str, TreeState],
    places: dict[str, Place],
    weather: WeatherTable,
    now: datetime,
) -> Exposure:
    tables = load_tables()
    used = {each.place_id for each in states.values()} - {"bench"}
    air = {
        place: place_temperature_c(places[place], weather, GARDEN, tables)
        for place in used | {"bench"}
        if used
    }

    def stack(make: Any) -> np.ndarray:
        return np.array([make(each, places[each.place_id]) for each in states.values()], dtype=float)

    def kept(each: TreeState, place: Place) -> float:
        return (1.0 - place.shade_fraction) * (1.0 - each.extra_shade)

    def gained(each: TreeState) -> np.ndarray:
        if each.place_id == "bench":
            return np.zeros(start.size)
        return air[each.place_id] - air["bench"]

    slots = _slots(now)
    dry = []
    for row in rows:
        if "dry_at" in row:
            clock_time = time.fromisoformat(row["dry_at"])
            at = datetime.combine(now.astimezone(ZONE).date(), clock_time, tzinfo=ZONE).astimezone(UTC)
            dry.append(stamp_of(at))
        else:
            dry.append(np.datetime64("NaT", "s"))
    elevation = np.where(curve["light"] > 0.0, 5.0 + 55.0 * curve["light"], -10.0)
    local = np.array([h.astype("datetime64[h]").astype(int) % 24 for h in start], dtype=float)
    values = {
        "direct_sun_share": stack(lambda each, place: (curve["light"] > 0.0) & (place.shelter_level < 4)),
        "shortwave_w_m2": stack(lambda each, place: curve["beam"] * kept(each, place)),
        "sun_w_m2": stack(lambda each, place: curve["beam"] * kept(each, place)),
        "leaf_temperature_c": stack(
            lambda each, place: (
                np.full(start.size, np.nan)
                if each.sun_leaf_share <= 0.0
                else curve["air"] + curve["leaf_over"] * kept(each, place)
            )
        ),
        "vpd_kpa": stack(lambda each, place: curve["vpd"]),
        "wind_m_s": stack(lambda each, place: curve["wind"] * (1.0 - place.wind_shelter)),
        "gust_m_s": stack(lambda each, place: curve["gust"] * (1.0 - place.wind_shelter)),
        "rain_reaching_pot_mm": stack(lambda each, place: curve["reach"] * (place.rain == "open")),
        "water_use_l": stack(lambda each, place: curve["use"]),
        "water_left_share": stack(lambda each, place: np.full(start.size, 0.8)),
        "pot_rim_c": stack(lambda each, place: curve["rim"]),
        "pot_rim_shaded_c": stack(lambda each, place: curve["shaded"] + gained(each)),
        "pot_core_c": stack(lambda each, place: curve["core"] + gained(each)),
        "bench_temperature_c": stack(lambda each, place: curve["air"] + gained(each)),
        "wet_bulb_c": stack(lambda each, place: curve["air"] - 4.0),
    }
    for name, gap in gaps.items():
        values[name] = np.where(gap, np.nan, values[name])
    trees = len(rows)
    return Exposure(
        start_utc=start,
        tree_ids=tuple(states),
        now_utc=now,
        **values,
        reference_et_mm=curve["et"],
        solar_hour=(local + 0.5 + LONGITUDE / 15.0) % 24.0,
        sun_elevation_deg=elevation,
        slot_utc=np.array([stamp_of(slot) for slot in slots]),
        waterings_l=_waterings(rows, slots),
        dry_at=np.array(dry),
        dry_known_share=np.ones(len(rows)),
        left_now_share=np.array([row.get("left_now", 0.8) for row in rows], dtype=float),
        capacity_l=np.full(trees, 1.0),
        usable_l=np.full(trees, 0.5),
        water_known=tuple("assumed watered as advised" for _ in rows),
        wbgt_c=curve["wbgt"],
    )
