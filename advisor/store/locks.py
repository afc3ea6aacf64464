"""Two passes never run at once: a file lock that the kernel drops when its holder dies."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from advisor.errors import StoreError
from advisor.store.atomic_files import private_mode

__all__ = ["ANOTHER_PASS", "PASS_LOCK_NAME", "pass_lock"]

PASS_LOCK_NAME = "pass.lock"  # noqa: S105 - a file name

ANOTHER_PASS = "another pass is running on this state folder; it does the work, this one leaves"  # noqa: S105 - words


@contextlib.contextmanager
def pass_lock(state_folder: Path) -> Iterator[bool]:
    """Hold the lock of the garden's pass; yields False at once when another process holds it.

    The lock belongs to the open file and ends with the process, however that ends: the file itself
    stays and means nothing. A missing folder is made with mode 0700.

    Raises
    ------
    StoreError
        The lock file cannot be made or locked here.
    """
    try:
        if not state_folder.exists():
            state_folder.mkdir(mode=0o700, parents=True)
        path = state_folder / PASS_LOCK_NAME
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, private_mode(state_folder))
    except OSError as error:
        raise StoreError(
            f"cannot lock {state_folder}: {error.strerror or error}; check that the folder is "
            "writable and the disk "
            "not full"
        ) from error
    try:
        yield _taken(descriptor, path)
    finally:
        os.close(descriptor)


def _taken(descriptor: int, path: Path) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        raise StoreError(
            f"cannot lock {path}: {error.strerror or error}; is the folder on a network file "
            "system? use a local disk"
        ) from error
    return True
