"""How far a replay has come, so that the same command goes on where it ended, byte for byte.

After each day: results are appended, the state's database is copied, then ``progress.json`` is replaced
in one step. Whatever a killed day left behind is cut off again on going on.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from advisor.errors import SettingsError, StoreError
from advisor.store.atomic_files import write_atomically
from advisor.store.backup import copy_at_rest
from advisor.store.database import FILE_NAME
from advisor.store.locks import pass_lock

__all__ = ["Progress", "alone_in", "append_text", "begin_or_go_on", "mark_of"]

PROGRESS_FILE = "progress.json"
SCHEMA = "replay/1"
_WORDS = {
    "span": "--from or --to",
    "options": "--error, --members, --seed, --every or --brief",
    "garden": "garden.toml",
    "journal": "journal.csv",
    "service": "service.toml",
    "weather": "the weather",
    "climate": "the stored climate",
    "config": "a number in config/",
    "version": "the advisor itself",
}


def mark_of(*parts: str | bytes) -> str:
    """Return a short fingerprint of texts or bytes."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(len(data).to_bytes(8, "big"))
        digest.update(data)
    return digest.hexdigest()[:24]


def append_text(path: Path, text: str, head: str = "") -> None:
    """Append to a result file; ``head`` goes before the first text of all.

    Raises
    ------
    StoreError
        The disk refused.
    """
    try:
        # by the descriptor: a replay appends to some hundred files a day, and a file object costs twice that
        file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            data = (text if not head or os.fstat(file).st_size else head + text).encode()
            while data:
                data = data[os.write(file, data) :]
        finally:
            os.close(file)
    except OSError as error:
        raise StoreError(
            f"cannot write {path}: {error.strerror or error}; free some space, then run the same command: it "
            "goes on where it ended"
        ) from error


@dataclass
class Progress:
    """Where a replay stands.

    Attributes
    ----------
    out : folder of the results. work : folder of the replay's own garden and state inside it.
    marks : fingerprints of everything that the results rest on.
    done_until : last day that is whole, or None.
    sizes : bytes of each appended file at the end of that day, by path under ``out``.
    finished : sheets and summary are written.
    tally : counts kept from day to day.
    recorded_until : last day whose hours stand in the season files, or None.
    """

    out: Path
    marks: Mapping[str, str]
    done_until: date | None = None
    sizes: dict[str, int] = field(default_factory=dict)
    finished: bool = False
    tally: dict[str, int] = field(default_factory=dict)
    checkpoint: str = ""
    recorded_until: date | None = None

    @property
    def work(self) -> Path:
        """Folder of the replay's own garden."""
        return self.out / "work"

    @property
    def state(self) -> Path:
        """State folder of the replay's own garden."""
        return self.work / "state"

    def count(self, name: str, more: int = 1) -> None:
        """Add to a tally."""
        self.tally[name] = self.tally.get(name, 0) + more

    def day_done(self, day: date, appended: list[Path], now_utc: datetime) -> None:
        """Note that ``day`` is whole and ``appended`` are the files that grow with the days."""
        before = self.checkpoint
        name = f"state-{day.isoformat()}.sqlite3"
        copy_at_rest(self.state, self.work / name, now_utc)
        self.checkpoint, self.done_until = name, day
        self.sizes = {str(path.relative_to(self.out)): path.stat().st_size for path in appended}
        self.write()
        if before and before != name:
            (self.work / before).unlink(missing_ok=True)

    def write(self) -> None:
        """Replace progress.json in one step."""
        data = {
            "schema": SCHEMA,
            "marks": dict(self.marks),
            "done_until": _text(self.done_until),
            "recorded_until": _text(self.recorded_until),
            "sizes": self.sizes,
            "finished": self.finished,
            "tally": self.tally,
            "checkpoint": self.checkpoint,
        }
        write_atomically(self.work / PROGRESS_FILE, json.dumps(data, indent=1, sort_keys=True).encode())


def _text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _read(path: Path) -> dict[str, Any] | None:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} cannot be read ({error}); delete the folder and begin anew") from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise SettingsError(f"{path} is of another version; delete the folder and begin anew")
    return data


@contextlib.contextmanager
def alone_in(out: Path) -> Iterator[None]:
    """Hold the folder of a replay for one process.

    Raises
    ------
    SettingsError
        It holds something else, or another process replays into it.
    """
    work = Progress(out, {}).work
    foreign = out.exists() and (not out.is_dir() or any(path.name != work.name for path in out.iterdir()))
    if foreign and not (work / PROGRESS_FILE).exists():
        raise SettingsError(f"{out} holds something else; name a new folder with --out")
    with pass_lock(work) as mine:
        if not mine:
            raise SettingsError(f"another replay is running in {out}; wait for it, or name another --out")
        yield


def begin_or_go_on(out: Path, marks: Mapping[str, str]) -> Progress:
    """Return the progress of the replay in ``out``: a new one, or the one that was begun there.

    What a day that is not whole left behind is taken away.

    Raises
    ------
    SettingsError
        The folder holds a replay of other files, weather or settings.
    StoreError
        The folder cannot be written.
    """
    progress = Progress(out, dict(marks))
    try:
        found = _read(progress.work / PROGRESS_FILE)
        if found is None:
            progress.state.mkdir(parents=True, exist_ok=True)
            progress.write()
            return progress
        _refuse_changed(out, found["marks"], marks)
        progress.sizes = dict(found["sizes"])
        progress.tally = dict(found["tally"])
        progress.finished = bool(found["finished"])
        progress.checkpoint = str(found["checkpoint"])
        progress.done_until = _day(found["done_until"])
        progress.recorded_until = _day(found["recorded_until"])
        if not progress.finished:
            _cut_back(progress)
    except OSError as error:
        raise StoreError(
            f"{out} cannot be used: {error.strerror or error}; name another folder with --out"
        ) from error
    return progress


def _refuse_changed(out: Path, before: Mapping[str, str], now: Mapping[str, str]) -> None:
    changed = [name for name in now if before.get(name) != now[name]]
    if changed:
        words = " and ".join(_WORDS.get(name, name) for name in changed)
        raise SettingsError(
            f"{out} holds a replay with another state of: {words}. Go on with what it began with, delete the "
            "folder, or name another with --out"
        )


def _cut_back(progress: Progress) -> None:
    """Bring results and state back to the end of the last whole day."""
    grown = [progress.out / "mornings.jsonl", *sorted((progress.out / "season").glob("*.csv"))]
    for path in grown:
        size = progress.sizes.get(str(path.relative_to(progress.out)))
        if size is None:
            path.unlink(missing_ok=True)
        elif path.stat().st_size != size:
            os.truncate(path, size)
    shutil.rmtree(progress.state, ignore_errors=True)
    progress.state.mkdir(parents=True)
    if progress.checkpoint:
        shutil.copyfile(progress.work / progress.checkpoint, progress.state / FILE_NAME)
