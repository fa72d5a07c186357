"""Blocks and repeats: one being drawn, one that is closed, and what is too much of them."""

from __future__ import annotations

from dataclasses import dataclass

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.limits import MOST_NESTING, MOST_OBJECTS, MOST_REPEATS
from dfmcheck.terms import Weight


@dataclass(frozen=True, slots=True)
class Repeat:
    """A closed step and repeat: its flashes go into block ``parent`` before ``command``."""

    command: int
    parent: int
    aperture: int
    nx: int
    ny: int
    dx: float
    dy: float
    line: int


@dataclass(slots=True)
class OpenBlock:
    """A block being drawn: its number, the one around it, and what to do at its end."""

    block: int
    parent: int
    line: int
    code: int = 0
    repeat: tuple[int, int, float, float] | None = None
    function: str = ""


def too_deep(notes: Notes, line: int | None) -> None:
    """Record blocks that stand inside one another beyond what is written out."""
    notes.illegal(
        Weight.HOLD,
        f"blocks and repeats stand more than {MOST_NESTING} deep inside one another",
        f"at most {MOST_NESTING} levels",
        "Deeper ones were left out; ask for a sensible file.",
        line,
    )


def too_many(notes: Notes, count: int, line: int | None) -> None:
    """Record that repeats were left out because they would be too many."""
    notes.illegal(
        Weight.HOLD,
        f"repeats and block apertures come to {count:,}",
        f"at most {MOST_REPEATS:,} copies and {MOST_OBJECTS:,} objects",
        "Repeats beyond that were left out; ask for a sensible file.",
        line,
    )
