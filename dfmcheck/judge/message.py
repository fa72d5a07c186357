"""The words of a finding: one plain sentence with the value, the limit, the layer, the nets."""

from __future__ import annotations

import hashlib
import re

UNNAMED = re.compile(r"net \d+")
"""Nets the data does not name are numbered; the numbers change with every revision."""


def number(value: float, unit: str, against: float | None = None) -> str:
    """A value with its unit; more digits where ``against`` would otherwise read the same.

    Examples
    --------
    >>> number(0.094, "mm"), number(0.0996, "mm", against=0.1), number(10.04, "1", against=10)
    ('0.094 mm', '0.0996 mm', '10.04')
    >>> number(-0.0000004, "mm")
    '0.000 mm'
    """
    digits = {"mm": 3, "count": 0}.get(unit, 1)
    if unit == "1" and max(abs(value), abs(against or 0.0)) <= 1:
        digits = 3  # shares of a whole
    while (
        against is not None
        and digits < 6
        and abs(value - against) > 1e-9
        and f"{value:.{digits}f}" == f"{against:.{digits}f}"
    ):
        digits += 1
    suffix = "" if unit in ("1", "count", "") else f" {unit}"
    text = f"{value:.{digits}f}"
    # Rounding leaves the sign of a value that is nought as it is told.
    return f"{text if float(text) else text.removeprefix('-')}{suffix}"


def between(nets: tuple[str, ...]) -> str:
    """
    >>> between(("A", "B")), between(("A",)), between(())
    (' between nets A and B', ' on net A', '')
    >>> between(("net 4", "net 7")), between(("net 4",))
    (' between net 4 and net 7', ' on net 4')
    """
    if not nets:
        return ""
    numbered = all(UNNAMED.fullmatch(net) for net in nets)
    if len(nets) > 1:
        return f" between {'' if numbered else 'nets '}{' and '.join(nets)}"
    return f" on {'' if numbered else 'net '}{nets[0]}"


def places_text(count: int) -> str:
    """
    >>> places_text(1), places_text(400)
    ('1 place', '400 places')
    """
    return f"{count} place" if count == 1 else f"{count} places"


def natural(text: str) -> tuple[tuple[int, str], ...]:
    """Sorts conductor-2 before conductor-10."""
    return tuple(
        (int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", text)
    )


def _and_more(others: tuple[str, ...]) -> str:
    """
    >>> _and_more(()), _and_more(("conductor-2",)), _and_more(("conductor-2", "conductor-3"))
    ('', ' and conductor-2', ', conductor-2 and conductor-3')
    >>> _and_more(("a", "b", "c", "d"))
    ' and 4 other layers'
    """
    if len(others) > 3:
        return f" and {len(others)} other layers"
    if len(others) > 1:
        return f", {', '.join(others[:-1])} and {others[-1]}"
    return f" and {others[0]}" if others else ""


def kind_words(kind: str) -> str:
    """A kind of place in words, "" for a single word, which says no more than the rule does.

    >>> kind_words("land-to-pour"), kind_words("lone copper"), kind_words("land")
    ('land to pour', 'lone copper', '')
    """
    return kind.replace("-to-", " to ") if "-to-" in kind or " " in kind else ""


def measured_sentence(
    quantity: str, unit: str, at_most: bool, value: float, raw: float, layers: tuple[str, ...],
    nets: tuple[str, ...], count: int, chosen: str, wanted: float, tier: str, limit: float,
    fits: str, kind: str = "", past: str = "",
) -> str:  # fmt: skip
    """Sentence of a finding that has a measured value.

    ``wanted`` is the limit of the tier ``chosen``, ``limit`` that of ``tier``, the most capable
    one that fails. ``past`` stands for ``quantity`` where the value is below nought, which is then
    told as a length.
    """
    below = bool(past) and number(value, unit).startswith("-")
    if below:
        quantity = past
    if nets:  # the nets are named below
        quantity = quantity.removesuffix(" between nets")
    if words := kind_words(kind):
        quantity += f" ({words})"
    shown = number(-value, unit) if below else number(value, unit, wanted)
    text = f"{quantity[:1].upper()}{quantity[1:]} {shown}"
    if abs(raw - value) > 1e-9:
        was = number(raw, unit, value)
        if below:
            was = number(-raw, unit, -value) if raw < 0 else f"{was} clear"
        text += f" ({was} in the data, before the drilling allowance)"
    if layers[0]:
        text += f" on {layers[0]}{_and_more(layers[1:])}"
    text += between(nets)
    if count > 1:
        text += f", worst of {places_text(count)}"
    text += f"; tier {chosen} {_asks(wanted, unit, value, at_most, below)}"
    if fits:
        return f"{text}, tier {fits} takes it"
    if tier != chosen:
        return f"{text}, and even tier {tier} {_asks(limit, unit, value, at_most, below)}"
    return text


def _asks(limit: float, unit: str, value: float, at_most: bool, below: bool) -> str:
    """
    >>> _asks(0.1, "mm", 0.09, False, False), _asks(2, "count", 3, True, False)
    ('needs 0.100 mm', 'allows 2')
    >>> _asks(0.0, "mm", -0.1, False, True), _asks(0.05, "mm", -0.1, False, True)
    ('allows none', 'needs 0.050 mm clear')
    """
    if below:
        return f"needs {number(limit, unit)} clear" if limit > 0 else "allows none"
    return f"{'allows' if at_most else 'needs'} {number(limit, unit, value)}"


def fingerprint(*parts: object) -> str:
    """Twelve hex digits of a SHA-1 over the parts; a label to waive by, not a secret.

    Floats are rounded to a nanometre before they come here to be rounded to their place, so
    that the noise of a shifted datum does not tip one over a rounding edge.
    """
    text = "\x1f".join(str(part) for part in parts)
    return hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest()[:12]


def rounded(value: float, digits: int) -> float:
    """Round by way of a nanometre; minus zero becomes zero.

    >>> rounded(10.00499999999, 2) == rounded(10.00500000001, 2)
    True
    """
    return round(round(value, 6), digits) + 0.0
