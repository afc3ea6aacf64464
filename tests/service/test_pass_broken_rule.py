"""A fault of the advisor's own costs neither the morning mail nor what is queued: never a silent morning."""

import shutil
from datetime import UTC, datetime

import pytest

from advisor.advice import alerts
from advisor.service import compose
from advisor.service.clock import Clock
from advisor.service.demo import FILES
from advisor.service.fetch import keep_table
from advisor.service.files import read_folder, state_folder_of
from advisor.service.health import health
from advisor.service.tick import run_pass
from advisor.sources.open_meteo import parse_forecast
from advisor.store.config_files import config_folder, load_tables
from advisor.store.database import Store

NOW = datetime(2026, 7, 11, 4, tzinfo=UTC)


@pytest.fixture
def yard(tmp_path):
    import gzip

    demo = config_folder() / "demo"
    for name in FILES:
        (tmp_path / name).write_bytes((demo / name).read_bytes())
    table = parse_forecast(gzip.decompress((demo / "forecast.json.gz").read_bytes()), NOW)
    with Store.open(tmp_path / "state", NOW, "given") as store:
        keep_table(store, "history", table, NOW)
        keep_table(store, "forecast", table, NOW)
    return tmp_path


def mails(yard):
    raw = [path.read_bytes() for path in (yard / "state" / "mail").glob("*.eml")]
    return sorted(one.split(b"Advisor-Message: kind=")[1].split(b";")[0].decode() for one in raw)


def broken(*_args, **_kwargs):
    raise ValueError("on purpose")


def test_one_broken_warning_leaves_the_digest_and_the_other_warnings(yard, monkeypatch):
    monkeypatch.setitem(alerts.ALERTS, "hail", broken)
    report = run_pass(yard, Clock("given", NOW), {})
    assert mails(yard) == ["digest", "heat"]
    assert report.exit_code == 1
    assert any("hail" in line for line in report.lines)


def test_a_digest_that_cannot_be_written_is_said_and_the_warning_still_goes(yard, monkeypatch):
    monkeypatch.setattr(compose, "digest_view", broken)
    report = run_pass(yard, Clock("given", NOW), {})
    assert mails(yard) == ["digest", "heat"]
    assert report.exit_code == 1
    assert not health(yard / "state", NOW).ok
    said = b"".join(path.read_bytes() for path in (yard / "state" / "mail").glob("*.eml"))
    assert b"no advice today, check the pots by hand" in said
    monkeypatch.undo()
    run_pass(yard, Clock("given", NOW.replace(minute=15)), {})
    assert mails(yard) == ["digest", "digest", "heat"]  # mended within the morning: the real one goes too


def test_state_folder_of_a_broken_service_file_is_still_found(yard):
    text = (yard / "service.toml").read_text() + '\n[state]\nfolder = "var"\n'
    (yard / "service.toml").write_text(text)
    (yard / "state").rename(yard / "var")
    run_pass(yard, Clock("given", NOW), {})
    (yard / "service.toml").write_text(text + "\nbroken = [")
    given = read_folder(yard, load_tables(), NOW)
    assert given.settings is None
    assert state_folder_of(yard, given.settings) == yard / "var"
    assert run_pass(yard, Clock("given", NOW.replace(minute=15)), {}).exit_code == 1


@pytest.mark.parametrize("where", ["table", "elsewhere", "settled", "other_readings"])
def test_a_fault_in_placing_costs_no_advice_and_the_mail_says_which_places_count(yard, monkeypatch, where):
    """Each tree is then judged where the journal has it: water is told, danger in the sun, and the fault."""
    target = {
        "table": "advisor.advice.placing.Table",
        "elsewhere": "advisor.advice.placing_table.elsewhere",
        "settled": "advisor.advice.settled.compute_exposure",
        "other_readings": "advisor.advice.readings.standing_now",
    }[where]
    whole = digest_of(run_pass_in(yard, "whole"))
    monkeypatch.setattr(target, broken)
    report = run_pass(yard, Clock("given", NOW), {})
    assert mails(yard) == ["digest", "heat"]
    assert report.exit_code == 1
    said = digest_of(yard)
    assert "Move Sorrel" in whole
    assert "Water all trees but" in said
    assert "a net of" in said, "who is in danger is told a net where it stands"
    assert "on purpose" in said
    assert "each tree is judged where the journal has it" in said
    assert "could not be worked out" not in said, "nothing else is missing"


def run_pass_in(yard, name):
    """A copy of the yard with a whole morning."""
    copy = yard.parent / f"{yard.name}-{name}"
    shutil.copytree(yard, copy)
    run_pass(copy, Clock("given", NOW), {})
    return copy


def digest_of(yard):
    return " ".join((yard / "state" / "latest" / "digest.txt").read_text(encoding="utf-8").split())
