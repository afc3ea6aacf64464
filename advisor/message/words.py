"""Small pieces of wording: local times, days, lists of names, reasons in a sentence."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import date, datetime
from math import isnan
from zoneinfo import ZoneInfo

from advisor.advice.model import Advice, Reason, Situation
from advisor.units import DisplayUnits, shown

__all__ = [
    "ascii_subject", "chance_text", "clock", "day_and_clock", "day_name", "list_of", "plain", "reason_text",
    "short_day", "tree_names", "why_text",
]  # fmt: skip

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SUBJECT_LENGTH = 66
"""Longest subject that no mail library folds or alters (house rule; RFC 5322 line length)."""

_UNIT_NAMES = {
    "degC": "°C", "K": "K", "m/s": "m/s", "mm": "mm", "l": "l", "kPa": "kPa", "h": "h", "d": "days",
    "share": "%", "pct": "%",
}  # fmt: skip


def clock(at_utc: datetime, zone: ZoneInfo) -> str:
    """Local time of day, ``06:00``."""
    return at_utc.astimezone(zone).strftime("%H:%M")


def short_day(day: date) -> str:
    """Day for the grower, ``Sun 14 Jul``; independent of the server's locale."""
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def day_name(day: date, today: date) -> str:
    """``today``, ``tomorrow``, or the short day."""
    distance = (day - today).days
    if distance == 0:
        return "today"
    return "tomorrow" if distance == 1 else short_day(day)


def day_and_clock(at_utc: datetime, zone: ZoneInfo, today: date) -> str:
    """``today 13:00``, ``tomorrow 05:00``, ``Sun 14 Jul 13:00``."""
    return f"{day_name(at_utc.astimezone(zone).date(), today)} {clock(at_utc, zone)}"


def list_of(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(names) <= 1:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def tree_names(situation: Situation, trees: Sequence[str], at_most: int = 6) -> str:
    """Names of trees for a line; the rest counted."""
    names = [situation.holdings.tree(tree).name for tree in trees]
    if len(names) > at_most:
        return f"{', '.join(names[: at_most - 1])} and {len(names) - at_most + 1} more"
    return list_of(names)


def reason_text(reason: Reason, zone: ZoneInfo, today: date, units: DisplayUnits) -> str:
    """One reason in words: quantity, value, limit, hour, who set the limit, and its evidence."""
    text = reason.quantity
    if reason.value is not None:
        text += f" {shown(reason.value, reason.unit, units, _digits(reason.unit))}"
    if reason.limit is not None:
        text += f" (limit {shown(reason.limit, reason.unit, units, _digits(reason.unit))}"
        text += f", {reason.set_by})" if reason.set_by else ")"
    elif reason.set_by:
        text += f" ({reason.set_by})"
    if reason.at_utc is not None:
        then = f"{reason.then} " if reason.then else ""
        text += f", {then}{day_and_clock(reason.at_utc, zone, today)}"
    return text


def _digits(unit: str) -> int | None:
    return {"degC": 0, "kPa": 1, "m/s": 0, "share": 0, "h": 1}.get(unit)


def chance_text(chance: float) -> str:
    """Return a chance in whole per cents; a forecast is never quite sure (common practice).

    Parameters
    ----------
    chance : float
        0..1; NaN stays unknown.
    """
    if isnan(chance):
        return "chance unknown"
    whole = round(100.0 * chance)
    return f"chance {'over 99' if whole > 99 else 'under 1' if whole < 1 else whole} %"


def why_text(advice: Advice, situation: Situation, at_most: int = 1, *, changes: bool = False) -> str:
    """The deciding reasons of one advice in a line, then how sure; with ``changes`` what would change it.

    Where trees want the same place, first why it went to this one.
    """
    garden = situation.holdings.garden
    parts = [
        reason_text(reason, garden.zone, situation.day, garden.units) for reason in advice.reasons[:at_most]
    ]
    text = "; ".join(parts)
    if advice.because:
        text = f"{advice.because}. {text[:1].upper()}{text[1:]}"
    if advice.chance is not None:
        text += f"; {chance_text(advice.chance)}"
    if advice.sure:
        text += f"; {advice.sure}"
    if advice.changes_if and changes:
        text += f". Changes if {advice.changes_if}"
    evidence = advice.reasons[0].source.split(":", 1)[0]
    if evidence in {"estimate", "from memory"}:
        text += " (limit: estimate)" if evidence == "estimate" else " (limit: from memory)"
    return text


def plain(text: str) -> str:
    """Text without control characters, for names and notes of the grower's in any message."""
    if text.replace("\n", "").isprintable():  # nearly always; nothing of category C is printable
        return text.strip()
    return "".join(sign for sign in text if unicodedata.category(sign)[0] != "C" or sign == "\n").strip()


def ascii_subject(text: str) -> str:
    """ASCII subject of at most 66 characters: signs are spelled out, accents dropped."""
    for sign, word in {"°C": " C", "°F": " F", "°": "", "−": "-", "–": "-", "—": "-", "’": "'", "ß": "ss", "ø": "o", "æ": "ae"}.items():  # fmt: skip  # noqa: E501
        text = text.replace(sign, word)
    flat = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    flat = " ".join(plain(flat).split())
    if len(flat) <= SUBJECT_LENGTH:
        return flat
    return flat[: SUBJECT_LENGTH - 3].rsplit(" ", 1)[0] + "..."
