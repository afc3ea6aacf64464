"""A tick that is killed anywhere, and ticked again: one digest, whole."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import Yard, day_of, environment, local

AT = "2013-07-13T06:00"


@pytest.mark.parametrize("share", [0.15, 0.5, 0.8, 0.95])
def test_killed_tick_and_the_next_give_one_whole_digest(
    tmp_path: Path, weather: ForecastServer, share: float
) -> None:
    """Killed after a share of the time that a whole tick takes here, wherever that falls."""
    model = Yard.write(tmp_path / "model", weather, trees=("wren", "curlew"))
    began = time.monotonic()
    assert model.command("tick", now=AT).returncode == 0
    whole_s = time.monotonic() - began
    yard = Yard.write(tmp_path / "yard", weather, trees=("wren", "curlew"))
    words = ["--garden", str(yard.folder), "--now", local(AT).isoformat(), "tick"]
    process = subprocess.Popen(
        [sys.executable, "-m", "advisor.cli", *words],
        env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        process.wait(whole_s * share)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
    assert process.wait(30) in (0, -signal.SIGKILL)
    for minutes in (15, 30, 60):
        assert yard.tick(local(AT) + timedelta(minutes=minutes)).exit_code in (0, 1)
    assert [day_of(mail) for mail in yard.mails("digest")] == [date(2013, 7, 13)]
    heat = [mail["Message-ID"] for mail in yard.mails("heat")]
    assert len(heat) == len(set(heat)) == 1
    assert yard.tick("2013-07-14T06:00").exit_code == 0
    assert len(yard.mails("digest")) == 2
