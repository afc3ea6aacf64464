"""The delivery channel that service.toml asks for, with its secret."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from advisor.delivery.envelope import Send
from advisor.delivery.folder import FolderSettings
from advisor.delivery.registry import bind
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts
from advisor.garden.tables import Tables
from advisor.store.service_files import ServiceSettings, read_password

__all__ = ["channel_of"]


def channel_of(
    settings: ServiceSettings,
    garden_folder: Path,
    state_folder: Path,
    environ: Mapping[str, str],
    tables: Tables,
) -> Send:
    """Return SMTP as ``[mail]`` says; without ``[mail]`` the messages go into ``mail`` in the state folder.

    Raises
    ------
    SettingsError
        The password cannot be had, or its file can be read by others.
    """
    mail = settings.mail
    if mail is None:
        return bind("folder", FolderSettings(state_folder / "mail"))
    password = read_password(settings, garden_folder, environ) if mail.username else None
    timeouts = SmtpTimeouts.from_numbers(tables.operation)
    smtp = SmtpSettings(
        host=mail.host,
        port=mail.port,
        security=mail.security,
        timeouts=timeouts,
        username=mail.username,
        plain_named=mail.plain_is_wanted,
        ca_file=mail.ca_file,
    )
    return bind("smtp", smtp, password)
