"""Voltages the user states for nets, given to the nets of a board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fnmatch import fnmatchcase

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board
from dfmcheck.terms import Assumption, Defect, Weight

_SIGNS = ("*", "?", "[")
_NEAR = 3  # names offered in place of an unknown one


@dataclass(frozen=True, slots=True)
class Stated:
    """One entry: a net's name or a pattern, its peak volts, and the line it stands on."""

    name: str
    volts: float
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Voltages:
    """Entries of one file, in the order written."""

    file: str
    entries: tuple[Stated, ...]


def with_voltages(board: Board, voltages: Voltages) -> Board:
    """The board with the volts of its nets; a name no net has becomes a defect."""
    volts, unknown = net_volts(board.net_names, voltages.entries)
    stated = int((~np.isnan(volts)).sum())
    told = Assumption(
        "voltages of nets", f"{stated} of {len(volts)} nets", "stated by the user; spacing by "
        "voltage is judged between these only", voltages.file,
    )  # fmt: skip
    defects = tuple(_defect(entry, voltages.file, board.net_names) for entry in unknown)
    return replace(
        board,
        volts=volts,
        defects=(*board.defects, *defects),
        assumptions=(*board.assumptions, told),
    )


def net_volts(
    names: Sequence[str], entries: Sequence[Stated]
) -> tuple[npt.NDArray[np.float64], tuple[Stated, ...]]:
    """Volts of each net, NaN where none is stated, and the entries that fit no net.

    Examples
    --------
    >>> volts, unknown = net_volts(["HV1", "GND"], [Stated("HV*", 325.0), Stated("GDN", 0.0)])
    >>> volts.tolist(), [entry.name for entry in unknown]
    ([325.0, nan], ['GDN'])
    """
    volts = np.full(len(names), np.nan)
    present = set(names)
    unknown: list[Stated] = []
    for entry in entries:
        if entry.name in present:
            continue
        hit = [n for n, name in enumerate(names) if fnmatchcase(name, entry.name)]
        if not hit or not any(sign in entry.name for sign in _SIGNS):
            unknown.append(entry)
            continue
        rows = np.array(hit)
        volts[rows] = np.where(np.isnan(volts[rows]), entry.volts, volts[rows])
    exact = {entry.name: entry.volts for entry in entries if entry.name in present}
    for n, name in enumerate(names):
        volts[n] = exact.get(name, volts[n])
    return volts, tuple(unknown)


def _defect(entry: Stated, file: str, names: Sequence[str]) -> Defect:
    pattern = any(sign in entry.name for sign in _SIGNS)
    near = _near(entry.name, names)
    if near:
        action = f"Did you mean {' or '.join(near)}?"
    else:
        action = "Correct the name, or send data that names its nets (attributes or a netlist)."
    return Defect(
        rule="data.unknown-net-voltage",
        weight=Weight.QUERY,
        found=f"{'no net fits the pattern' if pattern else 'no net is named'} '{entry.name}', "
        f"for which {entry.volts:g} V is stated",
        expected="a net of the board",
        action=action,
        file=file,
        line=entry.line,
    )


def _near(word: str, names: Sequence[str]) -> list[str]:
    """Names like ``word``, whatever their case, best first."""
    by_case: dict[str, str] = {}
    for name in names:
        by_case.setdefault(name.casefold(), name)
    close = get_close_matches(word.strip("*?").casefold(), list(by_case), n=_NEAR)
    return [by_case[one] for one in close]
