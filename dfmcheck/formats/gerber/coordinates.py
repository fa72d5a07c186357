"""Coordinate format and unit: stated (FS, MO, G70, G71), or assumed with evidence.

Gerber Layer Format Specification, 4.2.1 (MO) and 4.2.2 (FS); G70, G71: chapter 8, deprecated.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.syntax import NotInGrammarError, parse
from dfmcheck.formats.gerber.words import Numbers, Positions, Word, Words
from dfmcheck.terms import Weight

INCH = 25.4
_PLAIN = re.compile(r"FS([LTD])([AI])X([0-9])([0-9])Y([0-9])([0-9])\Z")
_FORMAT_WORDS = re.compile(r"format|fmt|numeric|integer|decimal", re.IGNORECASE)
_DIGITS = re.compile(r"\b([1-6])\s*[.:]\s*([1-6])\b")
_METRIC = re.compile(r"millimet|metric|unit mm|\bmm\b", re.IGNORECASE)
_IMPERIAL = re.compile(r"\binch|\bimperial|\benglish\b|\bmils?\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Format:
    """Integer and decimal digits of x and y, and how zeros and points are given."""

    x: tuple[int, int]
    y: tuple[int, int]
    trailing: bool = False  # trailing zeros are omitted
    incremental: bool = False


def read_format(text: str) -> Format:
    """Read an FS command; NotInGrammarError where it is none.

    Examples
    --------
    >>> read_format("FSLAX36Y36")
    Format(x=(3, 6), y=(3, 6), trailing=False, incremental=False)
    """
    plain = _PLAIN.match(text)
    if plain:  # what nearly every file says; building the grammar takes longer than reading it
        x0, x1, y0, y1 = (int(plain[n]) for n in (3, 4, 5, 6))
        return Format((x0, x1), (y0, y1), plain[1] == "T", plain[2] == "I")
    return read_by_grammar(text)


def read_by_grammar(text: str) -> Format:
    """The same by ``grammars/gerber_format.lark``."""
    tree = parse("format", text)
    parts = {
        str(t.data): [str(c) for c in t.children] for t in tree.children if not isinstance(t, str)
    }
    x, y = (tuple(int(d) for d in parts[f"{axis}_digits"]) for axis in "xy")
    return Format(
        (x[0], x[1]),
        (y[0], y[1]),
        parts.get("zeros") == ["T"],
        parts.get("notation") == ["I"],
    )


def choose_format(
    stated: Sequence[tuple[str, int]], words: Words, comments: Sequence[str], notes: Notes
) -> Format:
    """The format in force: the first FS, or an assumption.

    Parameters
    ----------
    stated : sequence of (text, line)
        All FS commands.
    """
    chosen: Format | None = None
    for text, line in stated:
        try:
            found = read_format(text)
        except NotInGrammarError:
            notes.illegal(
                Weight.HOLD,
                f"format statement '{text[:40]}' cannot be read",
                "FSLAX<integer><decimal digits>Y<the same>",
                "Coordinates cannot be trusted; ask for the format.",
                line,
            )
            continue
        if chosen is not None:
            if found != chosen:
                notes.illegal(
                    Weight.HOLD,
                    f"a second format statement '{text}' contradicts the first",
                    "one FS at the head of the file",
                    "The first was used; ask which one holds.",
                    line,
                )
            continue
        chosen = found
        _comment_on_format(text, found, line, notes)
    if chosen is None and not len(words.x) and not len(words.y):
        return Format((4, 6), (4, 6))  # nothing depends on it
    return chosen if chosen is not None else _assume_format(words, comments, notes)


def _comment_on_format(text: str, found: Format, line: int, notes: Notes) -> None:
    if text[2:3] not in "LTD" or text[3:4] not in "AI":
        notes.assume(
            "zero omission and notation",
            "leading zeros omitted, absolute where not stated",
            f"'{text}' in line {line} leaves them out; nearly all files are so",
            0.75,
        )
    if found.trailing or found.incremental or text[2:3] == "D":
        notes.deprecated(
            Weight.NOTE, f"format statement '{text}'", line, "It was followed; export as FSLA."
        )
    if found.x != found.y:
        notes.illegal(
            Weight.QUERY,
            f"'{text}': x and y have different formats",
            "the same format for x and y (Gerber Layer Format Specification, 4.2.2)",
            "It was followed; check the size of the image.",
            line,
        )


def _assume_format(words: Words, comments: Sequence[str], notes: Notes) -> Format:
    for comment in comments:
        digits = _DIGITS.search(comment)
        if digits and _FORMAT_WORDS.search(comment):
            whole, decimals = int(digits[1]), int(digits[2])
            trailing = any(
                re.search(r"trailing[- ]zeros?[- ](supp|omi)", c, re.I) for c in comments
            )
            notes.assume(
                "coordinate format",
                f"{whole}.{decimals}, {'trailing' if trailing else 'leading'} zeros omitted",
                f"no FS command; a comment reads '{comment.strip()[:60]}'",
                0.85,
            )
            return Format((whole, decimals), (whole, decimals), trailing)
    longest = max((int(w.digits.max()) for w in (words.x, words.y) if len(w)), default=6)
    decimals = 5 if longest >= 7 else 4
    notes.assume(
        "coordinate format",
        f"2.{decimals}, leading zeros omitted",
        f"no FS command and no comment on it; the longest number has {longest} digits",
        0.4,
    )
    return Format((2, decimals), (2, decimals))


@dataclass(frozen=True, slots=True)
class Units:
    """Unit in force by command: changes at ``at`` (command numbers, ascending) to ``inch``."""

    at: Positions
    inch: tuple[bool, ...]

    def inch_at(self, command: int) -> bool:
        """Whether the inch is in force; before the first statement, what that states."""
        return self.inch[max(int(np.searchsorted(self.at, command, side="right")) - 1, 0)]

    @property
    def last(self) -> bool:
        return self.inch[-1]

    @property
    def single(self) -> bool:
        return len(set(self.inch)) == 1


def choose_units(
    stated: Sequence[tuple[str, int, int]],
    words: Words,
    comments: Sequence[str],
    lines: Sequence[int],
    notes: Notes,
) -> Units:
    """Units from MO, G70 and G71, or assumed from comments.

    Parameters
    ----------
    stated : sequence of (text, command, line)
        All MO commands.
    lines : sequence of int
        Line of each G70 and G71, in order.
    """
    events: list[tuple[int, bool, str]] = []
    for text, command, line in stated:
        if text in ("MOMM", "MOIN"):
            events.append((command, text == "MOIN", text))
        else:
            notes.illegal(
                Weight.HOLD,
                f"unit statement '{text[:20]}' is not known",
                "MOMM or MOIN",
                "Ask for the unit.",
                line,
            )
    from_mode = len(events)
    switches = words.g.where((words.g.value == 70) | (words.g.value == 71))
    for command, value in zip(switches.command.tolist(), switches.value.tolist(), strict=True):
        events.append((command, value == 70, f"G{value:.0f}"))
    events.sort(key=lambda e: e[0])
    if events and len({inch for _, inch, _ in events}) > 1:
        names = " and ".join(dict.fromkeys(name for _, _, name in events))
        notes.illegal(
            Weight.HOLD,
            f"the unit changes within the file ({names})",
            "one unit (Gerber Layer Format Specification, 4.2.1)",
            "Each command was read in the unit in force; check the size of the image.",
            lines[0] if lines else (stated[0][2] if stated else None),
        )
    elif events and not from_mode:
        name = events[0][2]
        notes.assume(
            "unit",
            "inch" if events[0][1] else "mm",
            f"no MO command; {name} in line {lines[0]} states it in the old way",
            0.95,
        )
    if not events and not len(words.x) and not len(words.y) and not len(words.d):
        events.append((0, False, ""))  # nothing depends on it
    if not events:
        events.append((0, _assume_inch(comments, notes), ""))
    return Units(np.array([e[0] for e in events], np.int64), tuple(e[1] for e in events))


def _assume_inch(comments: Sequence[str], notes: Notes) -> bool:
    for comment in comments:
        metric, imperial = _METRIC.search(comment), _IMPERIAL.search(comment)
        if bool(metric) != bool(imperial):
            notes.assume(
                "unit",
                "mm" if metric else "inch",
                f"no MO, G70 or G71; a comment reads '{comment.strip()[:60]}'",
                0.85,
            )
            return not metric
    notes.assume(
        "unit", "inch", "no MO, G70 or G71, and no comment on it; old files are mostly inch", 0.4
    )
    return True


def to_steps(word: Word, digits: tuple[int, int], trailing: bool) -> Numbers:
    """Coordinates in steps of the last decimal, whatever zeros were left out."""
    value = word.value
    whole, decimals = digits
    pointed = word.digits == 0
    if trailing:
        value = value * 10.0 ** (whole + decimals - word.digits)
    if pointed.any():
        value = np.where(pointed, word.value * 10.0**decimals, value)
    return value


def to_mm(steps: Numbers, decimals: int, inch: bool | np.ndarray) -> Numbers:
    """Steps as millimetres with one rounding: 25.4 / 10**n is 254 / 10**(n + 1).

    Examples
    --------
    >>> to_mm(np.array([15000.0, 1.0]), 4, True).tolist()
    [38.1, 0.00254]
    """
    if isinstance(inch, np.ndarray):
        return np.where(inch, to_mm(steps, decimals, True), to_mm(steps, decimals, False))
    if inch:
        return steps * 254.0 / 10.0 ** (decimals + 1)
    return steps / 10.0**decimals
