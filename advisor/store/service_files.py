"""service.toml in, checked settings out; and the one place where the mail password is read.

Secrets come from the environment or a file of their own, never from TOML, and are in no message.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from advisor.errors import Fault, SettingsError
from advisor.store.service_rows import (
    DEFAULT_BASE_URLS,
    DEFAULT_ENSEMBLE_URL,
    DEFAULT_PORTS,
    MailRow,
    MailSettings,
    ServiceRow,
    ServiceSettings,
    is_loopback,
)
from advisor.store.toml_faults import (
    decode_text,
    explain,
    has_control,
    key_lines,
    line_of,
    parse_toml,
    read_bytes,
)

__all__ = [
    "DEFAULT_BASE_URLS",
    "PASSWORD_VARIABLE",
    "SERVICE_FILE",
    "MailSettings",
    "ServiceSettings",
    "load_service",
    "parse_service",
    "read_password",
    "service_text",
]

SERVICE_FILE = "service.toml"
PASSWORD_VARIABLE = "ADVISOR_SMTP_PASSWORD"  # noqa: S105 - the name of a variable, not a secret
CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
_LARGEST_SECRET = 4096


# --- file --------------------------------------------------------------------------------------


def _spoken(fault: Fault) -> Fault:
    """Return the fault; for a password in the file with the way out."""
    if fault.key != "mail.password":
        return fault
    wanted = (
        f"put it into a file only you can read and name that in password_file, or set {PASSWORD_VARIABLE}"
    )
    return replace(fault, found="a password has no place in this file", wanted=wanted)


def parse_service(text: str, file: str = SERVICE_FILE) -> ServiceSettings:
    """Return the settings that ``text`` holds; what is left out has a sensible default.

    Raises
    ------
    SettingsError
        Carries every fault: line, key, what stands there, what would be right. No secret is in it.
    """
    document, faults = parse_toml(text, file)
    if document is None:
        raise SettingsError(faults)
    lines = key_lines(text)
    try:
        row = ServiceRow.model_validate(document)
    except ValidationError as error:
        found_faults = [_spoken(fault) for fault in explain(error, ServiceRow, file, lines)]
        raise SettingsError(sorted(found_faults, key=lambda fault: fault.line or 0)) from None
    weather, mail = row.weather, row.mail
    if (
        mail is not None
        and mail.security == "plain"
        and not is_loopback(mail.host)
        and not mail.plain_is_wanted
    ):
        found = f'"plain" would send mail, and the password, readable by anyone on the way to {mail.host}'
        wanted = '"tls" or "starttls"; if it must be, add plain_is_wanted = true'
        line = line_of(lines, ("mail", "security"))
        raise SettingsError([Fault(file, line, "mail.security", found, wanted)])
    sources = {
        "open-meteo": weather.open_meteo,
        "met-norway": weather.met_norway,
        "us-nws": weather.us_nws,
        "meteostat": weather.meteostat,
    }
    ensemble_url = weather.open_meteo.ensemble_url
    return ServiceSettings(
        forecast=tuple(dict.fromkeys(weather.forecast)),
        contact=weather.contact,
        base_urls=MappingProxyType(
            {
                name: DEFAULT_BASE_URLS[name] if source.base_url is None else source.base_url
                for name, source in sources.items()
            }
        ),
        ensemble_url=DEFAULT_ENSEMBLE_URL if ensemble_url is None else ensemble_url,
        stations=tuple(dict.fromkeys(weather.meteostat.stations)),
        past_years=tuple(sorted(set(weather.meteostat.past_years))),
        mail=None if mail is None else _mail(mail),
        digest_at=row.digest.at,
        quiet_from=row.alerts.quiet_from,
        quiet_until=row.alerts.quiet_until,
        caution=row.alerts.caution,
        correction=weather.correction,
        state_folder=row.state.folder,
    )


def _mail(row: MailRow) -> MailSettings:
    return MailSettings(
        host=row.host,
        port=row.port or DEFAULT_PORTS[row.security],
        security=row.security,
        sender=row.sender,
        recipients=tuple(dict.fromkeys(row.recipients)),
        username=row.username,
        password_file=row.password_file,
        plain_is_wanted=row.plain_is_wanted,
        ca_file=None if row.ca_file is None else Path(row.ca_file),
    )


def service_text(path: Path) -> str:
    """Return the text of the service file, empty where it cannot be read."""
    raw, _ = read_bytes(path, path.name, "")
    return (decode_text(raw, path.name)[0] or "") if raw is not None else ""


def load_service(path: Path) -> ServiceSettings:
    """Return the settings of the service file at ``path``.

    Raises
    ------
    SettingsError
        The file is missing, cannot be read or holds faults; carries all of them.
    """
    raw, faults = read_bytes(
        path, path.name, "write one, or let `advisor start DIR` make a folder to begin with"
    )
    if raw is None:
        raise SettingsError(faults)
    text, faults = decode_text(raw, path.name)
    if text is None:
        raise SettingsError(faults)
    return parse_service(text, path.name)


# --- the password ------------------------------------------------------------------------------


def read_password(settings: ServiceSettings, garden_folder: Path, environ: Mapping[str, str]) -> str | None:
    """Return the mail password, or None where none is needed.

    Sought in the environment (ADVISOR_SMTP_PASSWORD), then as ``password_file`` in
    $CREDENTIALS_DIRECTORY, then in the garden folder, where nobody but the owner may read it.

    Raises
    ------
    SettingsError
        A user name is set but no password found, or its file is open to others, empty or no plain
        file. The password is not in the message.
    """
    mail = settings.mail
    if mail is None or mail.username is None:
        return None
    if environ.get(PASSWORD_VARIABLE):
        return environ[PASSWORD_VARIABLE]
    if mail.password_file is None:
        found, wanted = "has a username but no password", f"name a password_file, or set {PASSWORD_VARIABLE}"
        raise SettingsError([Fault(SERVICE_FILE, None, "mail", found, wanted)])
    credentials = environ.get(CREDENTIALS_VARIABLE)
    if credentials:
        kept = Path(credentials) / mail.password_file
        if kept.exists():
            return _secret(kept, only_owner=False)
    return _secret(garden_folder / mail.password_file, only_owner=True)


def _secret(path: Path, *, only_owner: bool) -> str:
    def refused(found: str, wanted: str) -> SettingsError:
        return SettingsError(
            [Fault(SERVICE_FILE, None, "mail.password_file", f"{path.name} {found}", wanted)]
        )

    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | (os.O_NOFOLLOW if only_owner else 0)
    try:
        descriptor = os.open(path, flags)
    except FileNotFoundError:
        raise refused("is not there", f"put the password into {path}, then chmod 600") from None
    except OSError as error:
        raise refused(
            f"cannot be read: {error.strerror}", "a plain file owned by the advisor's user"
        ) from None
    with os.fdopen(descriptor, "rb") as handle:
        status = os.fstat(handle.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise refused("is not a plain file", "a plain file that holds the password alone")
        if only_owner and status.st_mode & 0o077:
            raise refused("can be read or changed by others", f"chmod 600 {path}")
        raw = handle.read(_LARGEST_SECRET + 1)
    try:
        secret = raw.decode("utf-8").removeprefix("\ufeff").rstrip("\r\n")
    except UnicodeDecodeError:
        raise refused("is not UTF-8 text", "the password alone, on one line") from None
    if not secret or len(raw) > _LARGEST_SECRET or has_control(secret):
        raise refused("does not hold one line of text", "the password alone, on one line")
    return secret
