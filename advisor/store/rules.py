"""How long the store keeps things and when it asks again, read from config/operation.toml."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from advisor.units import NumberTable

__all__ = ["StoreRules"]


@dataclass(frozen=True, slots=True)
class StoreRules:
    """Durations and counts of the store.

    Attributes
    ----------
    forecast_full, ensemble_full : timedelta
        How long every forecast (after that one a day) and every ensemble (after that none) is kept.
    host_waits : tuple of timedelta
        Wait after the first, second and every later failure of a weather host in a row.
    host_wait_longest : timedelta
        Longest wait accepted when a host asks for more itself.
    weight_share : float
        Share of a service's published limits that is used.
    lease : timedelta
        How long a claimed message belongs to the process that claimed it.
    attempts : int
        Tries after which a message is given up.
    retry_first, retry_longest : timedelta
        Wait after the first failed try, and the longest.
    retry_factor, retry_jitter : float
        Growth of the wait from try to try, and the share by which it is spread.
    lane_hold : timedelta
        Wait after a fault of the whole channel.
    bytes_kept : timedelta
        How long the text of a finished message is kept; its row stays for good.
    busy_wait_s : float
        How long a write waits for another process [s].
    check_every, passes_kept : timedelta
        Rhythm of the integrity check; how long the pass log reaches back.
    last_good_versions : int
        Copies kept of each of the grower's files.
    """

    forecast_full: timedelta
    ensemble_full: timedelta
    host_waits: tuple[timedelta, ...]
    host_wait_longest: timedelta
    weight_share: float
    lease: timedelta
    attempts: int
    retry_first: timedelta
    retry_longest: timedelta
    retry_factor: float
    retry_jitter: float
    lane_hold: timedelta
    bytes_kept: timedelta
    busy_wait_s: float
    check_every: timedelta
    passes_kept: timedelta
    last_good_versions: int

    @classmethod
    def from_numbers(cls, numbers: NumberTable) -> StoreRules:
        """Read the rules from the table of config/operation.toml.

        Raises
        ------
        SettingsError
            A row is missing or in another unit.
        """

        def minutes(key: str) -> timedelta:
            return timedelta(minutes=numbers.value(key, "min"))

        def days(key: str) -> timedelta:
            return timedelta(days=numbers.value(key, "d"))

        return cls(
            forecast_full=days("archive.forecast_full"),
            ensemble_full=days("archive.ensemble_full"),
            host_waits=tuple(minutes(f"source_backoff.{step}") for step in ("first", "second", "later")),
            host_wait_longest=minutes("source_backoff.longest_asked"),
            weight_share=numbers.value("weight.stop_share", "share"),
            lease=minutes("outbox.lease"),
            attempts=int(numbers.value("outbox.attempts", "count")),
            retry_first=minutes("outbox.retry_first"),
            retry_longest=minutes("outbox.retry_longest"),
            retry_factor=numbers.value("outbox.retry_factor", "1"),
            retry_jitter=numbers.value("outbox.retry_jitter", "share"),
            lane_hold=minutes("outbox.lane_hold"),
            bytes_kept=days("outbox.bytes_kept"),
            busy_wait_s=numbers.value("database.busy_wait", "s"),
            check_every=days("database.check_every"),
            passes_kept=days("passes.kept"),
            last_good_versions=int(numbers.value("last_good.versions", "count")),
        )
