"""Deprecated image parameters: Gerber Layer Format Specification, chapter 8.

Read here, executed in :mod:`dfmcheck.formats.gerber.whole`. They hold for the whole image wherever
they stand in the file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.syntax import NUMBER
from dfmcheck.terms import Weight

_FORMS = {
    "IP": re.compile(r"IP(POS|NEG)?\Z"),
    "IR": re.compile(r"IR0*(0|90|180|270)?(?:\.0*)?\Z"),
    "MI": re.compile(r"MI(?:A([01]))?(?:B([01]))?\Z"),
    "OF": re.compile(rf"OF(?:A({NUMBER}))?(?:B({NUMBER}))?\Z"),
    "SF": re.compile(rf"SF(?:A({NUMBER}))?(?:B({NUMBER}))?\Z"),
    "AS": re.compile(r"AS(AXBY|BYAX|AYBX|BXAY)?\Z"),
    "IC": re.compile(r"IC(?:AS)?(?:CII)?\Z"),
    "KO": re.compile(r"KO\Z"),
    "PF": re.compile(r"PF\Z"),
}
IMAGE_CODES = frozenset(_FORMS)
_EXPECTED = {
    "IP": "IPPOS or IPNEG",
    "IR": "IR0, IR90, IR180 or IR270",
    "MI": "MIA0B0, MIA1B0, MIA0B1 or MIA1B1",
    "OF": "OFA<offset>B<offset>",
    "SF": "SFA<factor>B<factor>, factors from 0.0001 to 999.99999",
    "AS": "ASAXBY or ASAYBX",
}
_SKIPPED = {
    "IC": "another character code",
    "KO": "a knockout around the image",
    "PF": "a plotter film",
}
_SWAPPED = ("AYBX", "BXAY")
# value from memory: RS-274X, SF and OF
_LEAST_FACTOR, _MOST_FACTOR, _MOST_OFFSET = 0.0001, 1000.0, 1000.0


@dataclass(slots=True)
class OldImage:
    """What the image parameters state, each with the line it stands in.

    ``mirror`` and ``factor`` act on coordinates along A and B, ``offset`` is in mm,
    ``quarters`` counts quarter turns counter-clockwise, ``swapped`` exchanges the axes.
    """

    mirror: tuple[bool, bool] = (False, False)
    factor: tuple[float, float] = (1.0, 1.0)
    offset: tuple[float, float] = (0.0, 0.0)
    quarters: int = 0
    swapped: bool = False
    negative: bool = False
    lines: dict[str, int] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)

    @property
    def plain(self) -> bool:
        """Whether nothing is to be changed."""
        return (
            not any(self.mirror)
            and self.factor == (1.0, 1.0)
            and self.offset == (0.0, 0.0)
            and not self.quarters
            and not self.swapped
        )

    def read(self, text: str, unit: float, line: int, notes: Notes) -> None:
        """Take in one image parameter.

        Parameters
        ----------
        text : str
            The command without blanks and without the closing '*'.
        unit : float
            Millimetres per unit of the file, for OF.

        Examples
        --------
        >>> old = OldImage()
        >>> old.read("OFA1B-2.5", 25.4, 1, Notes("a.gbr"))
        >>> old.offset
        (25.4, -63.5)
        """
        code = text[:2]
        form = _FORMS[code].match(text)
        if code in _SKIPPED:
            if form is None or code == "PF":
                _skipped(text, _SKIPPED[code], line, notes)
            return
        values = form.groups() if form is not None else ()
        if form is None or not self._possible(code, values):
            notes.illegal(
                Weight.HOLD,
                f"'{text[:40]}' cannot be read",
                f"{_EXPECTED[code]} (deprecated)",
                "It was not executed, so the image may be another; export again without it.",
                line,
            )
            return
        before = self.texts.get(code)
        now = self._state(code, values, unit)
        if before is not None:
            if now != self._stated(code):
                notes.illegal(
                    Weight.HOLD,
                    f"'{text[:40]}' contradicts '{before[:40]}' in line {self.lines[code]}",
                    f"{code} once, at the head of the file",
                    "The first was taken for the whole image; ask which one holds.",
                    line,
                )
            return
        self.texts[code], self.lines[code] = text, line
        setattr(self, _FIELDS[code], now)

    def _stated(self, code: str) -> object:
        return getattr(self, _FIELDS[code])

    @staticmethod
    def _possible(code: str, values: tuple[str | None, ...]) -> bool:
        numbers = [float(v) for v in values if v] if code in ("SF", "OF") else []
        if code == "SF":
            return all(_LEAST_FACTOR <= n < _MOST_FACTOR for n in numbers)
        return all(abs(n) <= _MOST_OFFSET * 25.4 for n in numbers)

    @staticmethod
    def _state(code: str, values: tuple[str | None, ...], unit: float) -> object:
        if code == "MI":
            return (values[0] == "1", values[1] == "1")
        if code == "SF":
            return (float(values[0] or 1.0), float(values[1] or 1.0))
        if code == "OF":
            return (float(values[0] or 0.0) * unit, float(values[1] or 0.0) * unit)
        if code == "IR":
            return int(values[0] or 0) // 90
        if code == "AS":
            return values[0] in _SWAPPED
        return values[0] == "NEG"


_FIELDS = {
    "MI": "mirror",
    "SF": "factor",
    "OF": "offset",
    "IR": "quarters",
    "AS": "swapped",
    "IP": "negative",
}


def _skipped(text: str, what: str, line: int, notes: Notes) -> None:
    notes.deprecated(
        Weight.QUERY,
        f"'{text[:40]}': {what}",
        line,
        "It was not executed; ask for the image as it is to be.",
    )
