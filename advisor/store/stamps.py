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
    """Return the instant of a stored stamp."""
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def stamp_text(text: str | None) -> datetime | None:
    """Return the instant of a stored stamp, or None for None."""
    return None if text is None else utc_from(text)


def day_text(day: date) -> str:
    """Return ``2026-07-01`` for a local day."""
    return day.strftime("%Y-%m-%d").zfill(10)
