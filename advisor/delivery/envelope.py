"""What a channel is given, what it owes, and how addresses are shown."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from advisor.errors import DeliveryError

__all__ = ["Channel", "Envelope", "Send", "check_envelope", "mask_address", "mask_addresses"]


@dataclass(frozen=True, slots=True)
class Envelope:
    """One finished message for one recipient.

    Attributes
    ----------
    sender, recipient : str
        Bare ASCII addresses; ``sender`` is where bounces go.
    message_id : str
        The Message-ID inside ``raw``.
    raw : bytes
        The message, CRLF lines.
    """

    sender: str
    recipient: str
    message_id: str
    raw: bytes


class Channel(Protocol):
    """A way out of the house.

    Returns a receipt, or raises ``DeliveryError`` with the verdict. Calls ``on_payload`` exactly
    once, just before the first byte of the message may leave, and lets whatever that raises through
    without sending. Never retries and never touches the database.
    """

    def __call__(
        self, envelope: Envelope, settings: Any, password: str | None, on_payload: Callable[[], None]
    ) -> str:
        """Send one message."""


Send = Callable[[Envelope, Callable[[], None]], str]
"""A channel with its settings bound: what the delivery loop calls."""

_ADDRESS = re.compile(r"[^\s<>\x00-\x20\x7f]+@[^\s<>@\x00-\x20\x7f]+")
_SOMEWHERE = re.compile(r"([^\s<>@:;,\"'()\[\]]+)@([A-Za-z0-9.-]+)")


def mask_address(address: str) -> str:
    """Return ``g...@example.org`` for ``grower@example.org``: enough to recognise, not to use."""
    local, at, domain = address.rpartition("@")
    return f"{local[:1]}...@{domain}" if at else "..."


def mask_addresses(text: str) -> str:
    """Mask every address inside a text, for example in a server's answer."""
    return _SOMEWHERE.sub(lambda found: mask_address(found.group(0)), text)


def check_envelope(envelope: Envelope) -> None:
    """Refuse addresses that cannot be given to a mail server.

    Raises
    ------
    DeliveryError
        ``permanent``: not ASCII, or not a bare address.
    """
    for role, address in (("sender", envelope.sender), ("recipient", envelope.recipient)):
        if not address.isascii():
            raise DeliveryError(
                f"the {role} {mask_address(address)} has letters outside ASCII, which the advisor "
                "does not send to; "
                "write the address in ASCII (the domain in its xn-- form)",
                verdict="permanent",
            )
        if not _ADDRESS.fullmatch(address):
            raise DeliveryError(
                f"the {role} {mask_address(address)} is not a bare address; write name@domain",
                verdict="permanent",
            )
