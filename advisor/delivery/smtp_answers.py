"""What a mail server's answer means: sent, try again, never, or a fault of the whole channel."""

from __future__ import annotations

import base64
from typing import Literal

from advisor.delivery.envelope import mask_addresses
from advisor.delivery.smtp_settings import SmtpSettings
from advisor.errors import DeliveryError

__all__ = ["Answers"]

_AUTHENTICATION = frozenset({530, 534, 535, 538})
"""Answers that speak of credentials, at whatever stage. Source: RFC 4954 section 6."""
_TOO_BIG = 552


class Answers:
    """Turns codes and cuts into verdicts, with nothing secret in the words."""

    def __init__(self, settings: SmtpSettings, password: str | None) -> None:
        self._where = f"{settings.host}:{settings.port}"
        secrets = [password or ""]
        if password:
            user = settings.username or ""
            pairs = (password, f"\0{user}\0{password}", f"{user}\0{user}\0{password}")
            secrets += [base64.b64encode(pair.encode()).decode() for pair in pairs]
        self._secrets = [secret for secret in secrets if secret]

    def clean(self, said: object) -> str:
        """Return a text on one line without secret and without whole address."""
        text = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        for secret in self._secrets:
            text = text.replace(secret, "[password]")
        return "".join(mark if mark.isprintable() else " " for mark in mask_addresses(text))[:300]

    def fault(
        self,
        said: object,
        verdict: Literal["transient", "permanent", "unknown"],
        *,
        lane_fault: bool = False,
    ) -> DeliveryError:
        """Return the error for what was said, cleaned and with the server's name."""
        return DeliveryError(f"{self._where}: {self.clean(said)}", verdict=verdict, lane_fault=lane_fault)

    def answered(self, stage: str, code: int, said: bytes) -> DeliveryError:
        """Return the verdict on an answer that is not a yes."""
        words = f"{stage} was answered {code} {self.clean(said)}"
        if code in _AUTHENTICATION:
            return self.fault(words, "transient", lane_fault=True)
        if 500 <= code <= 599:
            # a refused sender is the same for every message: a fault of the settings, not of this one
            lane = stage == "MAIL FROM" and code != _TOO_BIG
            return self.fault(words, "transient" if lane else "permanent", lane_fault=lane)
        return self.fault(words, "transient")
