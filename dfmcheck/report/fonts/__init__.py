"""The typeface of pictures and letters, shipped so that they look the same on any machine.

DejaVu Sans, regular and bold, reduced to Latin, Greek, Cyrillic and technical signs; free to
pass on, see ``LICENSE`` beside this file.
"""

from __future__ import annotations

from bisect import bisect
from pathlib import Path

REGULAR = Path(__file__).with_name("DejaVuSans.ttf")
BOLD = Path(__file__).with_name("DejaVuSans-Bold.ttf")

_RANGES = (
    (0x0020, 0x007E), (0x00A0, 0x024F), (0x02B0, 0x02E9), (0x02EC, 0x02EE), (0x02F3, 0x02F3),
    (0x02F7, 0x02F7), (0x0370, 0x0377), (0x037A, 0x037F), (0x0384, 0x038A), (0x038C, 0x038C),
    (0x038E, 0x03A1), (0x03A3, 0x0525), (0x1E00, 0x1EFB), (0x2000, 0x2064), (0x206A, 0x2071),
    (0x2074, 0x208E), (0x2090, 0x209C), (0x20A0, 0x20B5), (0x20B8, 0x20BA), (0x20BD, 0x20BD),
    (0x2100, 0x2109), (0x210B, 0x2149), (0x214B, 0x214B), (0x214E, 0x214E), (0x2150, 0x2185),
    (0x2189, 0x2189), (0x2190, 0x2311), (0x2318, 0x2319), (0x231C, 0x2321), (0x2324, 0x2328),
    (0x232B, 0x232C), (0x2373, 0x2375), (0x237A, 0x237A), (0x237D, 0x237D), (0x2387, 0x2387),
    (0x2394, 0x2394), (0x239B, 0x23AE), (0x23CE, 0x23CF), (0x23E3, 0x23E3), (0x23E5, 0x23E5),
    (0x23E8, 0x23E8), (0x25A0, 0x25FF), (0x2610, 0x2612), (0x2713, 0x2718), (0xFFFD, 0xFFFD),
)  # fmt: skip
"""First and last character of each run that both files have."""

_FIRST = [first for first, _ in _RANGES]


def printable(text: str) -> str:
    """The text with every character the typeface lacks written as its number, so that no part
    of a name is lost.

    Examples
    --------
    >>> printable("Ø ≥ 0.3 µm, датчик")
    'Ø ≥ 0.3 µm, датчик'
    >>> printable("GND_\u63a5")
    'GND_<U+63A5>'
    """
    if text.isascii():
        return text
    return "".join(char if _has(ord(char)) else f"<U+{ord(char):04X}>" for char in text)


def _has(code: int) -> bool:
    at = bisect(_FIRST, code) - 1
    return code in (0x0A, 0x0D, 0x09) or (at >= 0 and code <= _RANGES[at][1])
