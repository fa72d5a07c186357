"""Reads the word commands (G, D, M codes and coordinates) in bulk.

No loop over commands: letters are found over the whole byte buffer, and the up to 16 digits
behind each are turned into a number by arithmetic on 8 bytes at a time.
Gerber Layer Format Specification, 3.5.1 and 4.7 to 4.8.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.scan import PAD, Scan
from dfmcheck.formats.limits import MOST_ODD_NUMBERS, MOST_TOKENS, too_much
from dfmcheck.terms import Weight

Positions = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]
_U64 = npt.NDArray[np.uint64]

MOST_CODE = 2**31 - 1  # specification 4.3.1
_STAR = ord("*")
_TOKEN = np.ones(256, np.bool_)
_TOKEN[np.frombuffer(b"0123456789+-. \t\r\n\f\v\x00\x1a", np.uint8)] = False
_KNOWN = np.zeros(256, np.bool_)
_KNOWN[np.frombuffer(b"XYIJGDMN*", np.uint8)] = True

# keeps the last n of 8 bytes in memory order (the high bytes of a little-endian word)
_KEEP = np.array([0] + [(2**64 - 1) ^ (2 ** (8 * (8 - n)) - 1) for n in range(1, 9)], np.uint64)
_ZEROS = np.uint64(0x3030303030303030)
_OVER_NINE = np.uint64(0x7676767676767676)
_HIGH = np.uint64(0x8080808080808080)
_DECIMAL = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)\Z")


@dataclass(frozen=True, slots=True)
class Word:
    """All words of one letter: the command each stands in, and its number.

    ``digits`` counts the digits as written; it is 0 for a number with a decimal point.
    """

    command: Positions
    value: Numbers
    digits: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.command)

    def where(self, mask: npt.NDArray[np.bool_]) -> Word:
        return Word(self.command[mask], self.value[mask], self.digits[mask])


@dataclass(frozen=True, slots=True)
class Words:
    """Word commands of a file in columns; commands are numbered from 0 in file order."""

    ends: Positions  # byte offset of the '*' of each command
    x: Word
    y: Word
    i: Word
    j: Word
    g: Word
    d: Word
    m: Word
    numbered: bool  # N words are there
    unknown: int  # commands not executed


def _eight_digits(x: _U64) -> _U64:
    """Value of 8 digits in memory order, each byte 0 … 9."""
    x = (x * np.uint64(2561)) >> np.uint64(8)
    x &= np.uint64(0x00FF00FF00FF00FF)
    x = (x * np.uint64(6553601)) >> np.uint64(16)
    x &= np.uint64(0x0000FFFF0000FFFF)
    return (x * np.uint64(42949672960001)) >> np.uint64(32)


def _not_digits(x: _U64) -> npt.NDArray[np.bool_]:
    over: npt.NDArray[np.bool_] = (((x + _OVER_NINE) | x) & _HIGH) != 0
    return over


def _numbers(
    buffer: npt.NDArray[np.uint8], first: Positions, end: Positions
) -> tuple[Numbers, npt.NDArray[np.int64], Positions]:
    """Numbers in ``buffer[first:end]``, their digit counts, and which of them are no integers."""
    sign = buffer[first]
    minus = sign == ord("-")
    length = end - first
    length -= minus
    plus = sign == ord("+")
    if plus.any():
        length -= plus
    words = np.ndarray((len(buffer) - 7,), np.dtype("<u8"), buffer=buffer, strides=(1,))
    low = words[end - 8]
    low ^= _ZEROS
    low &= _KEEP[np.clip(length, 0, 8)]
    bad = _not_digits(low)
    value = _eight_digits(low).astype(np.float64)
    bad |= length <= 0
    long = np.flatnonzero(length > 8)
    if len(long):
        high = (words[end[long] - 16] ^ _ZEROS) & _KEEP[np.minimum(length[long] - 8, 8)]
        bad[long] |= _not_digits(high) | (length[long] > 15)
        value[long] += _eight_digits(high).astype(np.float64) * 1e8
    np.negative(value, out=value, where=minus)
    return value, length, np.flatnonzero(bad)


def read_words(scan: Scan, notes: Notes) -> Words:
    """Read all word commands of a scanned file; FormatError where they are too many."""
    buffer = scan.buffer
    token = _TOKEN[buffer]
    count = int(np.count_nonzero(token))
    if count > MOST_TOKENS:
        raise too_much(
            f"the file holds {count:,} numbers and commands", f"at most {MOST_TOKENS:,}", notes.file
        )
    at = np.flatnonzero(token)
    letter = buffer[at]
    star = letter == _STAR
    command = np.cumsum(star)
    ends = at[star] - PAD
    number = np.flatnonzero(~star)
    letter = letter[number]
    command = command[number]
    first, end = at[number] + 1, at[number + 1]
    value, digits, odd = _numbers(buffer, first, end)

    if len(odd) > MOST_ODD_NUMBERS:
        raise too_much(
            f"the file holds {len(odd):,} numbers that are no plain integers",
            f"at most {MOST_ODD_NUMBERS:,}, coordinates being integers in the format FS states",
            notes.file,
            scan.line(int(at[number[odd[0]]]) - PAD),
        )
    wrong: set[int] = set()  # commands not executed
    decimals = 0
    for k in odd.tolist():
        text = b"".join(buffer[first[k] : end[k]].tobytes().replace(b"\x1a", b"").split())
        text = text.replace(b"\x00", b"")
        if _DECIMAL.match(text) and abs(float(text)) < 1e15:
            value[k] = float(text)
            digits[k] = len(text.lstrip(b"+-"))
            if b"." in text:
                digits[k] = 0
                decimals += 1
        else:
            wrong.add(int(command[k]))
    if decimals:
        notes.illegal(
            Weight.NOTE,
            "coordinates with a decimal point",
            "integers in the format FS states",
            "They were read as they stand; export again.",
            count=decimals,
        )
    known = _KNOWN[letter] & ~((letter == ord("D")) & (value > MOST_CODE))
    if not known.all():
        wrong.update(command[~known].tolist())
    if wrong:
        _name_wrong(scan, ends, sorted(wrong), notes)
        keep = ~np.isin(command, np.fromiter(wrong, np.int64, len(wrong)))
        letter, command, value, digits = letter[keep], command[keep], value[keep], digits[keep]

    def word(name: str) -> Word:
        rows = np.flatnonzero(letter == ord(name))
        return Word(command[rows], value[rows], digits[rows])

    x, y, i, j, g, d, m = (word(name) for name in "XYIJGDM")
    words = Words(ends, x, y, i, j, g, d, m, bool((letter == ord("N")).any()), len(wrong))
    _check_repeats(words, scan, notes)
    return words


def _name_wrong(scan: Scan, ends: Positions, wrong: list[int], notes: Notes) -> None:
    for c in wrong[:2000]:
        start = int(ends[c - 1]) + 1 if c else 0
        text = scan.buffer[PAD + start : PAD + int(ends[c])].tobytes()
        notes.unknown(text.strip().decode("latin-1"), scan.line(int(ends[c])))
    if len(wrong) > 2000:
        notes.add(
            "data.unknown-command",
            Weight.QUERY,
            "further unknown commands",
            "commands of the Gerber Layer Format Specification",
            "Ask what they mean; they were not executed.",
            count=len(wrong) - 2000,
        )


def _check_repeats(words: Words, scan: Scan, notes: Notes) -> None:
    """A letter twice in one command: the last holds, as commands run from left to right."""
    for name in "xyij":
        column: Word = getattr(words, name)
        twice = np.flatnonzero(np.diff(column.command) == 0)
        if len(twice):
            notes.illegal(
                Weight.QUERY,
                f"two {name.upper()} numbers in one command",
                "each letter once in a command",
                "The last was taken; a '*' may be missing, export again.",
                scan.line(int(words.ends[column.command[twice[0]]])),
                count=len(twice),
            )
