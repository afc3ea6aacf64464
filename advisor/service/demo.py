"""The demo: the whole job on the shipped invented garden and weather, without network or mail server.

Runs the very pass of the service in a state folder of its own; only the network is replaced by the
shipped reply and the mail server by a folder.
"""

from __future__ import annotations

import gzip
import shutil
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from advisor.errors import StoreError
from advisor.service.clock import Clock
from advisor.service.fetch import keep_table
from advisor.service.tick import PAGE_FOLDER, run_pass
from advisor.sources.open_meteo import parse_forecast
from advisor.store.config_files import config_folder
from advisor.store.database import Store

__all__ = ["DEMO_NOW", "Shown", "run_demo"]

DEMO_NOW = datetime(2026, 7, 11, 4, 0, tzinfo=UTC)
"""06:00 in the invented garden, the morning of the digest."""
FILES = ("garden.toml", "service.toml", "journal.csv")


@dataclass(frozen=True, slots=True)
class Shown:
    """What the demo prints: the digest as text, and lines for the operator."""

    text: str
    lines: tuple[str, ...]


def run_demo(out: Path) -> Shown:
    """Write digest.txt, digest.html, digest.eml, calendar.ics, today.json and the picture into ``out``.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{out} cannot be made: {error.strerror}; name another folder with --out") from error
    source = config_folder() / "demo"
    with tempfile.TemporaryDirectory(prefix="advisor-demo-") as temporary:
        folder = Path(temporary)
        for name in FILES:
            (folder / name).write_bytes((source / name).read_bytes())
        body = gzip.decompress((source / "forecast.json.gz").read_bytes())
        table = parse_forecast(body, DEMO_NOW)
        clock = Clock("given", DEMO_NOW)
        state = folder / "state"
        with Store.open(state, DEMO_NOW, "given") as store:
            keep_table(store, "history", table, DEMO_NOW)
            keep_table(store, "forecast", table, DEMO_NOW)
        report = run_pass(folder, clock, {})
        for path in sorted((state / PAGE_FOLDER).iterdir()):
            shutil.copyfile(path, out / path.name)
        for mail in sorted((state / "mail").glob("*.eml")):
            kind = _kind_of(mail.read_bytes())
            shutil.copyfile(mail, out / f"{kind}.eml")
    text = (out / "digest.txt").read_text(encoding="utf-8")
    return Shown(
        text, (*report.lines, f"Written to {out}/: {', '.join(sorted(p.name for p in out.iterdir()))}")
    )


def _kind_of(raw: bytes) -> str:
    """The kind that the message names in its own header, for the file's name."""
    for line in raw.split(b"\r\n\r\n", 1)[0].split(b"\r\n"):
        if line.startswith(b"Advisor-Message: kind="):
            return line.split(b"kind=", 1)[1].split(b";", 1)[0].decode("ascii")
    return "mail"
