"""When a weather host may be asked again, and how much of its limits has been used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from advisor.store.database import Store
from advisor.store.stamps import stamp, utc_from

__all__ = ["HostPause", "Window", "may_ask", "pause", "record_failure", "record_success", "spend", "spent"]

Window = Literal["minute", "hour", "day", "month"]


@dataclass(frozen=True, slots=True)
class HostPause:
    """Why and until when a host is left alone; ``failures`` counts those in a row."""

    host: str
    failures: int
    failed_at_utc: datetime
    not_before_utc: datetime
    why: str


def pause(store: Store, host: str, now_utc: datetime) -> HostPause | None:
    """Return the last failure of ``host`` recorded at or before now, or None after a success."""
    row = store.row(
        "SELECT failures, failed_at, not_before, why FROM host_backoff WHERE host = ? AND failed_at <= ?",
        (host, stamp(now_utc)),
    )
    return None if row is None else HostPause(host, row[0], utc_from(row[1]), utc_from(row[2]), row[3])


def may_ask(store: Store, host: str, now_utc: datetime) -> bool:
    """Say whether the host may be asked now."""
    found = pause(store, host, now_utc)
    return found is None or found.not_before_utc <= now_utc


def record_failure(
    store: Store, host: str, now_utc: datetime, retry_after_s: float | None, why: str
) -> datetime:
    """Note a failure and return the instant before which the host is not asked again.

    The wait grows with each failure in a row (15 min, 1 h, 6 h); what the host itself asks for
    counts where it is longer, up to a day. A failure noted by a clock that has since gone back
    counts for nothing.
    """
    earlier = pause(store, host, now_utc)
    failures = 1 if earlier is None else earlier.failures + 1
    waits = store.rules.host_waits
    wait = waits[min(failures, len(waits)) - 1]
    if retry_after_s is not None and math.isfinite(retry_after_s):
        asked_s = min(retry_after_s, store.rules.host_wait_longest.total_seconds())
        wait = max(wait, timedelta(seconds=math.ceil(asked_s)))
    not_before = now_utc + wait
    with store.transaction() as tx:
        tx.run(
            "INSERT INTO host_backoff VALUES (?, ?, ?, ?, ?) ON CONFLICT (host) DO UPDATE SET "
            "failures = excluded.failures, failed_at = excluded.failed_at, not_before = excluded.not_before, "
            "why = excluded.why",
            (host, failures, stamp(now_utc), stamp(not_before), why),
        )
    return utc_from(stamp(not_before))


def record_success(store: Store, host: str) -> None:
    """Forget the failures of a host that has answered."""
    if store.row("SELECT 1 FROM host_backoff WHERE host = ?", (host,)) is not None:
        with store.transaction() as tx:
            tx.run("DELETE FROM host_backoff WHERE host = ?", (host,))


def _window_start(window: Window, now_utc: datetime) -> str:
    start = now_utc.astimezone(UTC).replace(second=0, microsecond=0)
    if window != "minute":
        start = start.replace(minute=0)
    if window in ("day", "month"):
        start = start.replace(hour=0)
    if window == "month":
        start = start.replace(day=1)
    return stamp(start)


def spent(store: Store, host: str, window: Window, now_utc: datetime) -> float:
    """Return the weight used up in the current UTC minute, hour, day or month."""
    row = store.row(
        "SELECT weight FROM host_weight WHERE host = ? AND window = ? AND starts = ?",
        (host, window, _window_start(window, now_utc)),
    )
    return 0.0 if row is None else float(row[0])


def spend(
    store: Store, host: str, now_utc: datetime, weight: float, limits: Mapping[Window, float]
) -> Window | None:
    """Take ``weight`` out of the host's limits, or say which window has no room.

    Parameters
    ----------
    weight : float
        What the coming request counts for at the service.
    limits : mapping of window to float
        The service's published limits; only the configured share of them (0.8) is used.

    Returns
    -------
    str or None
        None: counted, ask now. Otherwise the window that is used up; nothing was counted.
    """
    share = store.rules.weight_share
    with store.transaction() as tx:
        for window, limit in limits.items():
            if spent(store, host, window, now_utc) + weight > share * limit + 1e-9:
                return window
        for window in limits:
            tx.run(
                "INSERT INTO host_weight VALUES (?, ?, ?, ?) ON CONFLICT (host, window) DO UPDATE SET "
                "weight = CASE WHEN host_weight.starts = excluded.starts THEN host_weight.weight ELSE 0 END "
                "+ excluded.weight, starts = excluded.starts",
                (host, window, _window_start(window, now_utc), weight),
            )
    return None
