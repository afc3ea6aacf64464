"""Reading a grower's TOML so that every slip is answered with file, line, key, and what to write instead.

``tomllib`` gives values without lines; a small scanner finds the line of every key, only to decorate
messages. pydantic says what is wrong with a value; this module says it in words.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
import typing
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from advisor.errors import Fault
from advisor.store.toml_lines import Location, key_lines, key_path, line_of

__all__ = [
    "LARGEST_FILE_BYTES",
    "Location",
    "StrictRow",
    "clean_name",
    "decode_text",
    "did_you_mean",
    "explain",
    "has_control",
    "key_lines",
    "key_path",
    "known_word",
    "line_of",
    "nearest",
    "parse_toml",
    "read_bytes",
    "shown_value",
]

LARGEST_FILE_BYTES = 2_000_000
"""Far above any garden; a larger file is a mistake and is not read into memory."""


class StrictRow(BaseModel):
    """Base of every table the grower writes: typed as TOML is, unknown keys refused, no infinities."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        hide_input_in_errors=True,
    )


# --- words -------------------------------------------------------------------------------------


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that ``word`` was most likely meant to be, or None."""
    names = {name.casefold(): name for name in known}
    wanted = word.strip().casefold()
    for plain in (wanted, re.sub(r"[\s_.']+", "-", wanted).strip("-")):
        if plain in names:
            return names[plain]
    hits = difflib.get_close_matches(wanted, list(names), n=1, cutoff=0.6)
    return names[hits[0]] if hits else None


def did_you_mean(word: str, known: Iterable[str], *, most: int = 40) -> str:
    """Return ``did you mean 'x'? known: a, b`` with the nearest right word first."""
    names = list(known)
    hit = nearest(word, names)
    listed = ", ".join(names[:most]) + (", ..." if len(names) > most else "")
    return (f"did you mean '{hit}'? " if hit else "") + f"known: {listed}"


def known_word(word: str, known: Iterable[str], what: str) -> str:
    """Return ``word`` if it is known; raise the fault that pydantic carries to ``explain`` if not."""
    names = list(known)
    if word in names:
        return word
    raise PydanticCustomError(
        "grower_fault",
        "{found}; {wanted}",
        {"found": f"{shown_value(word)} is not a known {what}", "wanted": did_you_mean(word, names)},
    )


_TURNING = frozenset(map(chr, (0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))))
"""Characters that change the writing direction of what follows them."""


def has_control(text: str) -> bool:
    """Return True if ``text`` holds a control character, a line separator or a turning mark."""
    if text.isprintable():  # nearly always, and none of those is printable
        return False
    return any(unicodedata.category(sign) in {"Cc", "Cs", "Zl", "Zp"} or sign in _TURNING for sign in text)


def clean_name(text: str) -> str:
    """Return a name for people, stripped; raise the fault if it is empty, too long or not plain."""
    stripped = text.strip()
    if has_control(text):
        found, wanted = f"{shown_value(text)} holds a control character", "plain text on one line"
    elif not stripped:
        found, wanted = "is empty", "a name, or leave the key out"
    elif len(stripped) > 80:
        found, wanted = f"has {len(stripped)} characters", "at most 80"
    else:
        return stripped
    raise PydanticCustomError("grower_fault", "{found}; {wanted}", {"found": found, "wanted": wanted})


def shown_value(value: object) -> str:
    """Return a value as it stands in the file, short and without control characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
        text = "".join(f"\\u{ord(sign):04x}" if has_control(sign) else sign for sign in text)
    elif isinstance(value, list | tuple):
        text = (
            "["
            + ", ".join(shown_value(item) for item in value[:4])
            + (", ..." if len(value) > 4 else "")
            + "]"
        )
    elif isinstance(value, dict):
        text = "a table"
    else:
        text = str(value)
    return text if len(text) <= 80 else text[:77] + "..."


# --- text and lines ----------------------------------------------------------------------------


def read_bytes(path: Path, file: str, missing: str) -> tuple[bytes | None, tuple[Fault, ...]]:
    """Return the bytes of ``path``, or why not; ``missing`` tells what to do without the file."""
    try:
        with path.open("rb") as handle:
            raw = handle.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        return None, (Fault(file, None, "", "is missing", missing),)
    except OSError as error:
        return None, (Fault(file, None, "", f"cannot be read: {error.strerror}", "check its owner and mode"),)
    if len(raw) > LARGEST_FILE_BYTES:
        return None, (
            Fault(
                file,
                None,
                "",
                f"is larger than {LARGEST_FILE_BYTES // 1_000_000} MB",
                "is it the right file?",
            ),
        )
    return raw, ()


