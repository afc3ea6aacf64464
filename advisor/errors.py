"""The error tree. Every message says what is wrong, where, and what to do next.

Inner floors raise; ``service`` decides what a failure means; ``cli`` turns it into an exit code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal


class AdvisorError(Exception):
    """Root of every error that the advisor raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file of the grower's.

    Attributes
    ----------
    file : str
        File name as the grower knows it, for example ``garden.toml``.
    line : int or None
        Line counted from 1; None where no line can be named.
    key : str
        Key path such as ``tree[3].pot.depth_cm`` (people count from 1); empty for a whole file.
    found : str
        What stands there.
    wanted : str
        What would be right.
    drops : str
        What is left out because of it: ``tree ember``, ``place south-bench``, ``line``, or
        ``file`` where nothing of the file can be used.
    """

    file: str
    line: int | None
    key: str
    found: str
    wanted: str
    drops: str = "file"

    def __str__(self) -> str:
        where = self.file + (f", line {self.line}" if self.line is not None else "")
        key = f": {self.key}" if self.key else ""
        return f"{where}{key}: {self.found}; {self.wanted}"


class SettingsError(AdvisorError):
    """A settings, garden or config file cannot be used; carries every fault found."""

    def __init__(self, faults: Sequence[Fault] | str) -> None:
        if isinstance(faults, str):
            self.faults: tuple[Fault, ...] = ()
            super().__init__(faults)
        else:
            self.faults = tuple(faults)
            super().__init__("\n".join(str(fault) for fault in self.faults))


class JournalError(AdvisorError):
    """A journal line cannot be read or written."""


class SourceError(AdvisorError):
    """A weather source gave no usable answer.

    Attributes
    ----------
    transient : bool
        True when asking again later may help.
    retry_after_s : float or None
        What the service itself asked us to wait, in seconds.
    """

    def __init__(self, message: str, *, transient: bool, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.transient = transient
        self.retry_after_s = retry_after_s


class DataGap(AdvisorError):  # noqa: N818 - a gap is the field's own word
    """A variable is missing over a period in which it is needed."""

    def __init__(self, variable: str, from_utc: datetime | None, until_utc: datetime | None) -> None:
        span = ""
        if from_utc is not None and until_utc is not None:
            span = f" from {from_utc:%Y-%m-%d %H:%M} to {until_utc:%Y-%m-%d %H:%M} UTC"
        super().__init__(f"no {variable}{span}")
        self.variable = variable
        self.from_utc = from_utc
        self.until_utc = until_utc


class DeliveryError(AdvisorError):
    """A message was not, or perhaps not, delivered.

    ``verdict`` is ``transient`` (nothing was handed over, try again), ``permanent`` (refused for
    good) or ``unknown`` (the payload had begun; it may have arrived).
    """

    def __init__(
        self,
        message: str,
        *,
        verdict: Literal["transient", "permanent", "unknown"],
        lane_fault: bool = False,
    ) -> None:
        super().__init__(message)
        self.verdict = verdict
        self.lane_fault = lane_fault
        """True for a fault of the whole channel (wrong password): spends no attempt of the message."""


class StoreError(AdvisorError):
    """The state folder cannot be used: full or read-only disk, damaged file, wrong kind of clock."""
