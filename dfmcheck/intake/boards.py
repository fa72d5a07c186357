"""Finds out when a package holds more than one board, by folder or by the start of the names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import PurePosixPath

from dfmcheck.intake.habits import words_of
from dfmcheck.intake.package import COPPER, FABRICATION, Recognised
from dfmcheck.terms import Function, Side

_LONGEST_START = 200
#: Roles of which one board has at most one file.
_Key = tuple[Function, Side | None, int | None]


def _single_role(file: Recognised) -> _Key | None:
    if file.function in COPPER and file.side is not None:
        return (Function.CONDUCTOR, file.side, None)
    if file.function in (Function.MASK, Function.LEGEND, Function.PASTE):
        return (file.function, file.side, None)
    if file.function is Function.PROFILE:
        return (file.function, None, None)
    return None


def _repeats(files: Sequence[Recognised]) -> int:
    """How many files stand in a role another file has already."""
    counts = Counter(key for f in files if (key := _single_role(f)) is not None)
    return sum(n - 1 for n in counts.values())


def board_prefixes(files: Sequence[Recognised]) -> tuple[str, ...]:
    """Prefixes of the boards in a package, sorted; empty for one board.

    Two boards are seen only where roles repeat and a common folder, or a common first part of
    the names, sorts the repeats apart.
    """
    made = [f for f in files if f.function in FABRICATION]
    copies = _repeats(made)
    # One repeated role alone may be a stray file; two boards repeat several roles.
    if copies < 2:
        return ()
    for prefixes in (_folders(made), _first_words(made)):
        groups = {p: [f for f in made if belongs(f.name, p)] for p in prefixes}
        groups = {p: g for p, g in groups.items() if any(f.function in COPPER for f in g)}
        grouped = sum(len(g) for g in groups.values())
        if len(groups) < 2 or grouped * 10 < len(made) * 8:
            continue
        if all(
            len(g) >= 2 and _repeats(g) * 2 <= max(copies // len(groups), 1)
            for g in groups.values()
        ):
            return tuple(sorted(groups))
    return ()


def _folders(files: Sequence[Recognised]) -> list[str]:
    """Folders at the first level at which the package branches."""
    paths = [PurePosixPath(f.name).parent.parts for f in files]
    depth = 0
    while paths and all(len(p) > depth for p in paths) and len({p[depth] for p in paths}) == 1:
        depth += 1
    return sorted({"/".join(p[: depth + 1]) + "/" for p in paths if len(p) > depth})


def _first_words(files: Sequence[Recognised]) -> list[str]:
    """First parts of the names, as long as they must be to differ."""
    split = [words_of(f.base) for f in files]
    depth = 0
    while all(len(w) > depth + 1 for w in split) and len({w[depth] for w in split}) == 1:
        depth += 1
    starts = Counter(w[: depth + 1] for w in split)
    by_words: dict[tuple[str, ...], str] = {}
    for file, words in zip(files, split, strict=True):
        start = words[: depth + 1]
        if starts[start] > 1:
            by_words.setdefault(start, _start(file.base, depth + 1))
    return sorted(by_words.values())


def _start(base: str, count: int) -> str:
    """The shortest beginning of a name that holds its first ``count`` words."""
    wanted = words_of(base)[:count]
    # A name in an archive may be of any length; no board's own name is longer than this.
    longest = min(len(base), _LONGEST_START)
    return next((base[:n] for n in range(1, longest) if words_of(base[:n]) == wanted), base)


def belongs(name: str, prefix: str) -> bool:
    """Whether a file is of the board with this prefix.

    Examples
    --------
    >>> belongs("lamp/top.gbr", "lamp/"), belongs("lamp2_top.gbr", "lamp")
    (True, False)
    """
    if prefix.endswith("/"):
        return name.startswith(prefix)
    base = PurePosixPath(name).name
    wanted = words_of(prefix)
    return words_of(base)[: len(wanted)] == wanted
