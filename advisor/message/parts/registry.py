"""The parts of the digest in reading order. To add one: write its file, add its line here."""

from __future__ import annotations

from collections.abc import Callable

from advisor.message.parts import ahead, must, recovery, shade, shelter, water, work
from advisor.message.view import DigestInput, Section

__all__ = ["PARTS"]

PARTS: dict[str, Callable[[DigestInput], Section | None]] = {
    "must": must.build,
    "water": water.build,
    "shade": shade.build,
    "shelter": shelter.build,
    "work": work.build,
    "recovery": recovery.build,
    "ahead": ahead.build,
}
"""``foot`` closes every message and is not a part that may be left out: see ``parts.foot``."""
