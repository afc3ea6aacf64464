"""A pass that breaks unforeseen ends one tick, in the log with its trace; the process waits for the next.

Common practice for unattended services: one failure is recorded and survived; SIGTERM still ends in order.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

BROKEN = """
import logging, sys, threading, time
from pathlib import Path
import advisor.schedule as schedule
from advisor.service.clock import Clock

def broken(*_args, **_more):
    raise RuntimeError("nobody foresaw this")

logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(message)s")
schedule.run_pass = broken
threading.Thread(target=time.sleep, args=(60,), daemon=True).start()  # as libraries start some when loaded
sys.exit(schedule.serve(Path(sys.argv[1]), Clock("system", None), {}))
"""


def test_a_broken_tick_is_logged_and_the_process_goes_on_until_sigterm(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", BROKEN, str(tmp_path)], stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    seen = []
    for line in process.stderr:
        seen.append(line)
        if "RuntimeError: nobody foresaw this" in line:
            break
    assert any("event=pass-broken" in line for line in seen), seen
    assert process.poll() is None, "one broken tick must not end the service"
    process.send_signal(signal.SIGTERM)
    _, rest = process.communicate(timeout=60)
    assert process.returncode == 0, rest
    assert "event=stopping" in rest
