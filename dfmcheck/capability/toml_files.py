"""Reads the TOML files of users; what is wrong is told in one sentence with file and line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from dfmcheck.errors import UsageError

_NUMBER = re.compile(r"\d[\d_]{4000,}")  # the interpreter reads no more than 4300 digits
_OPENS = re.compile(r"(?:[\[{][^\[{\n]{0,40}){50}")


def read_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is none, or holds a number or lists within lists beyond all measure, which the
        standard reader leaves to the interpreter.

    Examples
    --------
    >>> read_toml("a = " + 5000 * "9")
    Traceback (most recent call last):
    tomllib.TOMLDecodeError: A number of too many digits (at line 1, column 5)
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except (ValueError, RecursionError) as error:
        deep = isinstance(error, RecursionError)
        found = (_OPENS if deep else _NUMBER).search(text)
        said = "Lists or tables too deep in one another" if deep else "A number of too many digits"
        at = found.start() if found else 0
        line, column = text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)
        raise tomllib.TOMLDecodeError(f"{said} (at line {line}, column {column})") from error


def text_of(path: Path, what: str) -> str:
    """The text of a file; UsageError where there is none. ``what``: what is expected there."""
    try:
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except OSError as error:
        raise UsageError(
            f"cannot be read ({error.strerror})", what, "Check the path.", str(path)
        ) from error
    except UnicodeDecodeError as error:
        raise UsageError("not UTF-8 text", "TOML", "Save it as UTF-8.", str(path)) from error


def tables_of(text: str, file: str, form: str, action: str = "Correct it.") -> dict[str, Any]:
    """The tables of a TOML text; UsageError, with ``form`` as what is expected, for any other.

    Examples
    --------
    >>> tables_of("thickness 1.6", "s.toml", "lines such as thickness = 1.6")
    Traceback (most recent call last):
    dfmcheck.errors.UsageError: s.toml, line 1: not TOML (Expected '=' after a key in a key/value \
pair); expected lines such as thickness = 1.6. Correct it.
    """
    try:
        return read_toml(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"line (\d+)", str(error))
        line = int(match[1]) if match else text.count("\n") + 1
        found = re.sub(r" \(at .*\)$", "", str(error))
        raise UsageError(f"not TOML ({found})", form, action, file, line) from error