def decode_text(raw: bytes, file: str) -> tuple[str | None, tuple[Fault, ...]]:
    """Return the text of a UTF-8 file, its byte-order mark dropped, or the fault that says what it is."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or raw[:400].count(b"\0") > len(raw[:400]) // 4:
        return None, (Fault(file, None, "", "is not UTF-8 but looks like UTF-16", "save it as UTF-8"),)
    try:
        text = raw.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return None, (Fault(file, line, "", f"is not UTF-8 (byte {error.start + 1})", "save it as UTF-8"),)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        return None, (Fault(file, line, "", "holds a NUL character", "delete it"),)
    return text, ()


_AT_LINE = re.compile(r"^(.*?)\s*\(at (?:line (\d+), column \d+|end of document)\)$", re.DOTALL)


def parse_toml(text: str, file: str) -> tuple[dict[str, Any] | None, tuple[Fault, ...]]:
    """Return the document, or the fault that names the line where TOML ends."""
    try:
        return tomllib.loads(text), ()
    except RecursionError:
        return None, (Fault(file, None, "", "is not valid TOML: nested too deep", "flatten it"),)
    except ValueError as error:  # TOMLDecodeError, and numbers of absurd length
        said, line = str(error), None
        if match := _AT_LINE.match(said):
            said = match[1]
            line = int(match[2]) if match[2] else max(1, len(text.splitlines()))
        wanted = "mend the syntax: key = value, text in quotes, one quote at each end"
        return None, (Fault(file, line, "", f"is not valid TOML: {said}", wanted),)


# --- from pydantic to words --------------------------------------------------------------------

_SECRET = re.compile(r"pass|secret|token|key", re.IGNORECASE)

_TYPES = {
    "float_type": "a number without quotes, with a point for decimals",
    "int_type": "a whole number without quotes",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false, without quotes",
    "list_type": "a list in square brackets",
    "tuple_type": "a list in square brackets",
    "model_type": "a table",
    "dict_type": "a table",
    "finite_number": "a finite number",
}


def _model_at(model: type[BaseModel], location: Iterable[str | int]) -> type[BaseModel]:
    """Return the model that stands at ``location`` below ``model``."""
    current = model
    for part in location:
        if isinstance(part, int):
            continue
        fields = {field.alias or name: field for name, field in current.model_fields.items()}
        if part not in fields:
            break
        stack: list[object] = [fields[part].annotation]
        while stack:
            kind = stack.pop()
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                current = kind
                break
            stack += list(typing.get_args(kind))
    return current


def _keys_of(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _described(model: type[BaseModel], location: Location) -> str:
    names = [part for part in location if isinstance(part, str)]
    if not names:
        return ""
    for name, field in _model_at(
        model, location[:-1] if isinstance(location[-1], str) else location
    ).model_fields.items():
        if (field.alias or name) == names[-1]:
            return field.description or ""
    return ""


def _words(error: ErrorDetails, model: type[BaseModel], location: Location) -> tuple[str, str]:
    kind, value, described = error["type"], error["input"], _described(model, location)
    if kind == "grower_fault":
        context = error["ctx"]
        return str(context["found"]), str(context["wanted"])
    if kind == "missing":
        return "is missing", described or "add it"
    if kind == "extra_forbidden":
        known = _keys_of(_model_at(model, location[:-1]))
        what = "table" if isinstance(value, dict) else "key"
        return f"is not a known {what}", did_you_mean(str(location[-1]), known)
    secret = any(isinstance(part, str) and _SECRET.search(part) for part in location)
    found = "what stands there is not right" if secret else shown_value(value)
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(error["ctx"].get("expected", "")))
        return found, did_you_mean(str(value), allowed)
    if kind in {"too_short", "too_long"}:
        most = error["ctx"].get("min_length" if kind == "too_short" else "max_length")
        return found, f"must hold at {'least' if kind == 'too_short' else 'most'} {most}"
    wanted = _TYPES.get(kind) or error["msg"].removeprefix("Input should be ")
    return found, f"must be {wanted}" + (f" ({described})" if described else "")


def explain(
    error: ValidationError,
    model: type[BaseModel],
    file: str,
    lines: Mapping[Location, int],
    *,
    base: Location = (),
    drops: str = "file",
) -> tuple[Fault, ...]:
    """Return one fault for every error that pydantic found.

    Parameters
    ----------
    error : pydantic.ValidationError
        What ``model`` refused.
    model : type
        The model; its field descriptions say what would be right.
    file : str
        File name as the grower knows it.
    lines : mapping
        From ``key_lines``.
    base : tuple, optional
        Where in the file the validated table stands.
    drops : str, optional
        What is left out because of these faults.
    """
    faults = []
    for one in error.errors(include_url=False):
        location: Location = tuple(one["loc"])
        found, wanted = _words(one, model, location)
        whole = base + location
        faults.append(Fault(file, line_of(lines, whole), key_path(whole), found, wanted, drops))
    return tuple(faults)
