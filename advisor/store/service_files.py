"""service.toml in, checked settings out; and the one place where the mail password is read.

Secrets come from the environment or a file of their own, never from TOML, and are in no message.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import time
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError
from pydantic_core import PydanticCustomError

from advisor.errors import Fault, SettingsError
from advisor.store.garden_rows import clock_time
from advisor.store.toml_faults import (
    StrictRow,
    clean_name,
    decode_text,
    explain,
    has_control,
    key_lines,
    known_word,
    line_of,
    parse_toml,
    read_bytes,
    shown_value,
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

FORECAST_SOURCES = ("open-meteo", "met-norway", "us-nws")
DEFAULT_BASE_URLS: Mapping[str, str] = MappingProxyType(
    {
        "open-meteo": "https://api.open-meteo.com",
        "met-norway": "https://api.met.no",
        "us-nws": "https://api.weather.gov",
        "meteostat": "https://data.meteostat.net",
    }
)
DEFAULT_ENSEMBLE_URL = "https://ensemble-api.open-meteo.com"
DEFAULT_PORTS: Mapping[str, int] = MappingProxyType({"tls": 465, "starttls": 587, "plain": 25})
"""Source: RFC 8314 (submissions), RFC 6409 (submission), RFC 5321."""

Security = Literal["tls", "starttls", "plain"]
Caution = Literal["cautious", "even", "bold"]


@dataclass(frozen=True, slots=True)
class MailSettings:
    """Where mail is handed over, and who gets it. The password is not here: ``read_password``."""

    host: str
    port: int
    security: Security
    sender: str
    recipients: tuple[str, ...]
    username: str | None = None
    password_file: str | None = None
    plain_is_wanted: bool = False
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """What service.toml says.

    Attributes
    ----------
    forecast : tuple of str
        Forecast sources in the order in which they are tried.
    contact : str
        For the User-Agent; may be empty.
    base_urls : mapping
        Source to address without trailing slash; an empty address switches the source off.
    ensemble_url : str
        Address of the ensemble; empty switches it off.
    stations : tuple of str
        Weather stations; empty for the nearest ones.
    mail : MailSettings or None
        None where no ``[mail]`` is given: messages go into a folder.
    digest_at : time
        Garden-local time of the digest.
    quiet_from, quiet_until : time
        Garden-local quiet hours.
    caution : str
        ``cautious``, ``even`` or ``bold``.
    state_folder : str
        Relative to the garden folder, or absolute.
    """

    forecast: tuple[str, ...] = FORECAST_SOURCES
    contact: str = ""
    base_urls: Mapping[str, str] = field(default_factory=lambda: DEFAULT_BASE_URLS)
    ensemble_url: str = DEFAULT_ENSEMBLE_URL
    stations: tuple[str, ...] = ()
    mail: MailSettings | None = None
    digest_at: time = time(6)
    quiet_from: time = time(22)
    quiet_until: time = time(6)
    caution: Caution = "even"
    state_folder: str = "state"


# --- fields ------------------------------------------------------------------------------------


def _slip(found: str, wanted: str) -> PydanticCustomError:
    return PydanticCustomError("grower_fault", "{found}; {wanted}", {"found": found, "wanted": wanted})


def is_loopback(host: str) -> bool:
    """Return True for names and addresses of this very machine."""
    return host.casefold() in {"localhost", "::1", "[::1]"} or bool(re.fullmatch(r"127(\.\d{1,3}){3}", host))


def _base_url(text: str) -> str:
    if not text.strip():
        return ""
    if "@" in text:
        raise _slip("holds a user name or password", "leave it out of the address")
    wanted = 'an https address such as "https://api.example.org", or "" to switch the source off'
    try:
        parts = urlsplit(text.strip())
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        raise _slip(f"{shown_value(text)} is not an address", wanted) from None
    if has_control(text) or not re.fullmatch(r"[A-Za-z0-9.:-]+", host) or parts.query or parts.fragment:
        raise _slip(f"{shown_value(text)} is not an address", wanted)
    if parts.scheme != "https" and not (parts.scheme == "http" and is_loopback(host)):
        raise _slip(shown_value(text), f"{wanted}; plain http only to this machine")
    return text.strip().rstrip("/")


_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
"""Source: addr-spec of RFC 5321 without quoted local parts and address literals."""


def _address(text: str) -> str:
    if len(text) > 254 or not _ADDRESS.fullmatch(text) or ".." in text:
        raise _slip(
            f"{shown_value(text)} is not a mail address", 'an address alone, such as "me@example.org"'
        )
    return text


def _file_name(text: str) -> str:
    if not text or text in {".", ".."} or re.search(r"[/\\]", text) or has_control(text):
        raise _slip("is not a plain file name", "a file name alone; the file lies in the garden folder")
    return text


def _plain(text: str) -> str:
    if has_control(text) or not text.strip():
        raise _slip("is empty or holds a control character", "plain text on one line")
    return text.strip()


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9.:_-]+", text):
        raise _slip(
            f"{shown_value(text)} is not a host",
            'a name such as "mail.example.org"; the port has its own key',
        )
    return text


def _absolute(text: str) -> str:
    if has_control(text) or not Path(text).is_absolute():
        raise _slip(f"{shown_value(text)} is not a whole path", 'a path that begins with "/"')
    return text


def _forecast(word: str) -> str:
    return known_word(word, FORECAST_SOURCES, "forecast source")


ClockTime = Annotated[time, BeforeValidator(clock_time)]
BaseUrl = Annotated[str, AfterValidator(_base_url)]
Address = Annotated[str, AfterValidator(_address)]
Plain = Annotated[str, AfterValidator(_plain)]


class _SourceRow(StrictRow):
    base_url: BaseUrl | None = Field(None, description="address of the service")


class _EnsembleRow(_SourceRow):
    ensemble_url: BaseUrl | None = Field(None, description="address of the ensemble")


class _StationRow(_SourceRow):
    stations: list[Annotated[str, AfterValidator(clean_name)]] = Field(
        [], description="station ids; empty: nearest"
    )


class _WeatherRow(StrictRow):
    forecast: list[Annotated[str, AfterValidator(_forecast)]] = Field(
        list(FORECAST_SOURCES), min_length=1, description="sources in the order in which they are tried"
    )
    contact: str = Field("", max_length=200, description="your mail address, for the User-Agent")
    open_meteo: _EnsembleRow = Field(_EnsembleRow.model_construct(), alias="open-meteo")
    met_norway: _SourceRow = Field(_SourceRow.model_construct(), alias="met-norway")
    us_nws: _SourceRow = Field(_SourceRow.model_construct(), alias="us-nws")
    meteostat: _StationRow = Field(_StationRow.model_construct())


class _MailRow(StrictRow):
    host: Annotated[str, AfterValidator(_host)] = Field(description='mail server such as "mail.example.org"')
    port: int | None = Field(None, ge=1, le=65535, description="usual: 465 tls, 587 starttls")
    security: Security = Field("tls", description="tls, starttls or plain")
    username: Plain | None = Field(None, description="for the mail server")
    password_file: Annotated[str, AfterValidator(_file_name)] | None = Field(None, description="a file name")
    sender: Address = Field(description="the address mail comes from")
    recipients: list[Address] = Field(min_length=1, max_length=20, description="addresses mail goes to")
    plain_is_wanted: bool = Field(False, description="true: no encryption although the host is elsewhere")
    ca_file: Annotated[str, AfterValidator(_absolute)] | None = Field(
        None, description="extra certificate authority"
    )


class _DigestRow(StrictRow):
    at: ClockTime = Field(time(6), description='garden-local, "06:00"')


class _AlertsRow(StrictRow):
    quiet_from: ClockTime = Field(time(22), description='garden-local, "22:00"')
    quiet_until: ClockTime = Field(time(6), description='garden-local, "06:00"')
    caution: Caution = Field("even", description="cautious, even or bold")


class _StateRow(StrictRow):
    folder: Plain = Field("state", description="relative to the garden folder, or a whole path")


class _ServiceRow(StrictRow):
    weather: _WeatherRow = Field(default_factory=lambda: _WeatherRow.model_validate({}))
    mail: _MailRow | None = None
    digest: _DigestRow = Field(default_factory=lambda: _DigestRow.model_validate({}))
    alerts: _AlertsRow = Field(default_factory=lambda: _AlertsRow.model_validate({}))
    state: _StateRow = Field(default_factory=lambda: _StateRow.model_validate({}))


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
        row = _ServiceRow.model_validate(document)
    except ValidationError as error:
        found_faults = [_spoken(fault) for fault in explain(error, _ServiceRow, file, lines)]
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
        mail=None if mail is None else _mail(mail),
        digest_at=row.digest.at,
        quiet_from=row.alerts.quiet_from,
        quiet_until=row.alerts.quiet_until,
        caution=row.alerts.caution,
        state_folder=row.state.folder,
    )


def _mail(row: _MailRow) -> MailSettings:
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
