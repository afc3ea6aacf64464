"""What one check of a piece of work looks at: tree, day, half day, hours of weather, words and bands.

Every check is a pure function of a ``WorkCase``; the limits come from its row in config/work.toml.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import cast

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Check, CheckVerdict, Situation
from advisor.garden.model import Place
from advisor.garden.practice import said_by
from advisor.garden.seasons import healing_days
from advisor.garden.state_model import Flag, TreeState
from advisor.garden.tables import CheckRow, SpeciesGroup, WorkRule
from advisor.units import Number, shown

__all__ = [
    "EXPOSED",
    "FORECAST",
    "Hours",
    "WorkCase",
    "band",
    "date_words",
    "is_own",
    "matches",
    "option_words",
    "overlapping",
    "place_of",
    "places_with_room",
    "raised_by",
    "worst",
]

FloatArray = NDArray[np.float64]

_HOUR_S = 3600
_RANK: Mapping[CheckVerdict, int] = {"pass": 0, "care": 1, "unknown": 2, "fail": 3}


@dataclass(frozen=True, slots=True)
class Hours:
    """Values of one variable over a span of hours, and when they are.

    ``wanted`` is how many hours the span has; ``values`` may be fewer where the weather ends, and may
    hold NaN.
    """

    values: FloatArray
    first_utc: datetime
    wanted: int
    found: dict[str, tuple[float | None, datetime | None]] = field(
        init=False, default_factory=dict, compare=False, repr=False
    )
    """Extremes already looked for: many kinds of work ask the same hours the same thing."""

    @property
    def known(self) -> int:
        """Hours with a value."""
        return int(np.count_nonzero(np.isfinite(self.values)))

    @property
    def complete(self) -> bool:
        """True when every hour of the span has a value."""
        return self.wanted > 0 and self.known >= self.wanted

    def extreme(self, how: str) -> tuple[float | None, datetime | None]:
        """Return the ``max``, ``min``, ``sum`` or ``mean`` of the hours known, and when (extremes only)."""
        if how not in self.found:
            self.found[how] = self._extreme(how)
        return self.found[how]

    def _extreme(self, how: str) -> tuple[float | None, datetime | None]:
        values, known = self.values, self.known
        if not known:
            return None, None
        whole = known == values.size  # what looks for NaN is several times slower
        if how in {"max", "min"}:
            if whole:
                row = int(values.argmax() if how == "max" else values.argmin())
            else:
                row = int(np.nanargmax(values) if how == "max" else np.nanargmin(values))
            return float(values[row]), self.first_utc + timedelta(hours=row)
        total = float(values.sum() if whole else np.nansum(values))
        if how == "sum":
            return total, None
        return total / known if whole else float(np.nanmean(values)), None


@dataclass(frozen=True, slots=True)
class WorkCase:
    """One check of one kind of work on one tree in one half day."""

    situation: Situation
    rule: WorkRule
    row: CheckRow
    state: TreeState
    day: date
    from_utc: datetime
    until_utc: datetime

    def with_row(self, row: CheckRow) -> WorkCase:
        """Return the same case for another check."""
        return replace(self, row=row)

    # --- numbers and words of the row ----------------------------------------------------------

    def number(self, key: str) -> Number | None:
        """Return a number of the row for this tree: ``SELECTOR.key`` before ``key``; None without one."""
        asked = ("number", id(self.row), key, self.state.tree.species_id)
        return self.situation.once(asked, lambda: self._number(key))

    def _number(self, key: str) -> Number | None:
        numbers = self.row.numbers
        for name in numbers:
            selector, dot, rest = name.partition(".")
            if dot and rest == key and matches(selector, self.state.group, self.state.tree.species_id):
                return numbers[name]
        for name in numbers:
            if name == key:
                return numbers[name]
        return None

    def need(self, key: str) -> float:
        """Return the value of a number that the row must have."""
        found = self.number(key)
        if found is None:
            return self.row.numbers[key].value
        return found.value

    def show(self, value: float, unit: str, beside: float | None = None) -> str:
        """Return a value as the grower reads it, fine enough to be told from the number ``beside`` it."""
        if beside is not None:
            return self.show_both(value, beside, unit)[0]
        return str(shown(value, unit, self.situation.holdings.garden.units))

    def show_both(self, value: float, limit: float, unit: str) -> tuple[str, str]:
        """Return a value and its limit as the grower reads them, fine enough to be told apart."""
        units = self.situation.holdings.garden.units
        value_text, limit_text = (str(shown(one, unit, units)) for one in (value, limit))
        same, whole = value_text == limit_text, value == limit and value == round(value)
        if not whole and (same or (unit == "degC" and round(limit) != limit)):
            value_text = str(shown(value, unit, units, 1))
        if not whole and (same or (unit == "degC" and round(value) != value)):
            limit_text = str(shown(limit, unit, units, 1))
        return value_text, limit_text

    def at(self, moment: datetime | None) -> str:
        """Return `` at 15:00`` (garden-local, with the date if not the judged day), or nothing."""
        if moment is None:
            return ""
        local = moment.astimezone(self.situation.holdings.garden.zone)
        return (
            f" at {local:%H:%M}"
            if local.date() == self.day
            else f" on {local:%a} {local.day} {local:%b}, {local:%H:%M}"
        )

    def check(
        self,
        verdict: CheckVerdict,
        text: str,
        *,
        value: float | str | None = None,
        unit: str = "",
        limit: float | str | None = None,
        at_utc: datetime | None = None,
        source: str = "",
    ) -> Check:
        """Return a finished check of this row; a row may cap how bad it gets (``worst = "care"``).

        Where a row counts by a setting of the grower and is not passed, the words name the setting.
        """
        cap = self.row.options.get("worst")
        if cap == "care" and verdict == "fail":
            verdict = "care"
        setting = said_by(self.row.options) if verdict != "pass" else ""
        if setting:
            text = f"{text} ({setting})"
        return Check(
            self.row.gate, self.row.id, verdict, value, unit, limit, at_utc, source, text, self.row.deciding
        )

    # --- time ----------------------------------------------------------------------------------

    def local_midnight(self, days: int) -> datetime:
        """Return the start of the local day ``days`` after the judged day, in UTC."""
        zone = self.situation.holdings.garden.zone
        return datetime.combine(self.day + timedelta(days=days), time(0), zone).astimezone(UTC)

    def days_since(self, entry: str) -> int | None:
        """Days from the last ``entry`` of the journal (or a flag it raised) to the judged day."""
        past = [(self.day - when).days for when in self.logged.get(entry, ()) if when <= self.day]
        return min(past) if past else None

    @property
    def logged(self) -> Mapping[str, Sequence[date]]:
        """Days that count for each journal entry that the tree has."""
        state = self.state
        return self.situation.once(("logged_days", id(state)), lambda: (state, logged_days(state)))[1]

    def rested(self, days: int, wanted: float) -> float:
        """Days that count towards a rest of ``wanted`` days: those of winter count less (``winter.*``).

        A rest of a season or a year, a tree without dormancy and a row with ``whole_days`` count every day.
        """
        numbers, group = self.situation.tables.phenology, self.state.group
        whole = wanted >= numbers.value("winter.whole_from_d", "d") or "no-dormancy" in group.marks
        if whole or self.row.options.get("whole_days") or days <= 0:
            return float(days)
        garden, begun = self.situation.holdings.garden, self.day - timedelta(days=days)
        asked = ("healing_days", begun, self.day)
        return self.situation.once(asked, lambda: healing_days(begun, self.day, garden, numbers))

    def same_session(self, entry: str) -> bool:
        """True when ``entry`` was done in the session that this work would belong to."""
        gap = self.number("session_d")
        days = self.days_since(entry)
        return gap is not None and days is not None and days <= gap.value

    # --- hours of weather ------------------------------------------------------------------------

    def stands(self, variable: str) -> str | tuple[str, float]:
        """Return whose weather a variable is: the garden's, the spot's (place and own net), the tree's."""
        if variable in _OF_GARDEN:
            return ""
        spot = (self.state.place_id, self.state.extra_shade)
        return self.state.tree.id if is_own(variable) else spot

    def hours(self, variable: str, from_utc: datetime, until_utc: datetime) -> Hours:
        """Return the hours of ``variable`` at this tree that overlap [from, until)."""
        key = ("hours", variable, self.stands(variable), from_utc, until_utc)
        return self.situation.once(key, lambda: self._hours(variable, from_utc, until_utc))

    def _hours(self, variable: str, from_utc: datetime, until_utc: datetime) -> Hours:
        start, values = self._series(variable)
        if start is None:
            start = np.datetime64(int(from_utc.timestamp()) // _HOUR_S * _HOUR_S, "s")
        low, high, wanted = overlapping(start, from_utc, until_utc)
        first = _unix_s(start) + low * _HOUR_S
        return Hours(values[low:high], datetime.fromtimestamp(first, tz=UTC), wanted)

    def _series(self, variable: str) -> tuple[np.datetime64 | None, FloatArray]:
        """Return the start of a variable, None where it is not known, and its hours at this tree."""
        nothing: FloatArray = np.empty(0)
        weather, exposure = self.situation.weather, self.situation.exposure
        if variable in FORECAST:
            if weather is None or not weather.hours:
                return None, nothing
            values = weather.value(FORECAST[variable])
            place = place_of(self.situation, self.state)
            if variable == "rain" and place is not None and place.rain == "covered":
                values = np.where(np.isnan(values), values, 0.0)
            return weather.start_utc[0], values
        if exposure is None or not exposure.start_utc.size:
            return None, nothing
        if variable in _GARDEN:
            return exposure.start_utc[0], cast("FloatArray", getattr(exposure, _GARDEN[variable]))
        if self.state.tree.id not in exposure.tree_ids:
            return None, nothing
        found = cast("FloatArray", getattr(exposure, _TREE[variable]))
        return exposure.start_utc[0], found[exposure.row(self.state.tree.id)]


FORECAST: Mapping[str, str] = {
    "rain": "rain_mm",
    "humidity": "relative_humidity_pct",
    "weather-code": "weather_code",
}
_GARDEN: Mapping[str, str] = {"wbgt": "wbgt_c"}
_TREE: Mapping[str, str] = {
    "bench-air": "bench_temperature_c",
    "wind": "wind_m_s",
    "gust": "gust_m_s",
    "water-left": "water_left_share",
    "root": "pot_core_c",
    "vpd": "vpd_kpa",
}


_OF_GARDEN = frozenset({"humidity", "weather-code", "wbgt"})
_OF_SPOT = frozenset({"rain", "bench-air", "wind", "gust", "vpd"})
"""Variables that are the same for all trees, and for all in one place under one net."""


EXPOSED: Mapping[str, str] = {**_TREE, **_GARDEN}
"""Variables of the exposure by the name of its array; those in ``FORECAST`` come from the weather itself."""


def is_own(variable: str) -> bool:
    """True for variables that each tree has for itself, such as those of its pot."""
    return variable not in _OF_GARDEN and variable not in _OF_SPOT


def overlapping(start_utc: np.datetime64, from_utc: datetime, until_utc: datetime) -> tuple[int, int, int]:
    """Return the rows ``low`` to before ``high`` of hours from ``start_utc`` on that overlap [from, until).

    Both are cut at the first row. The third is how many hours the span has.
    """
    first_s = int(from_utc.timestamp()) // _HOUR_S * _HOUR_S
    wanted = max(0, -(-int(until_utc.timestamp() - first_s) // _HOUR_S))
    offset = (first_s - _unix_s(start_utc)) // _HOUR_S
    return max(offset, 0), max(offset + wanted, 0), wanted


def _unix_s(stamp: np.datetime64) -> int:
    return int(stamp.astype("datetime64[s]").astype(np.int64))


# --- selectors, places, bands --------------------------------------------------------------------


def matches(selector: str, group: SpeciesGroup, species_id: str) -> bool:
    """True when a word of a row means this tree: group id, botanical id, genus, mark or leaf habit."""
    return (
        selector in (group.id, group.habit, species_id)
        or selector in group.marks
        or selector in group.species
        or selector == species_id.partition("-")[0]
    )


def raised_by(state: TreeState, flag: Flag) -> frozenset[str]:
    """Return the journal entries that raised a flag: those logged on its first day, else all that could."""
    logged = frozenset(entry for entry in flag.rule.starts if state.last.get(entry) == flag.began)
    return logged or frozenset(flag.rule.starts)


def logged_days(state: TreeState) -> dict[str, list[date]]:
    """Return the days that count for each journal entry: its last, and those of flags that it raised."""
    found = {entry: [when] for entry, when in state.last.items()}
    for flag in state.flags:
        for entry in raised_by(state, flag):
            found.setdefault(entry, []).append(flag.began)
    return found


def date_words(day: date, today: date) -> str:
    """Return ``4 July``, with the year where it is not that of ``today``."""
    return f"{day.day} {day:%B}" + (f" {day.year}" if day.year != today.year else "")


def option_words(row: CheckRow, key: str) -> tuple[str, ...]:
    """Return a list of words from the options of a row; empty without one."""
    found = row.options.get(key, ())
    return (found,) if isinstance(found, str) else tuple(cast("Sequence[str]", found))


def place_of(situation: Situation, state: TreeState) -> Place | None:
    """Return the place where the tree stands now."""
    return situation.holdings.places.get(state.place_id)


def places_with_room(situation: Situation, state: TreeState, *, own: bool) -> list[Place]:
    """Return the places that can take this tree; its own place counts only when ``own``."""
    taken = situation.once(
        "places_with_room", lambda: Counter(other.place_id for other in situation.states.values())
    )
    return [
        place
        for place in situation.holdings.places.values()
        if (own if place.id == state.place_id else place.room is None or taken[place.id] < place.room)
    ]


def band(value: float, number: Number, side: str) -> tuple[CheckVerdict, float]:
    """Hold a value against a limit and the range within which growers differ.

    ``side`` is ``max`` (value should not exceed) or ``min``. Within the limit: pass. Between the limit
    and the outer end of its range: care. Beyond that, or beyond a limit without a range: fail. Returns
    the verdict and the limit that was held against.
    """
    sign = 1.0 if side == "max" else -1.0
    outer = number.high if side == "max" else number.low
    if sign * value <= sign * number.value:
        return "pass", number.value
    if outer is not None and sign * value <= sign * outer:
        return "care", number.value
    return "fail", number.value if outer is None else outer


def worst(checks: Sequence[Check]) -> Check:
    """Return the worst of several readings of one check, the first among equals."""
    return max(checks, key=lambda check: _RANK[check.verdict])
