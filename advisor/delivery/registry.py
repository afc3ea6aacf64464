"""Every channel there is, by name. A new channel is a file here, a line below and a row in the README."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from advisor.delivery import folder, smtp
from advisor.delivery.envelope import Channel, Envelope, Send
from advisor.errors import SettingsError

__all__ = ["CHANNELS", "bind"]

CHANNELS: Mapping[str, Channel] = MappingProxyType({"folder": folder.send, "smtp": smtp.send})
"""Name of a channel -> its ``send``; the name is the module's."""


def bind(name: str, settings: smtp.SmtpSettings | folder.FolderSettings, password: str | None = None) -> Send:
    """Return a channel with its settings bound, as the delivery loop calls it.

    Raises
    ------
    SettingsError
        There is no such channel.
    """
    try:
        channel = CHANNELS[name]
    except KeyError:
        raise SettingsError(f"no delivery channel {name!r}; one of {sorted(CHANNELS)}") from None

    def send(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        return channel(envelope, settings, password, on_payload)

    return send
