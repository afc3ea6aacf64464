"""service.toml in, checked settings out; the mail password from the environment or a private file.

Every fault is listed at once with line, key and what to write instead. Secrets never stand in TOML
and never in a message.
"""

from __future__ import annotations

import ipaddress
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from advisor.errors import Fault, SettingsError
from advisor.store.garden_rows import clock_time
from advisor.store.toml_faults import (
    StrictRow,
    clean_name,
    decode_text,
    explain,
    key_lines,
    known_word,
    parse_toml,
    read_bytes,
    shown_value,
)

__all__ = [
    "SERVICE_FILE",
    "MailSettings",
    "ServiceSettings",
    "load_service",
    "parse_service",
    "read_password",
    "service_text",
]

SERVICE_FILE = "service.toml"
FORECAST_SOURCES = ("open-meteo", "met-norway", "us-nws")
_ADDRESS = re.compile(r"[^@\s<>\"(),:;\[\]\\]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
_BASE_URLS = {
    "open-meteo": "https://api.open-meteo.com",
    "met-norway": "https://api.met.no",
    "us-nws": "https://api.weather.gov",
}
_ENSEMBLE_URL = "https://ensemble-api.open-meteo.com"
_METEOSTAT_URL = "https://data.meteostat.net"


@dataclass(frozen=True, slots=True)
class MailSettings:
    """``[mail]``: where and how mail is handed over."""

    host: str
    port: int
    security: Literal["tls", "starttls", "plain"]
    username: str | None
    password_file: str | None
    sender: str
    recipients: tuple[str, ...]
    plain_is_wanted: bool
    ca_file: Path | None


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """service.toml. ``base_urls`` maps a source to its address; an empty one is switched off."""

    forecast: tuple[str, ...]
    contact: str
    base_urls: Mapping[str, str]
    ensemble_url: str
    meteostat_url: str
    meteostat_stations: tuple[str, ...]
    mail: MailSettings | None
    digest_at: time
    quiet_from: time
    quiet_until: time
    caution: Literal["cautious", "even", "bold"]
    state_folder: str


def _slip(found: str, wanted: str) -> PydanticCustomError:
    return PydanticCustomError("grower_fault", "{found}; {wanted}", {"found": found, "wanted": wanted})


def is_loopback(host: str) -> bool:
    """Tell whether a host name is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _url(text: str) -> str:
    if text == "":
        return text
    parts = urlsplit(text)
    if parts.scheme not in {"http", "https"} or not parts.hostname or parts.query or parts.fragment:
        raise _slip(f"{shown_value(text)} is not an address", '"https://host" or "" to switch the source off')
    if parts.username is not None or parts.password is not None:
        raise _slip("the address holds a name or password", "leave both out of the address")
    if parts.scheme == "http" and not is_loopback(parts.hostname):
        raise _slip(f"{shown_value(text)} is not encrypted", "write https://; http is for this machine only")
    return text.rstrip("/")


def _address(text: str) -> str:
    if not text.isascii() or not _ADDRESS.fullmatch(text):
        raise _slip(f"{shown_value(text)} is not a mail address", '"name@example.org", ASCII, no display name')
    return text


def _source(text: str) -> str:
    return known_word(text, FORECAST_SOURCES, "weather source")


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9.:\[\]-]+", text):
        raise _slip(f"{shown_value(text)} is not a host name", 'a name such as "mail.example.org"')
    return text


def _file_name(text: str) -> str:
    if not text or "/" in text or "\\" in text or text in {".", ".."} or "\0" in text:
        raise _slip(f"{shown_value(text)} is not a plain file name", "a name without folders, beside garden.toml")
    return text


def _folder(text: str) -> str:
    if not text or "\0" in text or ".." in Path(text).parts:
        raise _slip(f"{shown_value(text)} cannot be the state folder", 'a folder such as "state"')
    return text


Url = Annotated[str, AfterValidator(_url)]
Address = Annotated[str, AfterValidator(_address)]
ClockTime = Annotated[time, BeforeValidator(clock_time)]


class _SourceRow(StrictRow):
    base_url: Url | None = None


class _OpenMeteoRow(_SourceRow):
    ensemble_url: Url = _ENSEMBLE_URL


class _MeteostatRow(_SourceRow):
    stations: list[Annotated[str, Field(pattern=r"^[A-Za-z0-9]{1,8}$")]] = []


class _WeatherRow(StrictRow):
    forecast: Annotated[list[Annotated[str, AfterValidator(_source)]], Field(min_length=1)] = ["open-meteo"]
    contact: Annotated[str, AfterValidator(clean_name)] = ""
    open_meteo: Annotated[_OpenMeteoRow, Field(alias="open-meteo")] = _OpenMeteoRow()
    met_norway: Annotated[_SourceRow, Field(alias="met-norway")] = _SourceRow()
    us_nws: Annotated[_SourceRow, Field(alias="us-nws")] = _SourceRow()
    meteostat: _MeteostatRow = _MeteostatRow()


class _MailRow(StrictRow):
    host: Annotated[str, AfterValidator(_host)]
    port: Annotated[int, Field(ge=1, le=65535)] = 465
    security: Literal["tls", "starttls", "plain"] = "tls"
    username: Annotated[str, Field(min_length=1)] | None = None
    password_file: Annotated[str, AfterValidator(_file_name)] | None = None
    sender: Address
    recipients: Annotated[list[Address], Field(min_length=1, max_length=20)]
    plain_is_wanted: bool = False
    ca_file: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _no_secret(cls, data: Any) -> Any:
        if isinstance(data, dict) and "password" in data:
            raise _slip(
                "a password stands in service.toml",
                'put it into a file of its own (chmod 600) and write password_file = "NAME", or set '
                "ADVISOR_SMTP_PASSWORD",
            )
        return data

    @model_validator(mode="after")
    def _encrypted(self) -> _MailRow:
        if self.security == "plain" and not is_loopback(self.host) and not self.plain_is_wanted:
            raise _slip(
                f'security = "plain" to {self.host} sends mail and password unencrypted',
                'write "tls" or "starttls", or name it: plain_is_wanted = true',
            )
        return self


class _DigestRow(StrictRow):
    at: ClockTime = time(6)


class _AlertsRow(StrictRow):
    quiet_from: ClockTime = time(22)
    quiet_until: ClockTime = time(6)
    caution: Literal["cautious", "even", "bold"] = "even"


class _StateRow(StrictRow):
    folder: Annotated[str, AfterValidator(_folder)] = "state"


class _ServiceRow(StrictRow):
    weather: _WeatherRow = _WeatherRow()
    mail: _MailRow | None = None
    digest: _DigestRow = _DigestRow()
    alerts: _AlertsRow = _AlertsRow()
    state: _StateRow = _StateRow()


def parse_service(text: str, file: str = SERVICE_FILE) -> ServiceSettings:
    """Return the settings that a service file holds.

    Raises
    ------
    SettingsError
        With every fault: line, key, what was found, what would be right.
    """
    document, faults = parse_toml(text, file)
    if document is None:
        raise SettingsError(faults)
    try:
        row = _ServiceRow.model_validate(document)
    except ValidationError as error:
        raise SettingsError(explain(error, _ServiceRow, file, key_lines(text), base=(), drops="file")) from None
    weather = row.weather
    given = {"open-meteo": weather.open_meteo, "met-norway": weather.met_norway, "us-nws": weather.us_nws}
    base_urls = {
        name: _BASE_URLS[name] if source.base_url is None else source.base_url for name, source in given.items()
    }
    meteostat = weather.meteostat
    mail = None
    if row.mail is not None:
        mail = MailSettings(
            row.mail.host,
            row.mail.port,
            row.mail.security,
            row.mail.username,
            row.mail.password_file,
            row.mail.sender,
            tuple(row.mail.recipients),
            row.mail.plain_is_wanted,
            Path(row.mail.ca_file) if row.mail.ca_file else None,
        )
    return ServiceSettings(
        forecast=tuple(dict.fromkeys(weather.forecast)),
        contact=weather.contact,
        base_urls=base_urls,
        ensemble_url=weather.open_meteo.ensemble_url if base_urls["open-meteo"] else "",
        meteostat_url=_METEOSTAT_URL if meteostat.base_url is None else meteostat.base_url,
        meteostat_stations=tuple(meteostat.stations),
        mail=mail,
        digest_at=row.digest.at,
        quiet_from=row.alerts.quiet_from,
        quiet_until=row.alerts.quiet_until,
        caution=row.alerts.caution,
        state_folder=row.state.folder,
    )


def load_service(path: Path) -> ServiceSettings:
    """Return the settings of the file at ``path``; ``SettingsError`` with every fault otherwise."""
    raw, faults = read_bytes(path, path.name, "write one, or let `advisor start DIR` make a folder to begin with")
    if raw is None:
        raise SettingsError(faults)
    text, faults = decode_text(raw, path.name)
    if text is None:
        raise SettingsError(faults)
    return parse_service(text, path.name)


def service_text(path: Path) -> str:
    """Return the text of a service file, empty where it cannot be read as text."""
    raw, _ = read_bytes(path, path.name, "")
    return "" if raw is None else decode_text(raw, path.name)[0] or ""


def read_password(settings: ServiceSettings, garden_folder: Path, environ: Mapping[str, str]) -> str | None:
    """Return the mail password, or None where none is set.

    Sought in ``ADVISOR_SMTP_PASSWORD``, then as ``password_file`` in ``$CREDENTIALS_DIRECTORY``, then
    beside garden.toml.

    Raises
    ------
    SettingsError
        The file is missing, or can be read by others than its owner.
    """
    given = environ.get("ADVISOR_SMTP_PASSWORD")
    if given:
        return given
    name = settings.mail.password_file if settings.mail is not None else None
    if name is None:
        return None
    credentials = environ.get("CREDENTIALS_DIRECTORY")
    if credentials and (path := Path(credentials) / name).is_file():
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    path = garden_folder / name
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError as error:
        raise SettingsError(
            f"{SERVICE_FILE}: mail.password_file: {name} cannot be read ({error.strerror}); put the password there, "
            "one line, chmod 600"
        ) from None
    with os.fdopen(descriptor, encoding="utf-8") as handle:
        if stat.S_IMODE(os.fstat(handle.fileno()).st_mode) & 0o077:
            raise SettingsError(f"{name} can be read by others; run: chmod 600 {name}")
        return handle.read().rstrip("\r\n")
