"""Reads the file in which the user states voltages of nets (TOML).

::

    [nets]                 # peak volts to one common reference
    HV_BUS = 325
    "HV*" = 325            # a pattern; the first that matches wins, an exact name before all
    PHASE_B = -325         # signed, where it may stand against another at its peak
    "*" = 0                # all the rest, where that is so

The voltage between two nets is taken as the difference of their values.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from dfmcheck.board.voltages import Stated, Voltages
from dfmcheck.capability.toml_files import tables_of, text_of
from dfmcheck.capability.toml_lines import key_lines
from dfmcheck.errors import UsageError


def load_voltages(path: Path) -> Voltages:
    """Read a file of net voltages.

    Raises
    ------
    UsageError
        File and line, what was found, what was expected.
    """
    return parse_voltages(text_of(path, "a file of net voltages"), str(path))


def parse_voltages(text: str, file: str = "") -> Voltages:
    """Read net voltages from TOML text; errors as :func:`load_voltages`.

    Examples
    --------
    >>> parse_voltages('[nets]\\nBUS = 325\\n').entries
    (Stated(name='BUS', volts=325.0, line=2),)
    """
    raw = tables_of(
        text, file, 'lines like "+24V" = 24 under [nets]',
        "Correct it; a name of other signs than letters, digits, - and _ needs quotes.",
    )  # fmt: skip
    lines = key_lines(text)
    for key in raw:
        if key != "nets":
            raise UsageError(
                f"'{key}'", "one table [nets]", "Leave it out, or write [nets] above the names.",
                file, lines.get((key,)),
            )  # fmt: skip
    nets = raw.get("nets")
    if not isinstance(nets, dict) or not nets:
        raise UsageError(
            "no net with a voltage", "[nets] and below it lines like BUS = 325", "Add them.", file,
            lines.get(("nets",)),
        )  # fmt: skip
    return Voltages(
        file,
        tuple(_entry(name, value, file, lines.get(("nets", name))) for name, value in nets.items()),
    )


def _entry(name: str, value: Any, file: str, line: int | None) -> Stated:
    if isinstance(value, dict):
        inner = next(iter(value), "")
        raise UsageError(
            f"the name {name}.{inner} without quotes", f'"{name}.{inner}" = volts',
            "Put the name in quotes.", file, line,
        )  # fmt: skip
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not abs(value) <= sys.float_info.max:
        shown = str(value).splitlines() or [""]
        raise UsageError(
            f"{name} = {shown[0]!r}" if isinstance(value, str) else f"{name} = {shown[0]}",
            "peak volts as a plain number", "Write for example 325.", file, line,
        )  # fmt: skip
    return Stated(name, float(value), line)
