"""Water lines: the water advice that does not already stand among the must-do lines."""

from __future__ import annotations

from advisor.message.parts.common import advice_section
from advisor.message.view import DigestInput, Section

__all__ = ["build"]


def build(digest: DigestInput) -> Section | None:
    """Return the water section, or None when there is nothing to say."""
    return advice_section(digest, "water", "Water")
