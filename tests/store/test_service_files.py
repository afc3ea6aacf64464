"""service.toml: every slip named, no secret in any message, sensible defaults."""

from __future__ import annotations

import os
import tomllib
from datetime import time
from pathlib import Path

import pytest

from advisor.errors import SettingsError
from advisor.store.service_files import load_service, parse_service, read_password

CASES = tomllib.loads(Path(__file__).with_name("bad_service_cases.toml").read_text(encoding="utf-8"))
MAIL = """
[mail]
host = "mail.example.org"
sender = "advisor@example.org"
recipients = ["grower@example.org"]
username = "advisor"
password_file = "smtp-password"
"""
CONTRACT = """
[weather]
forecast = ["open-meteo", "met-norway", "us-nws"]
contact = "grower@example.org"
[weather.open-meteo]
base_url = "https://api.open-meteo.com"
ensemble_url = "https://ensemble-api.open-meteo.com"
[weather.met-norway]
base_url = "https://api.met.no"
[weather.us-nws]
base_url = ""
[weather.meteostat]
base_url = "https://data.meteostat.net"
stations = []
[mail]
host = "mail.example.org"
port = 465
security = "tls"
username = "advisor"
password_file = "smtp-password"
sender = "advisor@example.org"
recipients = ["grower@example.org"]
[digest]
at = "05:45"
[alerts]
quiet_from = "21:30"
quiet_until = "06:00"
caution = "bold"
[state]
folder = "/var/lib/advisor/upper"
"""


@pytest.mark.parametrize("case", CASES["case"], ids=lambda case: case["name"])
def test_service_file_with_slips_names_each(case):
    with pytest.raises(SettingsError) as caught:
        parse_service(case["text"])
    faults = caught.value.faults
    assert [(one.line, one.key) for one in faults] == [(one["line"], one["key"]) for one in case["fault"]]
    for fault, wanted in zip(faults, case["fault"], strict=True):
        for word in wanted["words"]:
            assert word in f"{fault.found}; {fault.wanted}"
    for secret in case.get("never", []):
        assert secret not in str(caught.value)
        assert secret not in repr(caught.value.__cause__)


def test_service_file_of_the_contract_is_read_whole():
    settings = parse_service(CONTRACT)
    assert settings.forecast == ("open-meteo", "met-norway", "us-nws")
    assert settings.contact == "grower@example.org"
    assert settings.base_urls["met-norway"] == "https://api.met.no"
    assert settings.base_urls["us-nws"] == ""
    assert settings.ensemble_url == "https://ensemble-api.open-meteo.com"
    assert settings.stations == ()
    assert (settings.digest_at, settings.quiet_from, settings.quiet_until) == (
        time(5, 45),
        time(21, 30),
        time(6),
    )
    assert settings.caution == "bold"
    assert settings.state_folder == "/var/lib/advisor/upper"
    assert settings.mail is not None
    assert (settings.mail.host, settings.mail.port, settings.mail.security) == (
        "mail.example.org",
        465,
        "tls",
    )
    assert settings.mail.recipients == ("grower@example.org",)


def test_empty_service_file_has_every_default_and_no_mail():
    settings = parse_service("")
    assert settings.mail is None
    assert settings.digest_at == time(6)
    assert settings.caution == "even"
    assert settings.state_folder == "state"
    assert all(url.startswith("https://") for url in settings.base_urls.values())


@pytest.mark.parametrize(("security", "port"), [("tls", 465), ("starttls", 587)])
def test_port_left_out_is_the_registered_one(security, port):
    # RFC 8314 (submissions 465) and RFC 6409 (submission 587)
    settings = parse_service(MAIL + f'security = "{security}"\n')
    assert settings.mail is not None
    assert settings.mail.port == port


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
def test_plain_mail_and_http_may_go_to_this_machine(host):
    settings = parse_service(
        f'[weather.open-meteo]\nbase_url = "http://{host}:8080/"\n'
        + MAIL.replace("mail.example.org", host)
        + 'security = "plain"\n'
    )
    assert settings.base_urls["open-meteo"] == f"http://{host}:8080"
    assert settings.mail is not None
    assert settings.mail.security == "plain"


def test_plain_mail_elsewhere_wants_a_word_of_its_own():
    settings = parse_service(MAIL + 'security = "plain"\nplain_is_wanted = true\n')
    assert settings.mail is not None
    assert settings.mail.plain_is_wanted


def test_missing_service_file_says_how_to_begin(tmp_path):
    with pytest.raises(SettingsError, match="start"):
        load_service(tmp_path / "service.toml")


# --- password ------------------------------------------------------------------------------------


def put(folder: Path, mode: int, text: str = "s3cret-word\n") -> Path:
    path = folder / "smtp-password"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def test_password_is_sought_in_environment_then_credentials_then_garden(tmp_path):
    settings = parse_service(MAIL)
    garden, credentials = tmp_path / "garden", tmp_path / "credentials"
    garden.mkdir()
    credentials.mkdir()
    put(garden, 0o600, "from-garden\n")
    put(credentials, 0o440, "from-credentials")
    both = {"CREDENTIALS_DIRECTORY": str(credentials), "ADVISOR_SMTP_PASSWORD": "from-environment"}
    assert read_password(settings, garden, both) == "from-environment"
    assert read_password(settings, garden, {"CREDENTIALS_DIRECTORY": str(credentials)}) == "from-credentials"
    assert read_password(settings, garden, {}) == "from-garden"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o620])
def test_password_file_open_to_others_is_refused(tmp_path, mode):
    put(tmp_path, mode)
    with pytest.raises(SettingsError, match="chmod 600") as caught:
        read_password(parse_service(MAIL), tmp_path, {})
    assert "s3cret" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "\n", "two\nlines\n", "x" * 5000])
def test_password_file_without_one_line_is_refused(tmp_path, text):
    put(tmp_path, 0o600, text)
    with pytest.raises(SettingsError, match="one line"):
        read_password(parse_service(MAIL), tmp_path, {})


def test_password_file_missing_link_or_pipe_is_refused(tmp_path):
    settings = parse_service(MAIL)
    with pytest.raises(SettingsError, match="not there"):
        read_password(settings, tmp_path, {})
    other = tmp_path / "other"
    other.mkdir()
    (tmp_path / "smtp-password").symlink_to(put(other, 0o600))
    with pytest.raises(SettingsError, match="cannot be read"):
        read_password(settings, tmp_path, {})
    (tmp_path / "smtp-password").unlink()
    os.mkfifo(tmp_path / "smtp-password", 0o600)
    with pytest.raises(SettingsError, match="plain file"):
        read_password(settings, tmp_path, {})


def test_password_of_a_server_without_user_is_none(tmp_path):
    without = "\n".join(line for line in MAIL.splitlines() if not line.startswith(("username", "password")))
    assert read_password(parse_service(without), tmp_path, {"ADVISOR_SMTP_PASSWORD": "x"}) is None
    assert read_password(parse_service(""), tmp_path, {}) is None


def test_password_for_a_user_must_come_from_somewhere(tmp_path):
    without = MAIL.replace('password_file = "smtp-password"\n', "")
    with pytest.raises(SettingsError, match="ADVISOR_SMTP_PASSWORD"):
        read_password(parse_service(without), tmp_path, {})
