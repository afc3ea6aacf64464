"""Deployment files against their own readers: systemd's, the POSIX shell's, pip's."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
UNITS = sorted((DEPLOY / "systemd").iterdir())
SCRIPTS = [DEPLOY / "setup", DEPLOY / "test", DEPLOY / "try", ROOT / ".ci" / "run"]
REQUIREMENTS = sorted(DEPLOY.glob("requirements*.txt"))


def directives(path: Path) -> dict[str, list[str]]:
    """Return ``Section.Key`` -> values of a unit file. Source: systemd.syntax(7)."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        text = line.strip()
        if not text or text[0] in "#;":
            continue
        if text.startswith("["):
            section = text.strip("[]")
            continue
        key, _, value = text.partition("=")
        found.setdefault(f"{section}.{key}", []).append(value)
    return found


def complaints(folder: Path, units: list[Path], spoil: tuple[str, str] | None = None) -> list[str]:
    """Return what systemd-analyze says of copies that start /bin/true, as instances."""
    for unit in units:
        text = re.sub(r"^ExecStart=.*$", "ExecStart=/bin/true", unit.read_text(encoding="utf-8"), flags=re.M)
        if spoil is not None:
            text = text.replace(*spoil)
        (folder / unit.name).write_text(text, encoding="utf-8")
    told: list[str] = []
    for unit in units:
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", str(folder / unit.name.replace("@", "@yard"))],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
        told += [line for line in done.stderr.splitlines() if "advisor" in line]
    return told


def test_units_systemd_has_no_complaint(tmp_path):
    # What must stand there is asserted always, below; systemd's own reader is asked where there is one that
    # works, which a misspelt directive shows first.
    spoilt, whole = tmp_path / "spoilt", tmp_path / "whole"
    spoilt.mkdir()
    whole.mkdir()
    if shutil.which("systemd-analyze") and complaints(spoilt, UNITS, ("UMask=", "UMaks=")):
        assert complaints(whole, UNITS) == []
    assert [unit.name for unit in UNITS] == [
        "advisor-failed@.service",
        "advisor@.service",
        "advisor@.timer",
    ]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("Service.Type", "oneshot"),
        ("Service.ExecStart", "/opt/advisor/.venv/bin/advisor --garden /var/lib/advisor/%i tick"),
        ("Service.SuccessExitStatus", "1"),
        ("Service.User", "advisor"),
        ("Service.UMask", "0007"),
        ("Service.NoNewPrivileges", "yes"),
        ("Service.ProtectSystem", "strict"),
        ("Service.ProtectHome", "yes"),
        ("Service.PrivateTmp", "yes"),
        ("Service.ReadWritePaths", "/var/lib/advisor/%i"),
        ("Service.CapabilityBoundingSet", ""),
        ("Unit.OnFailure", "advisor-failed@%n.service"),
        ("Unit.Wants", "network-online.target"),
    ],
)
def test_service_unit_has_what_it_must(key, value):
    assert directives(DEPLOY / "systemd" / "advisor@.service")[key] == [value]


def test_service_unit_gives_a_pass_more_time_than_its_network_and_mail_take():
    # network 120 s and delivery 300 s a pass; ten minutes leave room for reckoning
    (given,) = directives(DEPLOY / "systemd" / "advisor@.service")["Service.TimeoutStartSec"]
    assert given == "10min"


def test_timer_ticks_in_utc_and_catches_up_after_downtime():
    timer = directives(DEPLOY / "systemd" / "advisor@.timer")
    assert timer["Timer.OnCalendar"] == ["*:04/15 UTC"]
    assert timer["Timer.Persistent"] == ["true"]
    assert timer["Install.WantedBy"] == ["timers.target"]


def test_crontab_ticks_every_quarter_hour():
    lines = [
        line for line in (DEPLOY / "crontab").read_text(encoding="utf-8").splitlines() if line[:1] != "#"
    ]
    (line,) = [line for line in lines if line.strip()]
    assert line.split()[:5] == ["4-59/15", "*", "*", "*", "*"]  # crontab(5): minutes 4, 19, 34, 49
    assert " tick " in line


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_scripts_are_posix_shell_and_stop_at_the_first_fault(script):
    text = script.read_text(encoding="utf-8")
    assert text.startswith("#!/bin/sh\n")
    assert "\nset -eu\n" in text
    done = subprocess.run(["sh", "-n", str(script)], capture_output=True, text=True, check=False, timeout=30)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("path", REQUIREMENTS, ids=lambda path: path.name)
def test_requirements_are_pinned_hashed_and_name_no_address(path):
    text = path.read_text(encoding="utf-8")
    assert "://" not in text
    entries = [entry for entry in text.replace("\\\n", " ").splitlines() if entry.strip()]
    assert entries
    for entry in entries:
        assert re.match(r"[a-z0-9][a-z0-9._-]*==\S+", entry), entry  # exact version (PEP 440, PEP 508)
        assert re.search(r"--hash=sha256:[0-9a-f]{64}(\s|$)", entry), entry[:60]


def test_requirements_cover_what_the_project_declares():
    declared = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    body = declared.split("dependencies = [", 1)[1].split("]", 1)[0]
    names = {re.match(r"[A-Za-z0-9._-]+", word)[0].lower() for word in re.findall(r'"([^"]+)"', body)}
    for path in ("requirements.txt", "requirements-test.txt"):
        text = (DEPLOY / path).read_text(encoding="utf-8")
        pinned = set(re.findall(r"^([a-z0-9._-]+)==", text, flags=re.MULTILINE))
        assert names <= pinned, f"{path}: {sorted(names - pinned)}"
