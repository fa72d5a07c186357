"""Cuts a Gerber file into extended commands, comments and the bulk of word commands.

Gerber Layer Format Specification, 3.5 (commands) and 4.1 (comments).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.errors import FormatError
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.limits import MOST_EXTENDED, too_much
from dfmcheck.terms import Weight

PAD = 16  # blanks before the text, so that 16 bytes before any token can be loaded
_STAR, _PERCENT, _BLANK = ord("*"), ord("%"), ord(" ")

_EXTENDED = re.compile(
    rb"%\s*(?:FS|MO|AD|AM|AB|LP|LM|LR|LS|SR|TF|TA|TO|TD|IP|IR|MI|OF|SF|AS|IN|LN|IC|IF|KO|PF)"
    rb"[^%]{0,200}?\*"
)
_WORD = re.compile(rb"\s*(?:G0?4[^\n]{0,500}|(?:[GDMNXYIJ][+-]?[0-9.]+\s*)+)")
_DRAWS = re.compile(rb"D0*[123]\b|[XY][+-]?[0-9]{1,30}[XYIJD0-9+\-\s]{0,60}\*|M0*2\s*\*")
_RUNS_ON = re.compile(rb"\*\s*(?:[GDM][0-9]|[XY][+-]?[0-9])")
# the specification's own example has comments inside a macro
_MACRO_RUNS_ON = re.compile(rb"\*\s*(?:G(?!0?4(?![0-9]))[0-9]|[DM][0-9]|[XY][+-]?[0-9])")
_COMMAND_LINE = re.compile(rb"[\r\n][ \t]*(?:[GDMXYIJ][+-]?[0-9.]+)+\s*\*\Z")


@dataclass(frozen=True, slots=True)
class Span:
    """An extended command (text between its % signs) or a comment (text behind G04)."""

    at: int  # byte offset
    text: bytes
    comment: bool


@dataclass(frozen=True, slots=True)
class Scan:
    """A file cut up.

    ``buffer`` holds PAD blanks, then the bytes of the file with extended commands and
    comments blanked out, so offsets stay those of the file plus PAD.
    """

    buffer: npt.NDArray[np.uint8]
    spans: list[Span]
    breaks: npt.NDArray[np.int64]  # offsets of line ends
    tail: bytes  # what follows the last complete command
    tail_line: int

    def line(self, offset: int) -> int:
        return int(np.searchsorted(self.breaks, offset)) + 1

    def lines(self, offsets: npt.NDArray[np.int64]) -> npt.NDArray[np.int32]:
        return (np.searchsorted(self.breaks, offsets) + 1).astype(np.int32)


def plain_text(data: bytes, notes: Notes) -> bytes:
    """Undo what is no part of the format: byte order marks, two-byte text."""
    if data.startswith(b"\xef\xbb\xbf"):
        notes.illegal(
            Weight.NOTE,
            "a byte order mark before the first command",
            "the first command at the start of the file",
            "It was passed over; export again.",
        )
        return b"   " + data[3:]
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        notes.illegal(
            Weight.NOTE,
            "text is UTF-16",
            "UTF-8 or ASCII text",
            "It was converted; export again.",
        )
        return data.decode("utf-16", errors="replace").encode()
    return data


def check_is_gerber(data: bytes, file: str) -> None:
    """Raise FormatError where the bytes cannot be a Gerber file."""
    expected = "a Gerber layer file (RS-274-X, X2 or X3)"
    action = "Check what this file is for, or export it again."
    if not data.strip():
        raise FormatError("the file is empty", expected, action, file)
    head = data[:65536]
    control = sum(head.count(bytes([c])) for c in range(32) if c not in (9, 10, 12, 13, 26))
    if control * 50 > len(head):
        raise FormatError("the file is binary", expected, action, file)
    if b"*" not in data:
        raise FormatError("no command ends in '*'", expected, action, file)
    blocks = [b for b in head.split(b"*") if b.strip()]
    if len(blocks) > 1 and len(head) == 65536:
        blocks.pop()
    if _EXTENDED.search(data):
        # inside AM blocks the text is numbers and arithmetic; prose is not
        prose = sum(1 for b in blocks if b.count(b" ") > 12 and b"G04" not in b and b"%" not in b)
        if prose * 2 <= len(blocks):
            return
    elif _DRAWS.search(data):
        words = sum(1 for b in blocks if _WORD.fullmatch(b))
        if words * 2 > len(blocks):
            return
    raise FormatError("the text holds no Gerber commands", expected, action, file)


def _line_breaks(data: bytes, raw: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    feeds = raw == 10
    returns = data.count(b"\r")
    if returns and returns != data.count(b"\r\n"):
        lone = raw == 13
        lone[:-1] &= raw[1:] != 10
        feeds |= lone
    return np.flatnonzero(feeds)


def _starts(raw: npt.NDArray[np.uint8], file: str) -> list[int]:
    """Offsets of % signs and of G04 codes, in order; FormatError where they are too many."""
    g = np.flatnonzero(raw == ord("G"))
    after = np.concatenate([raw, np.full(4, _BLANK, np.uint8)])
    skip = np.where(after[g + 1] == ord("0"), 2, 1)
    g04 = g[
        (after[g + skip] == ord("4"))
        & ~((after[g + skip + 1] >= ord("0")) & (after[g + skip + 1] <= ord("9")))
    ]
    percent = np.flatnonzero(raw == _PERCENT)
    count = len(percent) // 2 + len(g04)
    if count > MOST_EXTENDED:
        raise too_much(
            f"the file holds {count:,} extended commands and comments",
            f"at most {MOST_EXTENDED:,}",
            file,
        )
    both = np.concatenate([percent, g04])
    both.sort()
    return both.tolist()  # type: ignore[no-any-return]


def scan(data: bytes, notes: Notes) -> Scan:
    """Cut `data` into extended commands, comments and word commands."""
    raw = np.frombuffer(data, np.uint8)
    breaks = _line_breaks(data, raw)
    text = bytearray(data)
    spans: list[Span] = []
    cut = b""
    done = 0

    def at_line(offset: int) -> int:
        return int(np.searchsorted(breaks, offset)) + 1

    for start in _starts(raw, notes.file):
        if start < done:
            continue
        if data[start] == _PERCENT:
            end = data.find(b"%", start + 1)
            inner = data[start + 1 : end if end >= 0 else len(data)]
            stripped = inner.lstrip()
            macro = stripped[:2] == b"AM"
            runs_on = (_MACRO_RUNS_ON if macro else _RUNS_ON).search(inner)
            if stripped and not stripped[:2].isalpha() and stripped[:1] != b"*":
                notes.illegal(
                    Weight.NOTE,
                    "a lone '%'",
                    "'%' in pairs around extended commands",
                    "It was passed over; export again.",
                    at_line(start),
                )
                text[start] = _STAR
                done = start + 1
                continue
            if runs_on is not None:
                notes.illegal(
                    Weight.QUERY,
                    "an extended command without its closing '%'",
                    "'%' in pairs around extended commands",
                    "It was taken to end before the next drawing command; export again.",
                    at_line(start),
                )
                inner = inner[: runs_on.start() + 1]
                end = start + len(inner) + 1
                text[start:end] = b" " * (end - start)
                done = end
            elif end < 0:
                if inner.rstrip(b"\r\n \t\x00\x1a").endswith(b"*"):
                    notes.illegal(
                        Weight.QUERY,
                        "an extended command without its closing '%'",
                        "'%' in pairs around extended commands",
                        "It was taken to end at the end of the file; export again.",
                        at_line(start),
                    )
                else:
                    cut = data[start:]
                    keep = inner.rfind(b"*")
                    inner = inner[: keep + 1]
                done = len(data)
                text[start:] = b" " * (done - start)
            else:
                done = end + 1
                text[start:done] = b" " * (done - start)
            text[start] = _STAR  # ends a word command that lacks its own
            spans.append(Span(start, inner, False))
            continue
        end = data.find(b"*", start)
        if end < 0:
            cut = data[start:]
            text[start:] = b" " * (len(data) - start)
            done = len(data)
            break
        comment = data[start:end]
        lost = _COMMAND_LINE.search(data[start : end + 1])
        if lost is not None:
            notes.illegal(
                Weight.QUERY,
                "a comment without its closing '*'",
                "'*' at the end of every command",
                "It was taken to end with its line; export again.",
                at_line(start),
            )
            end = start + lost.start()
            comment = data[start:end]
        text[start:end] = b" " * (end - start)
        text[end] = _STAR
        spans.append(Span(start, comment[comment.index(b"4") + 1 :], True))
        done = end + 1

    last = text.rfind(b"*")
    tail = bytes(text[last + 1 :]).strip(b" \r\n\t\x00\x1a") or cut
    tail_at = data.rfind(tail) if tail else max(last, 0)
    buffer = np.empty(len(text) + PAD, np.uint8)
    buffer[:PAD] = _BLANK
    buffer[PAD:] = np.frombuffer(text, np.uint8)
    return Scan(buffer[: PAD + last + 1], spans, breaks, tail, at_line(tail_at))


def statements(spans: Sequence[tuple[str, int, int]], code: str) -> list[tuple[str, int, int]]:
    """All extended commands of one code, with their word command number and line."""
    found = []
    for text, command, line in spans:
        if code not in text:
            continue
        for part in text.split("*"):
            bare = "".join(part.split())
            if bare.startswith(code):
                found.append((bare, command, line))
    return found
