"""Instants as the store keeps them: ISO 8601 UTC text with whole seconds, sortable as text."""

from __future__ import annotations

from datetime import UTC, date, datetime

__all__ = ["day_text", "optional_stamp", "stamp", "stamp_text", "utc_from"]


def stamp(instant: datetime) -> str:
    """Return ``2026-07-01T04:00:00Z`` for an instant that knows its offset.

    Raises
    ------
    ValueError
        The instant has no offset: nothing here guesses a zone.
    """
    if instant.tzinfo is None:
        raise ValueError(f"{instant.isoformat()} has no UTC offset; pass an instant in UTC")
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ").zfill(20)


def optional_stamp(instant: datetime | None) -> str | None:
    """Return the stamp, or None for None."""
    return None if instant is None else stamp(instant)


def utc_from(text: str) -> datetime:
    """Return the instant of a stored stamp.

    Raises
    ------
    ValueError
        It is no stamp as ``stamp`` writes them.
    """
    if len(text) != 20 or text[10] != "T" or text[19] != "Z":
        raise ValueError(f"{text!r} is no stamp of the store: 2026-07-01T04:00:00Z")
    return datetime.fromisoformat(text)  # many times as fast as strptime, and a pass reads hundreds


def stamp_text(text: str | None) -> datetime | None:
    """Return the instant of a stored stamp, or None for None."""
    return None if text is None else utc_from(text)


def day_text(day: date) -> str:
    """Return ``2026-07-01`` for a local day."""
    return day.strftime("%Y-%m-%d").zfill(10)
