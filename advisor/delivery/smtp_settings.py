"""Where mail is handed over, how it is secured, and how long each answer may take."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from advisor.units import NumberTable

__all__ = ["Security", "SmtpSettings", "SmtpTimeouts", "is_loopback"]

Security = Literal["tls", "starttls", "plain"]


@dataclass(frozen=True, slots=True)
class SmtpTimeouts:
    """How long to wait [s].

    Attributes
    ----------
    connect_s : float
        For the connection and the greeting.
    command_s : float
        For the answer to each command before the payload.
    final_answer_s : float
        For the answer to the final dot; long, because giving up early makes duplicates.
    total_s : float
        For everything together, however slowly the server drips.
    """

    connect_s: float
    command_s: float
    final_answer_s: float
    total_s: float

    @classmethod
    def from_numbers(cls, numbers: NumberTable) -> SmtpTimeouts:
        """Read the waits from config/operation.toml."""
        return cls(
            *(numbers.value(f"smtp.{name}", "s") for name in ("connect", "command", "final_answer", "total"))
        )


@dataclass(frozen=True, slots=True)
class SmtpSettings:
    """Where and how to hand mail over.

    Attributes
    ----------
    host, port : str, int
        The mail server.
    security : {"tls", "starttls", "plain"}
        TLS from the first byte, TLS after STARTTLS (never falling back), or none.
    timeouts : SmtpTimeouts
        How long to wait.
    username : str or None
        With it the password is needed; None sends without authentication.
    plain_named : bool
        True when the grower has named ``plain`` for this host; without it ``plain`` is for loopback
        only.
    ca_file : Path or None
        Extra certificate authority (a relay of one's own); the system's are used as well.
    ehlo_name : str
        Name given in EHLO; empty: the domain of the envelope sender.
    """

    host: str
    port: int
    security: Security
    timeouts: SmtpTimeouts
    username: str | None = None
    plain_named: bool = False
    ca_file: Path | None = None
    ehlo_name: str = ""


def is_loopback(host: str) -> bool:
    """Say whether a host name or address is this machine itself."""
    if host.lower().rstrip(".") in {"localhost", "localhost.localdomain", "ip6-localhost"}:
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
