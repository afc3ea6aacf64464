"""The words of the journal: what may be entered, and which amount and unit go with it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from advisor.store.toml_faults import did_you_mean, nearest, shown_value

__all__ = ["COLUMNS", "ENTRIES", "RETRACTED", "UNITS", "EntryWord", "Slip", "checked_amount", "entry_slip"]

COLUMNS = ("date", "time", "tree", "entry", "amount", "unit", "note")
RETRACTED = "retracted"

UNITS: Mapping[str, tuple[float, float, str]] = {
    "share": (0.0, 1.0, "a share, 0..1"),
    "mm": (0.0, 5000.0, "millimetres, 0 or more"),
    "kg": (0.0, 2000.0, "kilograms, 0 or more"),
    "l": (0.0, 2000.0, "litres, 0 or more"),
    "c": (-60.0, 60.0, "degrees Celsius"),
    "f": (-76.0, 140.0, "degrees Fahrenheit"),
}
"""Unit -> smallest and largest number that makes sense, and what it is called."""


@dataclass(frozen=True, slots=True)
class EntryWord:
    """One word of the journal: work done or something seen, what its amount may be, and what it is about."""

    kind: Literal["work", "seen", "other"]
    units: tuple[str, ...] = ()
    amount: Literal["none", "optional", "number", "place", "tree"] = "none"
    about: Literal["tree", "place"] = "tree"


_SHARE = EntryWord("work", ("share",), "optional")
_WORK, _SEEN = EntryWord("work"), EntryWord("seen")
_READING = EntryWord("seen", ("c", "f"), "number", "place")

ENTRIES: Mapping[str, EntryWord] = {
    "defoliated": _SHARE,
    "part-defoliated": _SHARE,
    "cut": EntryWord("work", ("mm", "share"), "optional"),
    "carved": EntryWord("work", ("mm", "share"), "optional"),
    "carved-deadwood": EntryWord("work", ("mm", "share"), "optional"),
    "wired": _SHARE,
    "unwired": _SHARE,
    "bent": EntryWord("work", ("mm",), "optional"),
    "repotted": _SHARE,
    "layer-started": _WORK,
    "layer-separated": EntryWord("work", (), "tree"),
    "sealed": _WORK,
    "limed": _WORK,
    "candle-cut": _SHARE,
    "fed": EntryWord("work", ("l", "kg"), "optional"),
    "watered": EntryWord("work", ("l", "mm"), "optional"),
    "weighed": EntryWord("work", ("kg",), "number"),
    "moved": EntryWord("work", ("place",), "place"),
    "shaded": _SHARE,
    "unshaded": _WORK,
    "buds-swelling": _SEEN,
    "leaves-open": EntryWord("seen", ("share",), "optional"),
    "leaves-hard": _SEEN,
    "bloom-over": _SEEN,
    "roots-seen": _SEEN,
    "colour": EntryWord("seen", ("share",), "optional"),
    "leaf-fall": EntryWord("seen", ("share",), "optional"),
    "wilted": EntryWord("seen", ("share",), "optional"),
    "scorched": EntryWord("seen", ("share",), "optional"),
    "frosted": EntryWord("seen", ("share", "c"), "optional"),
    "wire-tight": _SEEN,
    "pests": _SEEN,
    "recovered": EntryWord("seen", ("share",), "optional"),
    "night-min": _READING,
    "day-max": _READING,
    "note": EntryWord("other", ("share", "mm", "kg", "l", "c"), "optional"),
    RETRACTED: EntryWord("other"),
}


@dataclass(frozen=True, slots=True)
class Slip:
    """What is wrong in one column of a line."""

    column: str
    found: str
    wanted: str


def checked_amount(word: EntryWord, amount: str, unit: str) -> tuple[float | str | None, str, Slip | None]:
    """Return amount and unit of an entry, or the slip; names of places and trees are checked by the caller.

    A unit may be left out where only one is possible.
    """
    if amount and word.amount == "none":
        return (
            None,
            "",
            Slip("amount", shown_value(amount), "leave amount empty for this entry; words go into note"),
        )
    slip = _unit_slip(word, unit) or (None if amount else _missing_slip(word))
    if slip is None and amount and word.amount in {"optional", "number"} and not unit and len(word.units) > 1:
        slip = Slip("unit", "is missing", f"one of {', '.join(word.units)}")
    if slip is not None or not amount:
        return None, "", slip
    if word.amount in {"place", "tree"}:
        return amount, unit, None
    return _number(amount, unit or word.units[0])


def _unit_slip(word: EntryWord, unit: str) -> Slip | None:
    allowed = (*word.units, "tree") if word.amount == "tree" else word.units
    if not unit or unit in allowed:
        return None
    return Slip(
        "unit", shown_value(unit), did_you_mean(unit, allowed) if allowed else "leave unit empty here"
    )


def _missing_slip(word: EntryWord) -> Slip | None:
    wanted = {
        "number": f"a number of {' or '.join(word.units)}",
        "place": "the id of a place",
        "tree": "the new tree's id",
    }
    return Slip("amount", "is missing", f"write {wanted[word.amount]}") if word.amount in wanted else None


def _number(amount: str, unit: str) -> tuple[float | None, str, Slip | None]:
    low, high, meaning = UNITS[unit]
    try:
        value = float(amount) if "_" not in amount else math.nan
    except ValueError:
        return (
            None,
            "",
            Slip("amount", f"{shown_value(amount)} is not a number", _number_hint(amount, meaning)),
        )
    if not math.isfinite(value):
        return None, "", Slip("amount", f"{shown_value(amount)} is not a number", f"write {meaning}")
    if not low <= value <= high:
        hint = f"; did you mean {value / 100:g}?" if unit == "share" and 1 < value <= 100 else ""
        return None, "", Slip("amount", shown_value(amount), f"write {meaning}{hint}")
    return value, unit, None


def _number_hint(amount: str, meaning: str) -> str:
    for text, factor in ((amount.replace(",", "."), 1.0), (amount.rstrip("% ").replace(",", "."), 0.01)):
        try:
            value = float(text) * factor
        except ValueError:
            continue
        return f"write {value:g} ({meaning}, with a point for decimals)"
    return f"write {meaning}"


def entry_slip(entry: str) -> Slip | None:
    """Return the slip of an unknown entry word, with the nearest right one."""
    if entry in ENTRIES:
        return None
    known = [word for word in ENTRIES if word != RETRACTED]
    stem = nearest(entry, known) or next((word for word in known if word.startswith(entry[:4])), None)
    first = [stem, *(word for word in known if word != stem)] if stem else known
    return Slip("entry", f"{shown_value(entry)} is not a journal entry", did_you_mean(entry, first))
