"""The text part: plain, wrapped for a phone, the same lines as the HTML part."""

from __future__ import annotations

import textwrap

from advisor.message.view import Line, MessageView
from advisor.message.words import plain

__all__ = ["render_text"]

WIDTH = 72
"""Longest line, within RFC 5322's advice of 78 characters."""


def _wrap(text: str, first: str, rest: str) -> str:
    clean = plain(text).replace("\u00a0", " ")
    return textwrap.fill(clean, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)


def _line(line: Line, bullet: str) -> list[str]:
    out = [_wrap(line.text, bullet, " " * len(bullet))]
    if line.why:
        out.append(_wrap(line.why, " " * len(bullet) + "why: ", " " * (len(bullet) + 5)))
    return out


def render_text(view: MessageView) -> str:
    """Return the whole message as text with single line-feed ends."""
    out = [plain(view.title), ""]
    for line in view.notices:
        out += _line(line, "! ")
    if view.notices:
        out.append("")
    for section in view.sections:
        out.append(section.title.upper())
        bullet = "" if section.id == "steps" else "- "
        for line in section.lines:
            out += _line(line, bullet)
        out.append("")
    if view.picture is not None:
        out += _table(view)
    out.append("--")
    for line in view.foot:
        out += _line(line, "")
    return "\n".join(out) + "\n"


def _table(view: MessageView) -> list[str]:
    picture = view.picture
    if picture is None or not picture.rows:
        return []
    out = [_wrap(picture.finding, "", "")]
    rows = [picture.header, *picture.rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(picture.header))]
    out += [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    return [*out, ""]
