"""A garden in New York in the summer of 2013, a weather server and a mail server, all on loopback."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import trustme
from servers.forecast_server import ForecastServer
from servers.mail_server import MailServer
from service.pass_garden import Yard

DIGEST_UTC = datetime(2013, 7, 13, 10, 0, tzinfo=UTC)
"""06:00 in New York on 13 July 2013."""


@dataclass(frozen=True)
class SafeMail:
    """A mail server with TLS and a password, and the authority its client must trust."""

    server: MailServer
    ca_file: Path

    @classmethod
    @contextmanager
    def running(cls, folder: Path) -> Iterator[SafeMail]:
        """Start it; the authority's certificate is written into ``folder``."""
        authority = trustme.CA()
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority.issue_cert("127.0.0.1").configure_cert(context)
        ca_file = folder / "authority.pem"
        authority.cert_pem.write_to_path(str(ca_file))
        with MailServer(tls=context, password=(b"yard", b"three words here")) as server:
            yield cls(server, ca_file)

    def lines(self) -> str:
        """The ``[mail]`` table of service.toml."""
        return (
            "[mail]\n"
            'host = "127.0.0.1"\n'
            f"port = {self.server.port}\n"
            'security = "tls"\n'
            'username = "yard"\n'
            'password_file = "smtp-password"\n'
            'sender = "advisor@example.org"\n'
            'recipients = ["grower@example.org"]\n'
            f'ca_file = "{self.ca_file}"\n'
        )


@pytest.fixture
def weather() -> Iterator[ForecastServer]:
    with ForecastServer(DIGEST_UTC) as server:
        yield server


@pytest.fixture
def yard(tmp_path: Path, weather: ForecastServer) -> Yard:
    """The garden without ``[mail]``: messages go into a folder of its own."""
    return Yard.write(tmp_path / "yard", weather)


@pytest.fixture
def safe_mail(tmp_path: Path) -> Iterator[SafeMail]:
    with SafeMail.running(tmp_path) as mail:
        yield mail
