"""Names of units, conversions, numbers that carry their evidence, and display in the grower's units.

Inside everything is metric: degC, m/s, mm, l, kPa, hPa, W/m2, kg, cm, m. ``us`` changes only what is
shown. A unit is declared at the edge and never guessed from a magnitude.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from advisor.errors import SettingsError

Evidence = Literal["published", "common practice", "estimate", "from memory"]
EVIDENCE: tuple[str, ...] = get_args(Evidence)

UNITS: frozenset[str] = frozenset(
    {
        "degC", "K", "m/s", "mm", "mm/h", "l", "ml", "kg", "cm", "m", "km", "h", "min", "s", "d", "year",
        "kPa", "hPa", "W/m2", "W/m2/K", "m2K/W", "W/m/K", "MJ/m3/K", "share", "pct", "K d", "1", "deg",
        "mol/m2/s", "day of year", "count", "degC/m", "d/deg", "d/m", "hour of day",
        "kg/l", "kg/m3", "m/s2", "km/m", "1/d",
    }
)  # fmt: skip
"""Every unit string a config row may carry. ``K d`` is degree days, ``1`` a plain factor."""

ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True, slots=True)
class Number:
    """A number from config/ with its unit and what it rests on.

    Attributes
    ----------
    value : float
        The default that is used.
    unit : str
        One of ``UNITS``.
    evidence : str
        ``published``, ``common practice``, ``estimate`` or ``from memory``.
    source : str
        Id of an entry in config/bibliography.toml.
    low, high : float or None
        The range within which growers or authors differ.
    """

    value: float
    unit: str
    evidence: Evidence
    source: str
    low: float | None = None
    high: float | None = None


class NumberTable(Mapping[str, Number]):
    """Numbers by dotted key, read with the unit the caller expects.

    A wrong unit or an unknown key is a fault of the program or of an edited config file and raises
    ``SettingsError`` with the file and key.
    """

    def __init__(self, file: str, rows: Mapping[str, Number]) -> None:
        self._file = file
        self._rows = dict(rows)

    def __getitem__(self, key: str) -> Number:
        try:
            return self._rows[key]
        except KeyError:
            raise SettingsError(f"config/{self._file}: no number {key!r}; add the row") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    def __contains__(self, key: object) -> bool:
        return key in self._rows

    @property
    def name(self) -> str:
        """File under config/ and, where the rows stand deeper in it, the path to them."""
        return self._file

    def with_row(self, key: str, number: Number) -> NumberTable:
        """Return a copy in which ``key`` holds another number."""
        return NumberTable(self._file, {**self._rows, key: number})

    def value(self, key: str, unit: str) -> float:
        """Return the number ``key``, which must be in ``unit``."""
        row = self[key]
        if row.unit != unit:
            raise SettingsError(f"config/{self._file}: {key} is in {row.unit!r}, wanted {unit!r}")
        return row.value

    def source(self, key: str) -> str:
        """Return ``evidence: source id`` for reasons shown to the grower."""
        row = self[key]
        return f"{row.evidence}: {row.source}"


# --- conversions -----------------------------------------------------------------------------


def fahrenheit_from_celsius(temperature_c: float) -> float:
    """Temperature [degF] from [degC]. Source: definition."""
    return temperature_c * 9.0 / 5.0 + 32.0


def celsius_from_fahrenheit(temperature_f: float) -> float:
    """Temperature [degC] from [degF]. Source: definition."""
    return (temperature_f - 32.0) * 5.0 / 9.0


M_S_PER_MPH = 0.44704
"""Exact: 1609.344 m / 3600 s."""
M_S_PER_KM_H = 1.0 / 3.6
M_S_PER_KNOT = 1852.0 / 3600.0
MM_PER_INCH = 25.4
L_PER_US_GALLON = 3.785411784
KG_PER_POUND = 0.45359237
CM_PER_INCH = 2.54
"""Exact definitions (NIST Handbook 44, appendix C; international mile, inch, pound, US gallon)."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A value as the grower reads it: text of the number, and of its unit (may be empty)."""

    number: str
    unit: str

    def __str__(self) -> str:
        return f"{self.number} {self.unit}".strip()


_METRIC: dict[str, tuple[float, float, str, int]] = {
    "degC": (1.0, 0.0, "°C", 0),
    "K": (1.0, 0.0, "K", 1),
    "m/s": (1.0, 0.0, "m/s", 0),
    "mm": (1.0, 0.0, "mm", 1),
    "l": (1.0, 0.0, "l", 1),
    "kg": (1.0, 0.0, "kg", 1),
    "kPa": (1.0, 0.0, "kPa", 1),
    "h": (1.0, 0.0, "h", 1),
    "d": (1.0, 0.0, "days", 0),
    "share": (100.0, 0.0, "%", 0),
    "pct": (1.0, 0.0, "%", 0),
    "cm": (1.0, 0.0, "cm", 0),
    "m": (1.0, 0.0, "m", 1),
    "W/m2": (1.0, 0.0, "W/m²", 0),
    "K d": (1.0, 0.0, "degree days", 0),
    "1": (1.0, 0.0, "", 1),
    "count": (1.0, 0.0, "", 0),
}
_US: dict[str, tuple[float, float, str, int]] = {
    "degC": (1.8, 32.0, "°F", 0),
    "K": (1.8, 0.0, "°F", 1),
    "m/s": (1.0 / M_S_PER_MPH, 0.0, "mph", 0),
    "mm": (1.0 / MM_PER_INCH, 0.0, "in", 2),
    "l": (1.0 / L_PER_US_GALLON, 0.0, "gal", 2),
    "kg": (1.0 / KG_PER_POUND, 0.0, "lb", 1),
    "cm": (1.0 / CM_PER_INCH, 0.0, "in", 1),
}
"""By unit: factor, offset, text shown, decimals."""

DisplayUnits = Literal["metric", "us"]


def shown(
    value: float | None, unit: str, units: DisplayUnits = "metric", decimals: int | None = None
) -> Shown:
    """Return ``value`` [``unit``] as the grower reads it.

    Parameters
    ----------
    value : float or None
        None and NaN read as ``unknown`` without a unit, never as ``nan``.
    unit : str
        One of ``UNITS``; a unit without an entry of its own is shown as it stands.
    units : {"metric", "us"}
        The grower's choice.
    decimals : int, optional
        Digits after the point, otherwise those of the unit.
    """
    if value is None or math.isnan(value):
        return Shown("unknown", "")
    factor, offset, text, digits = _METRIC.get(unit, (1.0, 0.0, unit, 1))
    if units == "us" and unit in _US:
        factor, offset, text, digits = _US[unit]
    number = f"{value * factor + offset:.{digits if decimals is None else decimals}f}"
    if float(number) == 0.0:
        number = number.lstrip("-")
    return Shown(number, text)
