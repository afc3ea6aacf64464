"""Situations made by hand for the tests of advice: simple hourly series, hand-made tree states.

Nothing here runs the stage model or the physics; arrays go straight into an ``Exposure``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from advisor.advice.model import AlertEvent, Caution, SeasonEnd, Situation
from advisor.exposure.model import Exposure
from advisor.garden.model import Crown, Garden, Holdings, Place, Pot, Tree
from advisor.garden.ordering import WORK
from advisor.garden.practice import Practice, practised
from advisor.garden.state_model import Flag, Need, Needs, Session, Stage, StageKnown, TreeState, WaterRecord
from advisor.garden.tables import FlagRule, SpeciesGroup, Tables
from advisor.store.config_files import load_tables
from advisor.units import NumberTable
from advisor.weather.table import Provenance, WeatherTable

ZONE = "Europe/Berlin"
PAST_DAYS, AHEAD_DAYS = 16, 11

PLACES: dict[str, Place] = {
    "bench": Place("bench", "Open bench", room=30),
    "net": Place("net", "Net bench", shade_fraction=0.5, shelter_level=1, room=10),
    "roof": Place("roof", "Lean-to", rain="covered", shelter_level=3, room=10),
    "shed": Place("shed", "Shed", shade_fraction=0.9, rain="covered", shelter_level=4, room=10),
    "full-shed": Place("full-shed", "Full shed", rain="covered", shelter_level=4, room=0),
    "bright-room": Place("bright-room", "Bright room", rain="covered", shelter_level=5, room=4),
}

ENDS = {"wired": ("unwired",), "layer-running": ("layer-separated",)}
FLAGS: dict[str, FlagRule] = {
    name: FlagRule(
        name,
        name,
        starts,
        ENDS.get(name, ()),
        "",
        timed,
        "",
        (),
        "",
        frozenset(keeps),
        NumberTable("test", {}),
    )
    for name, starts, keeps, timed in (
        ("leafless", ("defoliated",), {"bare", "no-feed"}, True),
        ("tender-flush", (), {"tender"}, True),
        ("part-defoliated", ("part-defoliated",), set(), True),
        ("repotted", ("repotted",), {"no-feed"}, True),
        ("layer-running", ("layer-started",), set(), False),
        ("young-layer", ("layer-separated",), {"no-feed"}, True),
        ("scorched", ("scorched",), {"no-feed"}, True),
        ("frosted", ("frosted",), set(), True),
        ("wired", ("wired",), set(), False),
        ("candle-cut", ("candle-cut",), set(), True),
        ("stored", (), set(), False),
    )
}
"""Flags for tests; the shipped ones are config/aftercare.toml."""

FLAG_DAYS = {"leafless": (14, 42), "tender-flush": (21, 42), "young-layer": (42, 400)}


@dataclass
class Weather:
    """Simple weather at the bench, by day relative to the asked moment, and by hour."""

    tmax: float = 23.0
    tmin: float = 12.0
    wind: float = 2.0
    gust: float = 5.0
    rh: float = 60.0
    wbgt: float = 20.0
    code: float = 1.0
    water_left: float = 0.8
    days: dict[int, dict[str, float]] = field(default_factory=dict)
    rain: list[tuple[int, int, float]] = field(default_factory=list)
    hot_hours: list[tuple[int, int, int, float]] = field(default_factory=list)
    wind_hours: list[tuple[int, int, int, float]] = field(default_factory=list)
    rh_hours: list[tuple[int, int, int, float]] = field(default_factory=list)
    code_hours: list[tuple[int, int, int, float]] = field(default_factory=list)


def air_at(hour: int, tmin: float, tmax: float) -> float:
    """Coldest at 5, warmest at 15 o'clock, a cosine between."""
    phase = (hour - 15) / 14 if 5 <= hour <= 15 else ((hour - 15) % 24) / 14
    if hour < 5:
        phase = (hour + 9) / 14
    return (tmax + tmin) / 2 + (tmax - tmin) / 2 * float(np.cos(np.pi * phase))


