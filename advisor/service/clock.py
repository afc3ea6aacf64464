"""The only module that reads the clock.

Everything else is told the time. ``--now`` gives a clock that stands still at a given moment; the
monotonic clock that bounds network time is real in both cases.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from advisor.errors import SettingsError

__all__ = ["Clock", "clock_for", "monotonic_s"]


@dataclass(frozen=True, slots=True)
class Clock:
    """Service time: ``system`` moves with the machine, ``given`` stands at ``at_utc``."""

    kind: Literal["system", "given"]
    at_utc: datetime | None = None

    def now_utc(self) -> datetime:
        """Return the service time, aware, in UTC, to the second."""
        if self.at_utc is not None:
            return self.at_utc
        return datetime.now(UTC).replace(microsecond=0)  # noqa: TID251 - this is the clock module


def clock_for(text: str | None, zone: ZoneInfo | None) -> Clock:
    """Return the clock that ``--now`` asks for.

    Parameters
    ----------
    text : str or None
        ISO 8601; without an offset it is garden time. None is the system clock.
    zone : ZoneInfo or None
        The garden's zone; None when the garden file cannot be read, then an offset is required.

    Raises
    ------
    SettingsError
        The text is no ISO 8601 date and time, or needs a zone that is not known.
    """
    if text is None:
        return Clock("system")
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise SettingsError(
            f"--now: {text!r} is not a date and time; write it like 2026-07-14T06:00 or 2026-07-14T04:00:00Z"
        ) from None
    if at.tzinfo is None:
        if zone is None:
            raise SettingsError(
                "--now: no offset, and the garden's time zone is not known; add an offset such as Z"
            )
        at = at.replace(tzinfo=zone)
    return Clock("given", at.astimezone(UTC).replace(microsecond=0))


def monotonic_s() -> float:
    """Seconds of a clock that never goes back, for time budgets only."""
    return time.monotonic()
