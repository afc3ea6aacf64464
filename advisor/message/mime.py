"""MIME bytes of a message: built once, stored, sent as they are.

Same input, same bytes: boundaries, Content-ID and Message-ID come from the key. Width 76; headers that
must not be folded stand on one line. Source: RFC 2045, 2046, 2387, 3834, 5322; house rules for folding.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage, Message
from email.policy import SMTP, EmailPolicy
from email.utils import format_datetime
from typing import Any

from advisor.message.html import render_html
from advisor.message.text import render_text
from advisor.message.view import MessageView

__all__ = ["Attachment", "BuiltMessage", "build_message"]

_ON_ONE_LINE = {"message-id", "references", "in-reply-to", "list-id", "list-unsubscribe", "advisor-message"}


class _OneLinePolicy(EmailPolicy):
    """The SMTP policy, except that ids and list headers are never folded into encoded pieces."""

    def fold(self, name: str, value: str) -> str:
        """Return one header as text."""
        if name.lower() in _ON_ONE_LINE:
            return f"{name}: {value}{self.linesep}"
        return str(super().fold(name, value))

    def fold_binary(self, name: str, value: str) -> bytes:
        """Return one header as bytes."""
        if name.lower() in _ON_ONE_LINE:
            return f"{name}: {value}{self.linesep}".encode("ascii")
        return bytes(super().fold_binary(name, value))


_POLICY = _OneLinePolicy(
    **{name: getattr(SMTP, name) for name in ("linesep", "raise_on_defect")}, max_line_length=76
)


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file to go along: name, main and sub type, bytes."""

    filename: str
    maintype: str
    subtype: str
    content: bytes


@dataclass(frozen=True, slots=True)
class BuiltMessage:
    """What the outbox stores."""

    message_id: str
    raw: bytes


def _token(key: bytes, text: str) -> str:
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()[:32]


def _domain(sender: str) -> str:
    return sender.rsplit("@", 1)[-1] or "localhost"


def build_message(
    view: MessageView,
    *,
    key: bytes,
    dedupe_key: str,
    sender: str,
    recipient: str,
    at_utc: datetime,
    event: str,
    references: str = "",
    attachments: Sequence[Attachment] = (),
) -> BuiltMessage:
    """Return Message-ID and wire bytes of ``view`` for one recipient.

    Parameters
    ----------
    key : bytes
        Secret of this installation; the Message-ID is keyed with it, so that it tells nothing.
    dedupe_key : str
        ``kind|day|event|recipient|revision``: the same key gives the same bytes.
    sender, recipient : str
        Plain ASCII addresses.
    at_utc : datetime
        The Date header: the time of the outbox row, stored with it.
    event : str
        For ``Advisor-Message: kind=...; day=...; event=...``.
    references : str
        Message-ID of the message that this one updates; empty for none.
    attachments : sequence of Attachment
        Ordinary files, such as the calendar.
    """
    token = _token(key, dedupe_key)
    domain = _domain(sender)
    message_id = f"<{token}@{domain}>"
    message = EmailMessage(policy=_POLICY)
    message["From"] = Address(display_name="Garden weather advisor", addr_spec=sender)
    message["To"] = Address(addr_spec=recipient)
    message["Subject"] = view.subject
    message["Date"] = format_datetime(at_utc)
    message["Message-ID"] = message_id
    message["Auto-Submitted"] = "auto-generated"
    message["List-Id"] = f"<garden-advice.{domain}>"
    message["List-Unsubscribe"] = f"<mailto:{sender}?subject=stop>"
    message["Advisor-Message"] = f"kind={view.kind}; day={view.day.isoformat()}; event={event}"
    if references:
        message["In-Reply-To"] = references
        message["References"] = references
    message.set_content(render_text(view), cte="quoted-printable")
    picture = view.picture
    cid = f"c{hashlib.sha256(picture.png).hexdigest()[:24]}@{domain}" if picture is not None else ""
    page = render_html(view, f"cid:{cid}" if picture is not None else "")
    message.add_alternative(page, subtype="html", cte="quoted-printable")
    if picture is not None:
        html = message.get_payload(1)
        assert isinstance(html, EmailMessage)  # noqa: S101 - add_alternative just put it there
        html.add_related(
            picture.png, "image", "png", cid=f"<{cid}>", disposition="inline", filename="outlook.png"
        )
        html.set_param("type", "text/html")
    for attachment in attachments:
        message.add_attachment(
            attachment.content, attachment.maintype, attachment.subtype, filename=attachment.filename
        )
    _fix_boundaries(message, token)
    return BuiltMessage(message_id, message.as_bytes(policy=_POLICY))


def _fix_boundaries(message: Message[Any, Any], token: str) -> None:
    """Give every multipart a boundary made of the token, so that two builds are identical."""
    for place, part in enumerate(message.walk()):
        if part.is_multipart():
            part.set_boundary(f"=={token}-{place}==")
