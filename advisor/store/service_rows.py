"""The tables of service.toml as the grower writes them, and the settings they become."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from advisor.store.garden_rows import clock_time
from advisor.store.toml_faults import StrictRow, has_control, known_word, shown_value
from advisor.weather.stations import is_station_id

__all__ = [
    "DEFAULT_BASE_URLS",
    "DEFAULT_ENSEMBLE_URL",
    "DEFAULT_PORTS",
    "FORECAST_SOURCES",
    "MailRow",
    "MailSettings",
    "ServiceRow",
    "ServiceSettings",
    "is_loopback",
]

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
ForecastCorrection = Literal["learned", "off"]


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
    past_years : tuple of int
        Earlier years whose hours are fetched too, to be replayed.
    mail : MailSettings or None
        None where no ``[mail]`` is given: messages go into a folder.
    digest_at : time
        Garden-local time of the digest.
    quiet_from, quiet_until : time
        Garden-local quiet hours.
    caution : str
        ``cautious``, ``even`` or ``bold``.
    correction : str
        ``learned``: a learned bias is taken off forecasts where that was shown to help; ``off``.
    state_folder : str
        Relative to the garden folder, or absolute.
    """

    forecast: tuple[str, ...] = FORECAST_SOURCES
    contact: str = ""
    base_urls: Mapping[str, str] = field(default_factory=lambda: DEFAULT_BASE_URLS)
    ensemble_url: str = DEFAULT_ENSEMBLE_URL
    stations: tuple[str, ...] = ()
    past_years: tuple[int, ...] = ()
    mail: MailSettings | None = None
    digest_at: time = time(6)
    quiet_from: time = time(22)
    quiet_until: time = time(6)
    caution: Caution = "even"
    correction: ForecastCorrection = "learned"
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


def _station(text: str) -> str:
    if not is_station_id(text):
        wanted = 'the id of a weather station, such as "10532", or [] for the nearest ones'
        raise _slip(f"{shown_value(text)} is not a station id", wanted)
    return text


def _forecast(word: str) -> str:
    return known_word(word, FORECAST_SOURCES, "forecast source")


ClockTime = Annotated[time, BeforeValidator(clock_time)]
BaseUrl = Annotated[str, AfterValidator(_base_url)]
Address = Annotated[str, AfterValidator(_address)]
Plain = Annotated[str, AfterValidator(_plain)]


class SourceRow(StrictRow):
    base_url: BaseUrl | None = Field(None, description="address of the service")


class EnsembleRow(SourceRow):
    ensemble_url: BaseUrl | None = Field(None, description="address of the ensemble")


class StationRow(SourceRow):
    stations: list[Annotated[str, AfterValidator(_station)]] = Field(
        [], max_length=10, description="station ids; empty: nearest"
    )
    past_years: list[Annotated[int, Field(ge=1950, le=2100)]] = Field(
        [], max_length=30, description="earlier years to be replayed, such as [2018, 2019]"
    )


class WeatherRow(StrictRow):
    forecast: list[Annotated[str, AfterValidator(_forecast)]] = Field(
        list(FORECAST_SOURCES), min_length=1, description="sources in the order in which they are tried"
    )
    correction: ForecastCorrection = Field("learned", description="learned or off")
    contact: str = Field("", max_length=200, description="your mail address, for the User-Agent")
    open_meteo: EnsembleRow = Field(EnsembleRow.model_construct(), alias="open-meteo")
    met_norway: SourceRow = Field(SourceRow.model_construct(), alias="met-norway")
    us_nws: SourceRow = Field(SourceRow.model_construct(), alias="us-nws")
    meteostat: StationRow = Field(StationRow.model_construct())


class MailRow(StrictRow):
    """``[mail]``."""

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


class DigestRow(StrictRow):
    at: ClockTime = Field(time(6), description='garden-local, "06:00"')


class AlertsRow(StrictRow):
    quiet_from: ClockTime = Field(time(22), description='garden-local, "22:00"')
    quiet_until: ClockTime = Field(time(6), description='garden-local, "06:00"')
    caution: Caution = Field("even", description="cautious, even or bold")


class StateRow(StrictRow):
    folder: Plain = Field("state", description="relative to the garden folder, or a whole path")


class ServiceRow(StrictRow):
    """The whole file."""

    weather: WeatherRow = Field(default_factory=lambda: WeatherRow.model_validate({}))
    mail: MailRow | None = None
    digest: DigestRow = Field(default_factory=lambda: DigestRow.model_validate({}))
    alerts: AlertsRow = Field(default_factory=lambda: AlertsRow.model_validate({}))
    state: StateRow = Field(default_factory=lambda: StateRow.model_validate({}))