def make_tree(
    species: str,
    tables: Tables,
    *,
    strength: int | None = 4,
    tree_id: str = "t1",
    place: str = "bench",
    height_cm: float = 38.0,
) -> Tree:
    group = tables.group_of(species)
    assert group is not None, species
    pot = Pot(3.0, 34.0, 26.0, 7.0, "oval", "glazed-dark")
    return Tree(
        tree_id,
        tree_id.title(),
        species,
        group.id,
        place,
        "chuhin",
        pot,
        Crown(45.0, height_cm),
        "akadama-pumice-lava",
        strength,
    )


def make_flag(
    name: str, days_ago: int, today: date, *, rule: FlagRule | None = None, group: SpeciesGroup | None = None
) -> Flag:
    began = today - timedelta(days=days_ago)
    low, high = FLAG_DAYS.get(name, (14, 60))
    off = group.traits.get("wire_off_d") if group is not None and name == "wired" else None
    if off is not None and off.low is not None and off.high is not None:
        low, high = int(off.low), int(off.high)
    end = (began + timedelta(days=low), began + timedelta(days=high))
    phase = "running" if today < end[0] else "due" if today <= end[1] else "overdue"
    at = datetime.combine(began, time(12), UTC)
    return Flag(rule or FLAGS[name], began, at, days_ago + 1, None, end, phase, "logged", None)


def make_state(
    tree: Tree,
    tables: Tables,
    now: datetime,
    *,
    stage: str = "LEAVES_HARD",
    known: str = "seen",
    events: list[list[Any]] | None = None,
    flags: list[list[Any]] | None = None,
    leaves_hard_seen: bool = True,
    leaf_share: float = 1.0,
    place: str = "bench",
    extra_shade: float = 0.0,
) -> TreeState:
    today = now.astimezone(ZoneInfo(ZONE)).date()
    last: dict[str, date] = {}
    for entry, ago, *amount in events or []:
        last[entry] = today - timedelta(days=ago)
        if entry == "cut" and amount and amount[0] >= 0.25:
            last["big-cut"] = last[entry]
    group = tables.species[tree.group_id]
    text = {
        "seen": "seen 6 days ago",
        "estimated": "estimated from degree days",
        "guess": "guess by the calendar",
    }[known]
    return TreeState(
        tree=tree,
        group=group,
        at_utc=now,
        place_id=place,
        place_since=None,
        extra_shade=extra_shade,
        stage=StageKnown(Stage[stage], known, text, None, None),  # type: ignore[arg-type]
        leaves_hard_seen=leaves_hard_seen,
        flags=tuple(make_flag(name, ago, today, group=group) for name, ago in flags or []),
        water_leaf_share=leaf_share,
        sun_leaf_share=leaf_share,
        root_share=1.0,
        needs=Needs(),
        water=WaterRecord(None, None, None, None, True),
        last=last,
        sessions=_sessions(events or [], last, today),
    )


def _sessions(events: list[list[Any]], last: dict[str, date], today: date) -> tuple[Session, ...]:
    """One session for each day on which work was logged."""
    works: dict[date, list[str]] = {}
    for entry, ago, *_ in events:
        day = today - timedelta(days=ago)
        if entry in WORK:
            works.setdefault(day, []).append(entry)
        if entry == "cut" and last.get("big-cut") == day:
            works[day].append("big-cut")
    return tuple(Session(day, day, tuple(done)) for day, done in sorted(works.items()))


_MADE: dict[tuple[str, datetime, int, int], tuple[np.ndarray, dict[str, np.ndarray]]] = {}


