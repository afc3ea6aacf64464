"""What one pass of a replay would have said, as one line of ``mornings.jsonl``.

The file is a contract with whatever judges a replay: one JSON object a line and pass, in order of time::

    {"now": UTC, "day": "YYYY-MM-DD",
     "messages": [{"kind", "event", "at": UTC, "subject", "text", "trees": [id],
                   "from": UTC | null, "until": UTC | null, "first_day", "last_day", "file"}],
     "advice": [as in today/1], "trees": [as in today/1], "failures": [text]}

A pass without a digest has the advice of its warnings alone, and of its trees no more than their states.
``kind`` is ``digest`` or the hazard of a warning. ``from`` and ``until`` are what a warning is about:
from the start of its first local day to the end of its last, of nights to the end of the last night (noon);
both null for a digest, whose ``trees`` are empty.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from advisor.advice.model import AlertEvent
from advisor.message.json_out import advice_objects, state_object, today_object, utc_text
from advisor.service.evaluate import Evaluation
from advisor.weather.days import at_local, day_bounds_utc

__all__ = ["KeptMail", "morning_line", "read_mail"]


@dataclass(frozen=True, slots=True)
class KeptMail:
    """A message as it would have been sent: what its own headers say, and its text part."""

    kind: str
    event: str
    subject: str
    text: str
    file: str = ""
    """Name under ``messages/``."""


def read_mail(raw: bytes, file: str = "") -> KeptMail:
    """Return what a finished message says of itself.

    Raises
    ------
    ValueError
        It has no ``Advisor-Message`` header or no text part: it was not built here.
    """
    message = message_from_bytes(raw, policy=policy.default)
    body = message.get_body(("plain",)) if isinstance(message, EmailMessage) else None
    told = dict(
        part.strip().split("=", 1)
        for part in str(message.get("Advisor-Message", "")).split(";")
        if "=" in part
    )
    if body is None or "kind" not in told:
        raise ValueError("this is no message of the advisor: header or text is missing")
    text = str(body.get_content()).replace("\r\n", "\n")
    return KeptMail(told["kind"], told.get("event", ""), str(message["Subject"]), text, file)


def _span(event: AlertEvent, evaluation: Evaluation) -> tuple[datetime, datetime]:
    zone = evaluation.situation.holdings.garden.zone
    begin = day_bounds_utc(event.first_day, zone)[0]
    if event.hazard == "frost":
        noon = datetime(2000, 1, 1, 12, tzinfo=UTC).time()
        return begin, at_local(event.last_day + timedelta(days=1), noon, zone)
    return begin, day_bounds_utc(event.last_day, zone)[1]


def _message(mail: KeptMail, evaluation: Evaluation | None, now_utc: datetime) -> dict[str, Any]:
    events = evaluation.events if evaluation is not None else ()
    about = next((event for event in events if event.hazard == mail.kind), None)
    data: dict[str, Any] = {
        "kind": mail.kind,
        "event": mail.event,
        "at": utc_text(now_utc),
        "subject": mail.subject,
        "text": mail.text,
        "trees": [],
        "from": None,
        "until": None,
        "first_day": None,
        "last_day": None,
        "file": mail.file,
    }
    if about is not None and evaluation is not None:
        begin, end = _span(about, evaluation)
        data |= {
            "trees": list(about.trees),
            "from": utc_text(begin),
            "until": utc_text(end),
            "first_day": about.first_day.isoformat(),
            "last_day": about.last_day.isoformat(),
        }
    return data


def morning_line(
    now_utc: datetime,
    day: date,
    evaluation: Evaluation | None,
    mails: Sequence[KeptMail],
    failures: Sequence[str],
) -> str:
    """Return the line of one pass, without its line feed.

    Parameters
    ----------
    evaluation : Evaluation or None
        None where no advice could be worked out.
    mails : sequence of KeptMail
        What the pass would have sent, in its order.
    failures : sequence of str
        What went wrong, in words.
    """
    advice: list[Any] = []
    trees: list[Any] = []
    if evaluation is not None and any(mail.kind == "digest" for mail in mails):
        today = today_object(evaluation.situation, evaluation.with_alerts)
        advice, trees = today["advice"], today["trees"]
    elif evaluation is not None:
        situation = evaluation.situation
        advice = advice_objects(evaluation.with_alerts)
        trees = [state_object(situation, state) for state in situation.states.values()]
    data = {
        "now": utc_text(now_utc),
        "day": day.isoformat(),
        "messages": [_message(mail, evaluation, now_utc) for mail in mails],
        "advice": advice,
        "trees": trees,
        "failures": list(failures),
    }
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
