"""The one view model from which text and HTML are both made, so that they say the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from advisor.advice.model import Advice, AlertEvent, Situation, WorkAhead
from advisor.advice.plan_model import Plan

__all__ = ["DigestInput", "Line", "MessageView", "Picture", "Section"]

Weight = Literal["must", "plain", "quiet"]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to read: what to do, and under it why.

    ``id`` is the advice id (or an id of the line's own) that the parity test looks for in both parts.
    """

    text: str
    why: str = ""
    id: str = ""
    weight: Weight = "plain"


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a message with its heading."""

    id: str
    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart with the finding in words and the same numbers as a small table."""

    png: bytes
    finding: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    width_px: int = 600


@dataclass(frozen=True, slots=True)
class MessageView:
    """A whole message: what stands in text and HTML alike.

    ``subject`` is ASCII, at most 66 characters. ``notices`` come first: stale or missing weather,
    faults in the grower's files.
    """

    kind: str
    garden: str
    day: date
    subject: str
    title: str
    notices: tuple[Line, ...]
    sections: tuple[Section, ...]
    foot: tuple[Line, ...]
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class DigestInput:
    """What the parts of a digest may look at.

    Attributes
    ----------
    situation : Situation
    advice : tuple of Advice
        Ordered, most pressing first.
    work_ahead : mapping (work id, tree id) -> WorkAhead
        What the coming days have for each kind of work, for the ahead part and the calendar.
    events : tuple of AlertEvent
        Hazards ahead, for the ahead part.
    notices : tuple of str
        What went wrong and must be said first.
    quiet_notes : tuple of str
        What is worth a line in the foot.
    """

    situation: Situation
    advice: tuple[Advice, ...]
    events: tuple[AlertEvent, ...] = ()
    notices: tuple[str, ...] = ()
    quiet_notes: tuple[str, ...] = ()
    work_ahead: Mapping[tuple[str, str], WorkAhead] = field(default_factory=dict)
    plan: Plan | None = None
    """The coming ten days, for what is to be prepared today; None where it was not worked out."""
    with_table: bool = False
    """True when the picture's table gives the coming days, so that the ahead part need not."""

    @property
    def now_utc(self) -> datetime:
        """The moment of the message."""
        return self.situation.now_utc
