"""Files outside the database: whole or not at all, even when the power goes."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from advisor.errors import StoreError

__all__ = ["fsync_folder", "private_mode", "write_atomically"]


def fsync_folder(folder: Path) -> None:
    """Make a rename inside ``folder`` survive a loss of power; file systems that cannot are let be."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def private_mode(folder: Path) -> int:
    """Return the mode for a file in ``folder``: the owner's, and the group's where the folder is shared.

    A folder that its group may write to (mode 2770 on a server) is a shared one; everything else
    gives 0600. The umask still applies.
    """
    return 0o660 if folder.stat().st_mode & 0o020 else 0o600


def write_atomically(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path``: temporary file in the same folder, fsync, rename, fsync of the folder.

    Raises
    ------
    StoreError
        The file cannot be written; an earlier one is left as it was.
    """
    temporary: Path | None = None
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if private_mode(path.parent) == 0o660:
            temporary.chmod(0o660)
        temporary.replace(path)
        fsync_folder(path.parent)
    except OSError as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
        raise StoreError(
            f"cannot write {path}: {error.strerror or error}; the earlier file, if any, is unchanged; "
            "check free space and permissions"
        ) from error
