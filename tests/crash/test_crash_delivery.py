"""Killed at each step, then started again: how often the message arrives (expected_deliveries.json)."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from servers.mail_server import MailServer

import advisor
from advisor.store import outbox
from advisor.store.database import FILE_NAME, Store
from advisor.store.locks import pass_lock

HERE = Path(__file__).parent
FIND_ADVISOR = {**os.environ, "PYTHONPATH": str(Path(advisor.__file__).parents[1])}
"""The children run the same package as the tests, installed or not."""
CASES = json.loads((HERE / "expected_deliveries.json").read_text())["cases"]
NOW = datetime(2026, 7, 1, 4, 0, tzinfo=UTC)


def start(
    state: Path, port: int, key: str, policy: str, cut: str, now: datetime = NOW
) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [
            sys.executable,
            str(HERE / "steps_child.py"),
            str(state),
            str(port),
            key,
            policy,
            cut,
            now.isoformat(),
        ],
        env=FIND_ADVISOR,
    )


def states(state: Path) -> dict[str, str]:
    connection = sqlite3.connect(state / FILE_NAME)
    found = dict(connection.execute("SELECT dedupe_key, state FROM outbox"))
    assert connection.execute("PRAGMA quick_check").fetchone() == ("ok",)
    connection.close()
    return found


@pytest.mark.parametrize("case", CASES, ids=[f"{case['cut']}-{case['on_unknown']}" for case in CASES])
def test_killed_at_a_step_the_message_arrives_as_often_as_the_table_says(
    case: dict[str, Any], tmp_path: Path
) -> None:
    state, key, policy, cut = tmp_path / "state", "2026-07-01", case["on_unknown"], case["cut"]
    with MailServer() as server:
        if cut == "answer-dropped":
            server.script.stage, server.script.answer = "dot", "drop"
            process = start(state, server.port, key, policy, "")
            assert process.wait(60) == 0
            server.script.stage = ""
        else:
            process = start(state, server.port, key, policy, cut)
            if cut == "after-payload":
                server.box.before_answer = lambda: process.send_signal(signal.SIGKILL)
            assert process.wait(60) == -signal.SIGKILL
            server.box.before_answer = None
        # the same instant, then later: running it again changes nothing more
        for later in (timedelta(0), timedelta(hours=1)):
            assert start(state, server.port, key, policy, "", NOW + later).wait(60) == 0
        assert len(server.box.taken) == case["delivered"]
        assert len(set(server.box.taken)) == 1, "every copy has the same bytes, Date and Message-ID"
    assert states(state) == {key: case["state"]}


def test_two_passes_at_once_send_once(tmp_path: Path) -> None:
    with MailServer() as server:
        server.box.before_answer = lambda: time.sleep(1.0)
        both = [start(tmp_path / "state", server.port, "d", "resend", "") for _ in range(2)]
        codes = sorted(process.wait(60) for process in both)
        assert len(server.box.taken) == 1
    assert codes in ([0, 75], [0, 0])
    assert states(tmp_path / "state") == {"d": "sent"}


def test_clock_set_back_between_passes_sends_nothing_again(tmp_path: Path) -> None:
    with MailServer() as server:
        for hours in (0, -1, -30):
            assert (
                start(tmp_path / "state", server.port, "d", "resend", "", NOW + timedelta(hours=hours)).wait(
                    60
                )
                == 0
            )
        assert len(server.box.taken) == 1


def fill(state: Path, rows: int) -> None:
    with Store.open(state, NOW, "given") as store:
        for _ in range(2):
            with store.transaction() as tx:
                outbox.enqueue_all(
                    tx,
                    [
                        outbox.NewMessage(
                            f"k{n}",
                            f"<k{n}@example.org>",
                            "grower@example.org",
                            "advisor@example.org",
                            f"Message-ID: <k{n}@example.org>\r\n\r\n{n}\r\n".encode(),
                            "urgent" if n % 7 == 0 else "routine",
                            "hold",
                            NOW,
                            NOW + timedelta(hours=5),
                            "digest",
                            NOW.date(),
                        )
                        for n in range(rows)
                    ],
                )


def work(state: Path, workers: int, rows: int) -> None:
    fill(state, rows)
    with MailServer() as server:
        running = [
            subprocess.Popen(
                [
                    sys.executable,
                    str(HERE / "workers_child.py"),
                    str(state),
                    str(server.port),
                    NOW.isoformat(),
                ],
                stdout=subprocess.PIPE,
                env=FIND_ADVISOR,
                text=True,
            )
            for _ in range(workers)
        ]
        sent = [int(process.communicate(timeout=280)[0]) for process in running]
        bodies = Counter(content for _, _, content in server.box.taken)
    assert [process.returncode for process in running] == [0] * workers
    assert sum(sent) == rows
    assert len(bodies) == rows
    assert set(bodies.values()) == {1}
    assert set(states(state).values()) == {"sent"}


def test_three_workers_send_each_of_twenty_rows_once(tmp_path: Path) -> None:
    work(tmp_path / "state", 3, 20)


@pytest.mark.long
def test_six_workers_send_each_of_two_hundred_rows_once(tmp_path: Path) -> None:
    work(tmp_path / "state", 6, 200)


@pytest.mark.long
@pytest.mark.parametrize("policy", ["resend", "hold"])
def test_killed_at_a_hundred_chance_instants_nothing_is_lost(policy: str, tmp_path: Path) -> None:
    """Every pass is killed after a chance delay; the last runs through. Delays from a fixed seed."""
    chance = np.random.default_rng(20260701)
    state = tmp_path / "state"
    keys = [f"day-{n}" for n in range(25)]
    with MailServer() as server:
        for key in keys:
            for _ in range(4):
                process = start(state, server.port, key, policy, "")
                try:
                    process.wait(chance.uniform(0.05, 0.9))
                except subprocess.TimeoutExpired:
                    process.send_signal(signal.SIGKILL)
                    process.wait()
        for key in keys:
            assert start(state, server.port, key, policy, "", NOW + timedelta(hours=1)).wait(60) == 0
        arrived = Counter(content for _, _, content in server.box.taken)
    settled = states(state)
    assert set(settled) == set(keys)
    for key in keys:
        copies = sum(number for content, number in arrived.items() if f"<{key}@".encode() in content)
        if policy == "hold":
            assert copies <= 1
            assert settled[key] == "unknown" or copies == 1
        else:
            assert copies >= 1
            assert settled[key] == "sent"
    assert len(arrived) <= len(keys), "copies are the same bytes"


def test_lock_is_free_after_the_kill(tmp_path: Path) -> None:
    with MailServer() as server:
        assert start(tmp_path / "state", server.port, "d", "hold", "after-lease").wait(60) == -signal.SIGKILL
    with pass_lock(tmp_path / "state") as held:
        assert held
