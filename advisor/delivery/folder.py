"""Mail into a folder: one ``.eml`` file a message, for trying out without a mail server."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from advisor.delivery.envelope import Envelope, check_envelope
from advisor.errors import DeliveryError

__all__ = ["FolderSettings", "file_name", "send"]


@dataclass(frozen=True, slots=True)
class FolderSettings:
    """The folder that takes the messages; made when missing."""

    folder: Path


def file_name(envelope: Envelope) -> str:
    """Return the file name of a message: by its Message-ID, so that the same message is one file."""
    return hashlib.sha256(envelope.message_id.encode()).hexdigest()[:24] + ".eml"


def send(
    envelope: Envelope,
    settings: FolderSettings,
    password: str | None,  # noqa: ARG001 - every channel is called alike
    on_payload: Callable[[], None],
) -> str:
    """Write one message whole (temporary file, fsync, rename) and return its file name as receipt.

    Raises
    ------
    DeliveryError
        ``transient``: the folder cannot be written; nothing was handed over. ``permanent``: an
        address that no mail server would take.
    """
    check_envelope(envelope)
    temporary: Path | None = None
    try:
        settings.folder.mkdir(parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=settings.folder)
        temporary = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            on_payload()
            file.write(envelope.raw)
            file.flush()
            os.fsync(file.fileno())
        target = settings.folder / file_name(envelope)
        temporary.replace(target)
        temporary = None
    except OSError as error:
        raise DeliveryError(
            f"cannot write into {settings.folder}: {error.strerror or error}; nothing was delivered",
            verdict="transient",
        ) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    _fsync(settings.folder)
    return target.name


def _fsync(folder: Path) -> None:
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
