"""Numbers, places and names as words, the same in every report."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable

from dfmcheck.judge.finding import Finding, Source

CAUTION = (
    "A clean report is no certificate. It covers what was measured, against the limits stated, "
    "in the data as sent. Insulation, current and safety spacing follow local codes and "
    "licensed practice."
)

WHO = {
    "edit": "the front-end engineer may correct it alone",
    "ask": "the customer must decide",
}

SEVERITIES = ("hold", "query", "note")
"""Worst first."""


def plain(text: str) -> str:
    """Text safe to print or store: control and format characters and lone surrogates replaced.

    File and net names come from the package; an escape sequence in one must not reach the
    terminal.

    Examples
    --------
    >>> plain("top\\x1b[2J.gbr")
    'top\ufffd[2J.gbr'
    >>> plain("two\\nlines")
    'two lines'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        " "
        if char in "\n\r\t"
        else ("\ufffd" if unicodedata.category(char) in ("Cc", "Cf", "Cs") else char)
        for char in text
    )


def finite(value: float | None) -> float | None:
    """The value as a plain float, None for NaN, infinity or nothing.

    Examples
    --------
    >>> finite(float("nan")) is None, finite(0.5)
    (True, 0.5)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(value)


def number(value: float | None, unit: str, digits: int | None = None) -> str:
    """A value with its unit: mm to the micrometre, ratios to two places, counts whole.

    Examples
    --------
    >>> number(0.1, "mm"), number(7.5, "1"), number(3.0, "count"), number(None, "mm")
    ('0.100 mm', '7.50', '3', '–')
    """
    if value is None or not math.isfinite(value):
        return "–"
    if digits is None:
        digits = {"1": 2, "deg": 1}.get(unit, 3)
    text = f"{value:.{0 if unit == 'count' else digits}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text if unit in ("1", "count", "") else f"{text} {unit}"


def pair(value: float | None, limit: float | None, unit: str) -> tuple[str, str]:
    """Value and limit with as many digits as it takes to see that they differ.

    Examples
    --------
    >>> pair(0.0997, 0.1, "mm")
    ('0.0997 mm', '0.1000 mm')
    >>> pair(0.08, 0.1, "mm")
    ('0.080 mm', '0.100 mm')
    """
    start = {"1": 2, "deg": 1}.get(unit, 3)
    for digits in range(start, start + 4):
        texts = number(value, unit, digits), number(limit, unit, digits)
        if texts[0] != texts[1] or value == limit or unit == "count":
            return texts
    return number(value, unit), number(limit, unit)


def source(item: Source) -> str:
    """Where a feature was drawn, as one phrase.

    Examples
    --------
    >>> source(Source("top.gbr", 12, 10))
    'top.gbr line 12 (code 10)'
    """
    line = f" line {item.line}" if item.line else ""
    code = f" (code {item.code})" if item.code is not None else ""
    return plain(item.file) + line + code


def sources(items: Iterable[Source], most: int = 3) -> str:
    """Sources as one phrase; lines of one file are not repeated with its name.

    Examples
    --------
    >>> sources([Source("top.gbr", 12, 10), Source("top.gbr", 40, 11)])
    'top.gbr line 12 (code 10), line 40 (code 11)'
    """
    parts: list[str] = []
    last = ""
    unique = list(dict.fromkeys(items))
    for item in unique[:most]:
        text = source(item)
        if item.file == last and text != plain(item.file):
            text = text.removeprefix(plain(item.file)).lstrip()
        parts.append(text)
        last = item.file
    if len(unique) > most:
        parts.append(f"{len(unique) - most} more")
    return ", ".join(parts)


def message_alone(finding: Finding) -> str:
    """The message without the remedy in it, for where the remedy is shown apart."""
    message, remedy = plain(finding.message).strip(), plain(finding.remedy).strip()
    start = message.find(f" {remedy}") if remedy else -1
    if start < 0:
        return message
    rest = message[start + 1 + len(remedy) :]
    # only a whole sentence at the end, or before a bracketed remark, may go
    return message[:start] + rest if rest == "" or rest.startswith(" (") else message


def sentence(text: str) -> str:
    """First letter raised and a full stop at the end, so that parts read alike.

    Examples
    --------
    >>> sentence("move it"), sentence(""), sentence("Why?")
    ('Move it.', '', 'Why?')
    """
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> plural(1, "place"), plural(3, "place"), plural(2, "query", "queries")
    ('1 place', '3 places', '2 queries')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
