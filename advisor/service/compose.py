"""Puts finished messages together: digest and alert mails for every recipient, with their keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from advisor.advice.model import AlertEvent
from advisor.advice.plan import plan
from advisor.message.calendar import calendar_bytes
from advisor.message.chart import outlook_picture
from advisor.message.digest import alert_view, digest_view
from advisor.message.html import render_html
from advisor.message.json_out import dump, today_object
from advisor.message.mime import Attachment, build_message
from advisor.message.text import render_text
from advisor.message.view import DigestInput, Line, MessageView, Picture
from advisor.message.words import ascii_subject, short_day
from advisor.service.evaluate import Evaluation, judge_digest_work
from advisor.store.outbox import Lane, NewMessage, OnUnknown

__all__ = ["Envelope", "Rendered", "alert_messages", "digest_rendered", "failure_view", "messages_of"]


_NO_PLAN = "the plan could not be worked out"


@dataclass(frozen=True, slots=True)
class Envelope:
    """Who writes to whom, and the secret from which Message-IDs are made."""

    key: bytes
    sender: str
    recipients: tuple[str, ...]
    attached: bool = True
    """False leaves charts and calendar out: the texts alone."""
    with_work: bool = True
    """False leaves the work windows of the coming days out of the digest."""


@dataclass(frozen=True, slots=True)
class Rendered:
    """A digest in all its forms."""

    view: MessageView
    attachments: tuple[Attachment, ...]
    today_json: str
    calendar: bytes
    problems: tuple[str, ...] = ()


def _picture(evaluation: Evaluation, problems: list[str]) -> Picture | None:
    try:
        return outlook_picture(evaluation.situation)
    except Exception as error:  # noqa: BLE001 - a chart must never cost the mail; the fault is reported
        problems.append(f"the chart could not be drawn ({type(error).__name__}: {error})")
        return None


def digest_input(
    evaluation: Evaluation,
    notices: Sequence[str],
    quiet_notes: Sequence[str],
    *,
    with_work: bool = True,
    with_calendar: bool = True,
) -> DigestInput:
    """Return what the parts of a digest look at; without a calendar no half days are gathered for one."""
    ahead = judge_digest_work(evaluation, with_calendar=with_calendar) if with_work else {}
    notes, planned = tuple(quiet_notes), None
    if with_work:
        try:
            planned = plan(evaluation.situation)
        except Exception as error:  # noqa: BLE001 - the plan must never cost the mail; the fault is named in it
            notes = (*notes, f"{_NO_PLAN} ({type(error).__name__}: {error})")
    return DigestInput(
        evaluation.situation,
        evaluation.advice,
        evaluation.events,
        tuple(notices),
        notes,
        ahead,
        planned,
    )


def digest_rendered(
    evaluation: Evaluation,
    notices: Sequence[str],
    quiet_notes: Sequence[str],
    *,
    attached: bool = True,
    with_work: bool = True,
) -> Rendered:
    """Return the digest of the evaluation's day, without what is attached or work windows where told."""
    problems: list[str] = []
    picture = _picture(evaluation, problems) if attached else None
    given = digest_input(evaluation, notices, quiet_notes, with_work=with_work, with_calendar=attached)
    given = replace(given, with_table=picture is not None)
    problems += [note for note in given.quiet_notes if note.startswith(_NO_PLAN)]
    view = digest_view(given, picture)
    calendar = calendar_bytes(given) if attached else b""
    attachments = (Attachment("work.ics", "text", "calendar", calendar),) if attached else ()
    json_text = dump(today_object(evaluation.situation, evaluation.with_alerts))
    return Rendered(view, attachments, json_text, calendar, tuple(problems))


def failure_view(garden: str, day: date, notices: Sequence[str]) -> MessageView:
    """Return the mail for a morning on which no advice could be worked out: never silence."""
    lines = tuple(Line(text, "", f"notice:{place}", "must") for place, text in enumerate(notices))
    foot = (Line("No advice could be worked out; the service keeps trying.", "", "foot:failure", "quiet"),)
    return MessageView(
        kind="digest",
        garden=garden,
        day=day,
        subject=ascii_subject(f"{short_day(day)}: no advice today, check the pots by hand"),
        title=f"{garden}, {short_day(day)}: no advice today, check every pot by hand",
        notices=lines,
        sections=(),
        foot=foot,
    )


def messages_of(
    view: MessageView,
    envelope: Envelope,
    now_utc: datetime,
    *,
    revision: int,
    event: str,
    lane: Lane,
    on_unknown: OnUnknown,
    expires_utc: datetime,
    references: str = "",
    attachments: Sequence[Attachment] = (),
) -> tuple[NewMessage, ...]:
    """Return one finished message a recipient, ready for the outbox."""
    found = []
    for recipient in envelope.recipients:
        dedupe_key = f"{view.kind}|{view.day.isoformat()}|{event}|{recipient}|{revision}"
        built = build_message(
            view,
            key=envelope.key,
            dedupe_key=dedupe_key,
            sender=envelope.sender,
            recipient=recipient,
            at_utc=now_utc,
            event=event or view.kind,
            references=references,
            attachments=attachments,
        )
        found.append(
            NewMessage(
                dedupe_key=dedupe_key,
                message_id=built.message_id,
                recipient=recipient,
                envelope_sender=envelope.sender,
                raw=built.raw,
                lane=lane,
                on_unknown=on_unknown,
                created_at_utc=now_utc,
                expires_at_utc=expires_utc,
                kind=view.kind,
                day=view.day,
                event=event,
            )
        )
    return tuple(found)


def alert_messages(
    event: AlertEvent,
    event_id: str,
    revision: int,
    evaluation: Evaluation,
    notices: Sequence[str],
    envelope: Envelope,
    now_utc: datetime,
) -> tuple[NewMessage, ...]:
    """Return the mails of one hazard. They go first, and again when it is in doubt whether they went."""
    problems: list[str] = []
    given = digest_input(evaluation, notices, (), with_work=False)
    picture = _picture(evaluation, problems) if envelope.attached else None
    view = alert_view(event, given, update=revision > 0, picture=picture)
    return messages_of(
        view,
        envelope,
        now_utc,
        revision=revision,
        event=event_id,
        lane="urgent",
        on_unknown="resend",
        expires_utc=event.expires_utc,
    )


def forms_of(rendered: Rendered) -> dict[str, bytes]:
    """Return the digest as files: text, page, JSON, calendar, picture."""
    picture = rendered.view.picture
    files = {
        "digest.txt": render_text(rendered.view).encode(),
        "digest.html": render_html(rendered.view, "outlook.png" if picture is not None else "").encode(),
        "today.json": (rendered.today_json + "\n").encode(),
        "calendar.ics": rendered.calendar,
    }
    if picture is not None:
        files["outlook.png"] = picture.png
    return files