def hourly(
    weather: Weather, now: datetime, past_days: int = PAST_DAYS, ahead_days: int = AHEAD_DAYS
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return (start_utc, arrays) from local midnight ``past_days`` back to ``ahead_days`` after today.

    The last of them are kept: many cases differ in the tree alone.
    """
    key = (repr(weather), now, past_days, ahead_days)
    if key not in _MADE:
        if len(_MADE) >= 64:
            _MADE.clear()
        _MADE[key] = _hourly(weather, now, past_days, ahead_days)
    start, arrays = _MADE[key]
    return start.copy(), {name: array.copy() for name, array in arrays.items()}


def _hourly(
    weather: Weather, now: datetime, past_days: int, ahead_days: int
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    zone = ZoneInfo(ZONE)
    today = now.astimezone(zone).date()
    first = datetime.combine(today - timedelta(days=past_days), time(0), zone).astimezone(UTC)
    last = datetime.combine(today + timedelta(days=ahead_days), time(0), zone).astimezone(UTC)
    hours = int((last - first).total_seconds() // 3600)
    start = np.array(
        [np.datetime64(first.replace(tzinfo=None), "s") + np.timedelta64(3600 * n, "s") for n in range(hours)]
    )
    names = ("air", "wind", "gust", "rh", "wbgt", "code", "rain", "water_left")
    arrays = {name: np.zeros(hours) for name in names}
    for row in range(hours):
        local = (first + timedelta(hours=row)).astimezone(zone)
        ago, hour = (local.date() - today).days, local.hour
        of_day = weather.days.get(ago, {})

        def value(name: str, of_day: dict[str, float] = of_day) -> float:
            return float(of_day.get(name, getattr(weather, name)))

        arrays["air"][row] = air_at(hour, value("tmin"), value("tmax"))
        for name in ("wind", "gust", "rh", "wbgt", "code", "water_left"):
            arrays[name][row] = value(name)
        for name, spans in (
            ("air", weather.hot_hours),
            ("wind", weather.wind_hours),
            ("rh", weather.rh_hours),
            ("code", weather.code_hours),
        ):
            for day, begin, until, what in spans:
                if day == ago and begin <= hour < until:
                    arrays[name][row] = what
        arrays["rain"][row] = sum(mm for day, at, mm in weather.rain if day == ago and at == hour)
    return start, arrays


def make_exposure(
    start: np.ndarray, arrays: dict[str, np.ndarray], tree_ids: tuple[str, ...], now: datetime
) -> Exposure:
    trees, hours = len(tree_ids), start.size
    each = {name: np.tile(array, (trees, 1)) for name, array in arrays.items()}
    blank = np.zeros((trees, hours))
    at = int(
        (np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "s") - start[0]) // np.timedelta64(3600, "s")
    )
    left = arrays["water_left"][min(max(at, 0), hours - 1)]
    return Exposure(
        start_utc=start,
        tree_ids=tree_ids,
        now_utc=now,
        direct_sun_share=blank,
        shortwave_w_m2=blank,
        sun_w_m2=blank,
        leaf_temperature_c=each["air"],
        vpd_kpa=blank + 1.0,
        wind_m_s=each["wind"],
        gust_m_s=each["gust"],
        rain_reaching_pot_mm=each["rain"],
        water_use_l=blank,
        water_left_share=each["water_left"],
        pot_rim_c=each["air"],
        pot_rim_shaded_c=each["air"],
        pot_core_c=each["air"],
        bench_temperature_c=each["air"],
        wet_bulb_c=each["air"] - 3.0,
        reference_et_mm=np.zeros(hours),
        solar_hour=np.zeros(hours),
        sun_elevation_deg=np.zeros(hours),
        slot_utc=np.empty(0, dtype="datetime64[s]"),
        waterings_l=np.empty((trees, 0)),
        dry_at=np.full(trees, np.datetime64("NaT", "s")),
        left_now_share=np.full(trees, left),
        dry_known_share=np.ones(trees),
        capacity_l=np.ones(trees),
        usable_l=np.ones(trees),
        water_known=("assumed watered as advised",) * trees,
        wbgt_c=arrays["wbgt"],
    )


def make_weather(start: np.ndarray, arrays: dict[str, np.ndarray], now: datetime) -> WeatherTable:
    values = {
        "air_temperature_c": arrays["air"],
        "relative_humidity_pct": arrays["rh"],
        "wind_speed_10m_m_s": arrays["wind"] / 0.75,
        "wind_gust_m_s": arrays["gust"] / 0.75,
        "rain_mm": arrays["rain"],
        "weather_code": arrays["code"],
    }
    return WeatherTable(start, values, Provenance("by hand", now, now))


def make_situation(
    states: dict[str, TreeState],
    weather: Weather | None,
    now: datetime,
    tables: Tables,
    *,
    places: tuple[str, ...] = ("bench", "net"),
    frost: date | None = date(2026, 10, 12),
    frost_known: str = "climate",
    latitude: float = 47.9,
    working_hours: tuple[time, time] = (time(8), time(18)),
    ahead_days: int = AHEAD_DAYS,
    practice: dict[str, Any] | None = None,
    caution: Caution = "even",
    missing: tuple[str, ...] = (),
    members: dict[str, Any] | None = None,
) -> Situation:
    garden = Garden("Test garden", latitude, 8.2, 640.0, ZONE, working_hours=working_hours)
    if practice:
        words = {key: value for key, value in practice.items() if key != "major_works_per_season"}
        garden = replace(
            garden,
            practice=Practice(**words, given=frozenset(words)),
            major_works_per_season=practice.get("major_works_per_season"),
        )
    tables = practised(tables, garden.practice)
    trees = tuple(state.tree for state in states.values())
    holdings = Holdings(garden, {name: PLACES[name] for name in places}, trees, ())
    table = exposure = runs = None
    if weather is not None:
        start, arrays = hourly(weather, now, ahead_days=ahead_days)
        arrays |= {name: np.full(start.size, np.nan) for name in missing}
        table = make_weather(start, arrays, now)
        exposure = make_exposure(start, arrays, tuple(states), now)
        if members is not None:
            table, runs = with_members(weather, members, table, exposure, now, ahead_days)
    return Situation(
        now_utc=now,
        day=now.astimezone(garden.zone).date(),
        holdings=holdings,
        tables=tables,
        states=states,
        weather=table,
        exposure=exposure,
        members=runs,
        caution=caution,
        season_end=SeasonEnd(frost, frost_known if frost else "none", "by hand", "estimate: house"),  # type: ignore[arg-type]
        weather_age_h=None if weather is None else 1.0,
    )


def with_members(
    weather: Weather,
    given: dict[str, Any],
    table: WeatherTable,
    exposure: Exposure,
    now: datetime,
    ahead_days: int,
) -> tuple[WeatherTable, Exposure]:
    """Table and exposure of an ensemble: ``share`` of ``count`` runs meet ``days`` and ``rain``.

    Members reach seven days ahead, as in a pass.
    """
    count = int(given["count"])
    other = replace(
        weather,
        days={**weather.days, **{int(day): values for day, values in given.get("days", {}).items()}},
        rain=[*weather.rain, *(tuple(row) for row in given.get("rain", []))],
    )
    start, arrays = hourly(other, now, ahead_days=ahead_days)
    apart = make_exposure(start, arrays, exposure.tree_ids, now)
    odd = np.arange(count) < round(count * float(given["share"]))
    until = int(np.searchsorted(start, np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "s"))) + 7 * 24

    def runs(name: str) -> np.ndarray:
        plain, differs = getattr(exposure, name), getattr(apart, name)
        return np.stack([differs if one else plain for one in odd])[..., :until]

    names = (
        "bench_temperature_c", "wind_m_s", "gust_m_s", "pot_core_c", "water_left_share", "vpd_kpa", "wbgt_c",
        "leaf_temperature_c", "sun_w_m2",
    )  # fmt: skip
    elevation = exposure.sun_elevation_deg[:until]
    found = replace(
        exposure, start_utc=start[:until], sun_elevation_deg=elevation, **{name: runs(name) for name in names}
    )
    rain = np.stack([arrays["rain"] if one else table.value("rain_mm") for one in odd])
    rain[:, until:] = np.nan
    return replace(table, members={"rain_mm": rain}), found


SUN_W_M2, LEAF_OVER_AIR_K = 700.0, 5.0
"""Sun from 10 to 16 h, and how much warmer than the air leaves are then."""


def in_the_sun(situation: Situation, leaf_limit_c: float, missing_before: int | None = None) -> Situation:
    """Put the trees into the sun, their leaves at a limit of their own.

    With ``missing_before`` nothing is known of the hours before the start of that day.
    """
    exposure, zone = situation.exposure, situation.holdings.garden.zone
    assert exposure is not None
    local = [
        stamp.astype("datetime64[s]").item().replace(tzinfo=UTC).astimezone(zone)
        for stamp in exposure.start_utc
    ]
    noon = np.array([10 <= one.hour < 16 for one in local])
    light = np.array([6 <= one.hour < 20 for one in local])
    known = np.ones(noon.size, dtype=bool)
    if missing_before is not None:
        first = situation.day + timedelta(days=missing_before)
        known = np.array([one.date() >= first for one in local])

    def of_known(values: np.ndarray) -> np.ndarray:
        return np.where(known, values, np.nan)

    trees = len(exposure.tree_ids)
    seen = replace(
        exposure,
        sun_w_m2=of_known(np.tile(np.where(noon, SUN_W_M2, 0.0), (trees, 1))),
        sun_elevation_deg=np.where(light, 45.0, -10.0),
        leaf_temperature_c=of_known(exposure.leaf_temperature_c + np.where(noon, LEAF_OVER_AIR_K, 0.0)),
        bench_temperature_c=of_known(exposure.bench_temperature_c),
    )
    need = Need(leaf_limit_c, "degC", "the case", "by hand")
    states = {
        tree: replace(state, needs=replace(state.needs, leaf_limit_c=need))
        for tree, state in situation.states.items()
    }
    return replace(situation, exposure=seen, states=states)


def warning(row: dict[str, Any], situation: Situation) -> AlertEvent:
    """Return a warning of a row: hazard, first and last day from today, and the tree it names (``of``)."""
    first, last = (situation.day + timedelta(days=int(row[key])) for key in ("first", "last"))
    now = situation.now_utc
    trees = (str(row.get("of", "t1")),)
    return AlertEvent(row["hazard"], first, last, trees, (), row["hazard"], (), 1.0, False, now, now)


_WEATHER_KEYS = ("tmax", "tmin", "wind", "gust", "rh", "wbgt", "code")


def situation_of(case: dict[str, Any], tables: Tables | None = None) -> tuple[Situation, date]:
    """Return the situation of a row of work_cases/*.toml and the day asked for."""
    tables = tables or load_tables()
    now = (
        datetime.fromisoformat(case.get("now", "2026-06-20T07:00"))
        .replace(tzinfo=ZoneInfo(ZONE))
        .astimezone(UTC)
    )
    given = case.get("weather", {})
    weather = Weather(
        **{key: float(given[key]) for key in _WEATHER_KEYS if key in given},
        water_left=float(case.get("water_left", 0.8)),
        days={int(day): values for day, values in case.get("days", {}).items()},
        **{
            name: [tuple(row) for row in case.get(name, [])]
            for name in ("rain", "hot_hours", "wind_hours", "rh_hours", "code_hours")
        },
    )
    strength = case.get("strength", 4) or None
    stands = case.get("stands", "bench")
    tree = make_tree(case["species"], tables, strength=strength, height_cm=float(case.get("height_cm", 38)))
    if case.get("pot_l"):
        tree = replace(tree, pot=replace(tree.pot, volume_l=float(case["pot_l"])))
    state = make_state(
        tree,
        tables,
        now,
        stage=case.get("stage", "LEAVES_HARD"),
        known=case.get("known", "seen"),
        events=case.get("events", [["leaves-hard", 6]]),
        flags=case.get("flags", []),
        leaves_hard_seen=case.get("leaves_hard_seen", case.get("stage", "LEAVES_HARD") == "LEAVES_HARD"),
        leaf_share=float(case.get("leaf_share", 1.0)),
        place=stands,
    )
    frost = case.get("frost", "2026-10-12")
    situation = make_situation(
        {tree.id: state},
        None if case.get("no_weather") else weather,
        now,
        tables,
        places=("bench", *case.get("places", ["net"])),
        frost=None if frost == "none" else date.fromisoformat(str(frost)),
        frost_known=case.get("frost_known", "climate"),
        latitude=float(case.get("latitude", 47.9)),
        practice=case.get("practice"),
        caution=case.get("caution", "even"),
        missing=tuple(case.get("missing", ())),
        members=case.get("members"),
    )
    if "leaf_limit_c" in case:
        situation = in_the_sun(situation, float(case["leaf_limit_c"]), case.get("missing_before"))
    if "warnings" in case:
        found = tuple(warning(row, situation) for row in case["warnings"])
        situation = replace(situation, warnings=found)
    return situation, situation.day + timedelta(days=int(case.get("ask", 0)))
