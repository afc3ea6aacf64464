"""What SQLite and the disk say, in words that name the file and the way out."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

from advisor.errors import StoreError

__all__ = ["is_damage", "network_file_system", "store_fault"]

_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "ceph", "glusterfs", "afs"})


def network_file_system(path: Path, mounts: str | None = None) -> str | None:
    """Return the kind of network file system ``path`` lies on, or None.

    ``mounts`` is the text of /proc/mounts, read when not given; where there is none the answer is
    None.
    """
    if mounts is None:
        try:
            mounts = Path("/proc/mounts").read_text(encoding="utf-8", errors="replace")
        except OSError:
            return None
    best, kind = "", ""
    whole = str(path.absolute())
    for line in mounts.splitlines():
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = fields[1].replace("\\040", " ")
        inside = whole == point or whole.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, fields[2]
    return kind if kind in _NETWORK else None


def _free(folder: Path) -> str:
    try:
        return f"{shutil.disk_usage(folder).free // 1024} KiB free in {folder}"
    except OSError:
        return f"in {folder}"


_WORDS: tuple[tuple[str, str], ...] = (
    (
        "SQLITE_FULL",
        (
            "the disk is full ({free}): nothing was written to {path} and nothing half-written; free "
            "some space and "
            "run the pass again"
        ),
    ),
    ("SQLITE_READONLY", "{path} is read-only: nothing was written; make the folder writable for this user"),
    (
        "SQLITE_CORRUPT",
        (
            "{path} is damaged ({said}): it was left as it is and no new one was made; stop the "
            "service, move the "
            "file aside and restore the last backup"
        ),
    ),
    (
        "SQLITE_NOTADB",
        (
            "{path} is damaged ({said}): it was left as it is and no new one was made; stop the "
            "service, move the "
            "file aside and restore the last backup"
        ),
    ),
    (
        "SQLITE_BUSY",
        "{path} is held by another process ({said}): nothing was written; try again when it is done",
    ),
    (
        "SQLITE_CANTOPEN",
        (
            "{path} cannot be opened ({said}): check that the folder exists, is writable for this user "
            "and has free "
            "space"
        ),
    ),
    ("SQLITE_IOERR", "{path}: the disk failed ({said}, {name}; {free}): nothing was written"),
    ("SQLITE_PROTOCOL", "{path}: the disk cannot lock files ({said}): nothing was written"),
    ("SQLITE_CONSTRAINT", "{path}: refused by the store's own rules ({said}); nothing was written"),
    ("", "{path}: {said} ({name}); nothing was written"),
)
"""SQLite's names of faults by their beginning, and what to say."""


def store_fault(error: sqlite3.Error, path: Path) -> StoreError:
    """Return the ``StoreError`` for what SQLite said about ``path``."""
    name = str(getattr(error, "sqlite_errorname", "") or type(error).__name__)
    pattern = next(words for beginning, words in _WORDS if name.startswith(beginning))
    words = pattern.format(path=path, said=error, name=name, free=_free(path.parent))
    kind = network_file_system(path)
    if kind is not None:
        words += f"; the folder is on a network file system ({kind}), use a local disk"
    return StoreError(words)


def is_damage(error: BaseException | None) -> bool:
    """Say whether an error of SQLite means that the file itself is damaged."""
    name = str(getattr(error, "sqlite_errorname", ""))
    return name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))
