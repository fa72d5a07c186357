"""Modal state of the word commands, spread over all commands.

Gerber Layer Format Specification, 2.5 (graphics state), 4.6 to 4.8; old codes: chapter 8.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.scan import Scan
from dfmcheck.formats.gerber.words import Numbers, Positions, Word, Words
from dfmcheck.formats.limits import MOST_UNDEFINED
from dfmcheck.formats.records import Aperture
from dfmcheck.terms import Weight

_G_DRAWING = (1, 2, 3, 36, 37, 75)
_G_OLD = (0, 54, 55, 70, 71, 74, 90, 91)
_G_SCALES = (10, 11, 12, 60)


def hold(n: int, at: Positions, values: Any, initial: Any) -> npt.NDArray[Any]:
    """Spread values over `n` commands: each holds from its command on, `initial` before.

    Examples
    --------
    >>> hold(5, np.array([1, 3]), np.array([7, 9]), 0).tolist()
    [0, 7, 7, 9, 9]
    """
    counts = np.diff(at, prepend=0, append=n)
    filled = np.concatenate([np.array([initial], np.asarray(values).dtype), values])
    return np.repeat(filled, counts)


@dataclass(frozen=True, slots=True)
class Operations:
    """The commands that operate (D01, D02, D03, or coordinates alone), in file order."""

    command: Positions
    code: npt.NDArray[np.int8]  # 1, 2, 3; 0 is not left
    x0: Numbers
    y0: Numbers
    x1: Numbers
    y1: Numbers


def check_codes(words: Words, scan: Scan, notes: Notes) -> None:
    """Name codes that are unknown, unsupported or deprecated."""

    def by_code(word: Word) -> list[tuple[float, int]]:
        """Every code of a letter, with the line it first stands in."""
        codes, first = np.unique(word.value, return_index=True)
        return list(
            zip(codes.tolist(), scan.lines(words.ends[word.command[first]]).tolist(), strict=True)
        )

    old: list[tuple[int, str]] = []
    for code, line in by_code(words.g):
        if code in _G_SCALES:
            notes.deprecated(
                Weight.HOLD,
                f"G{code:.0f} (a scale for straight draws)",
                line,
                "It was not executed, so sizes are wrong; export again.",
            )
        elif code in _G_OLD:
            old.append((line, f"G{code:02.0f}"))
        elif code not in _G_DRAWING:
            notes.unknown(f"G{code:02.0f}", line)
    for code, line in by_code(words.m):
        if code in (0, 1):
            old.append((line, f"M{code:02.0f}"))
        elif code != 2:
            notes.unknown(f"M{code:02.0f}", line)
    wrong = (words.d.value < 10) & ~np.isin(words.d.value, (1, 2, 3))
    for code, line in by_code(words.d.where(wrong)):
        notes.unknown(f"D{code:02.0f}", line)
    if words.numbered:
        old.append((1, "N"))
    if old:
        old.sort()
        notes.deprecated(
            Weight.NOTE,
            "deprecated codes " + ", ".join(name for _, name in old),
            old[0][0],
            "They were executed; export again without them.",
        )


def until_end(words: Words, scan: Scan, notes: Notes) -> tuple[Words, bool]:
    """The words up to M02 (or M00), and whether there is one."""
    stops = words.m.where((words.m.value == 2) | (words.m.value == 0))
    if not len(stops):
        return words, False
    last = int(stops.command[0])
    columns = {n: getattr(words, n) for n in "xyijgdm"}
    columns = {n: w.where(w.command <= last) for n, w in columns.items()}
    lost = (words.d.command > last) & (words.d.value < 10)
    if lost.any():
        notes.illegal(
            Weight.QUERY,
            "drawing commands behind the end of the file (M02)",
            "M02 as the last command",
            "They were not executed; ask whether two files were joined.",
            scan.line(int(words.ends[last])),
            count=int(lost.sum()),
        )
    return replace(words, ends=words.ends[: last + 1], **columns), True


def _positions(n: int, word: Word, mm: Numbers, incremental: npt.NDArray[Any]) -> Numbers:
    """Coordinate after every command; a left-out one stays, an incremental one adds up."""
    if not incremental.any():
        return hold(n, word.command, mm, 0.0)
    adds = incremental[word.command]
    total = np.cumsum(np.where(adds, mm, 0.0))
    last_set = np.maximum.accumulate(np.where(adds, -1, np.arange(len(mm))))
    value = np.where(last_set >= 0, mm[last_set] + total - total[last_set], total)
    return hold(n, word.command, value, 0.0)


def read_operations(
    words: Words, x: Numbers, y: Numbers, incremental: bool, scan: Scan, notes: Notes
) -> Operations:
    """Positions and operation codes of all operations.

    Parameters
    ----------
    x, y : float64, mm
        Numbers of ``words.x`` and ``words.y``.
    incremental : bool
        Notation at the start, as FS states it.
    """
    n = len(words.ends)
    coded = words.d.where((words.d.value >= 1) & (words.d.value <= 3))
    operates = np.zeros(n, np.bool_)
    for column in (words.x, words.y, words.i, words.j, coded):
        operates[column.command] = True
    command = np.flatnonzero(operates)
    code = hold(n, coded.command, coded.value.astype(np.int8), 0)[command]
    bare = len(command) - len(np.unique(coded.command)) if len(coded) < len(command) else 0
    if bare:
        operates[coded.command] = False
        notes.deprecated(
            Weight.NOTE,
            f"{bare} coordinates without an operation code",
            scan.line(int(words.ends[int(np.argmax(operates))])),
            "The last operation was repeated; export again.",
        )
    before = code == 0
    if before.any():
        code[before] = 2
        notes.illegal(
            Weight.QUERY,
            "coordinates before any operation code",
            "D01, D02 or D03 with the first coordinates",
            "They were taken as moves (D02); check the image.",
            scan.line(int(words.ends[command[0]])),
            count=int(before.sum()),
        )
    switches = words.g.where((words.g.value == 90) | (words.g.value == 91))
    adds = hold(n, switches.command, switches.value == 91, incremental)
    x1 = _positions(n, words.x, x, adds)[command]
    y1 = _positions(n, words.y, y, adds)[command]
    x0, y0 = np.concatenate([[0.0], x1[:-1]]), np.concatenate([[0.0], y1[:-1]])
    return Operations(command, code, x0[: len(x1)], y0[: len(y1)], x1, y1)


def aperture_rows(
    words: Words, apertures: list[Aperture], defined: Sequence[int], scan: Scan, notes: Notes
) -> npt.NDArray[np.int32]:
    """Aperture row in force at each command; -1 where none was selected.

    A number that is never defined gets an aperture of no size, so its objects are not lost;
    the caller counts them. One number defined twice means the last definition before the use.
    """
    n = len(words.ends)
    selects = words.d.where(words.d.value >= 10)
    wanted = selects.value.astype(np.int64)
    known = np.array([a.code for a in apertures], np.int64)
    position = np.array(defined, np.int64)
    order = np.lexsort((position, known))
    # block apertures of SR have no number; no select asks for 0
    key = known[order] * (n + 1) + position[order]
    found = np.searchsorted(key, wanted * (n + 1) + selects.command, side="right") - 1
    rows = np.full(len(wanted), -1, np.int64)
    if len(order):
        good = (found >= 0) & (known[order[found]] == wanted)
        rows[good] = order[found[good]]
        later = np.flatnonzero(~good & (found + 1 < len(order)))
        later = later[known[order[found[later] + 1]] == wanted[later]]
        # a block not yet closed may hold this very flash
        plain = np.array([a.template != "block" for a in apertures])
        later = later[plain[order[found[later] + 1]]]
        rows[later] = order[found[later] + 1]
        for k in later[:50].tolist():
            notes.illegal(
                Weight.QUERY,
                f"aperture D{wanted[k]} is selected before it is defined",
                "AD before its use (Gerber Layer Format Specification, 4.3)",
                "The later definition was used; check the image.",
                scan.line(int(words.ends[selects.command[k]])),
            )
    unsized, which = np.unique(wanted[rows < 0], return_inverse=True)
    # beyond all measure, the rest share one: they are counted and have no size anyhow
    rows[rows < 0] = len(apertures) + np.minimum(which, MOST_UNDEFINED)
    apertures.extend(Aperture(code, "C", (0.0,)) for code in unsized[: MOST_UNDEFINED + 1].tolist())
    return hold(n, selects.command, rows.astype(np.int32), -1)


def name_doubles(apertures: Sequence[Aperture], notes: Notes) -> None:
    """Name aperture numbers defined more than once."""
    seen: dict[int, Aperture] = {}
    for a in apertures:
        if a.code and a.code in seen:
            b = seen[a.code]
            same = (a.template, a.values, a.primitives) == (b.template, b.values, b.primitives)
            notes.illegal(
                Weight.NOTE if same else Weight.QUERY,
                f"aperture D{a.code} is defined twice" + ("" if same else ", differently"),
                "one definition of each number (Gerber Layer Format Specification, 4.3.1)",
                "Each use takes the last definition before it; check the image.",
                a.line,
            )
        seen[a.code] = a
