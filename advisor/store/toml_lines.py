"""On which line of a TOML file a key stands: only to decorate messages, for ``tomllib`` tells no lines."""

from __future__ import annotations

import re
from collections.abc import Mapping

__all__ = ["Location", "key_lines", "key_path", "line_of"]

Location = tuple[str | int, ...]
"""Path to a value: ``("tree", 2, "pot", "depth_cm")``, list places counted from 0."""

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_KEY = re.compile(rf"^\s*({_DOTTED})\s*=")
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_DOTTED})\s*\]\]?\s*(?:#.*)?$")
_MARK = re.compile(r'"""|\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#|[\[\]{}]')


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in re.findall(_PART, dotted)]


def key_lines(text: str) -> dict[Location, int]:
    """Return the line, counted from 1, of every table header and key outside inline tables."""
    found: dict[Location, int] = {}
    counts: dict[Location, int] = {}
    base: Location = ()
    depth, quote = 0, ""
    for number, line in enumerate(text.split("\n"), 1):
        rest = line
        if quote:
            _, closed, rest = line.partition(quote)
            if not closed:
                continue
            quote = ""
        elif depth == 0:
            if header := _HEADER.match(line):
                base = _header_location(header[1], _parts(header[2]), counts)
                found.setdefault(base, number)
                if isinstance(base[-1], int):
                    found.setdefault(base[:-1], number)
                continue
            if key := _KEY.match(line):
                found.setdefault(base + tuple(_parts(key[1])), number)
                rest = line[key.end() :]
        depth, quote = _open_at_end(rest, depth)
    return found


def _header_location(bracket: str, parts: list[str], counts: dict[Location, int]) -> Location:
    location: Location = ()
    for place, part in enumerate(parts):
        location += (part,)
        if bracket == "[[" and place == len(parts) - 1:
            counts[location] = counts.get(location, -1) + 1
        if location in counts:
            location += (counts[location],)
    return location


def _open_at_end(rest: str, depth: int) -> tuple[int, str]:
    """Return bracket depth and the open multi-line quote at the end of a line."""
    position = 0
    while match := _MARK.search(rest, position):
        mark, position = match[0], match.end()
        if mark == "#":
            break
        if mark in {'"""', "'''"}:
            end = rest.find(mark, position)
            if end < 0:
                return depth, mark
            position = end + 3
        elif mark in "[{":
            depth += 1
        elif mark in "]}":
            depth = max(0, depth - 1)
    return depth, ""


def line_of(lines: Mapping[Location, int], location: Location) -> int | None:
    """Return the line of a value, or of the nearest table around it."""
    for length in range(len(location), 0, -1):
        if location[:length] in lines:
            return lines[location[:length]]
    return None


def key_path(location: Location) -> str:
    """Return ``tree[3].pot.depth_cm``; people count from 1."""
    text = ""
    for part in location:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text
