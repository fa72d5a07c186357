"""How the digits of a coordinate are read: unit, digit places, suppressed zeros."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dfmcheck.formats.records import Bools, Floats, Ints

INCH = 25.4
#: Digit places when the file states none: 2.4 inch, 3.3 metric (Excellon format 2, from memory).
CONVENTION = {"inch": (2, 4), "mm": (3, 3)}


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """Reading of one file's coordinates.

    ``suppressed`` names the zeros left out: ``leading`` (the number counts in steps of the
    last decimal), ``trailing`` (the number is filled up behind) or ``none``. Numbers with a
    decimal point are read as they stand.
    """

    unit: str
    integers: int
    decimals: int
    suppressed: str

    @property
    def scale(self) -> float:
        return INCH if self.unit == "inch" else 1.0

    @property
    def step(self) -> float:
        """Smallest step in mm."""
        return round(self.scale / 10.0**self.decimals, 12)

    def with_unit(self, unit: str) -> NumberFormat:
        """The same file after a change of unit: places follow the unit's convention."""
        if unit == self.unit:
            return self
        return NumberFormat(unit, *CONVENTION[unit], self.suppressed)

    def decode(self, text: str) -> float:
        """One number in mm; ValueError when it is none.

        Examples
        --------
        >>> NumberFormat("mm", 3, 3, "leading").decode("26000")
        26.0
        >>> NumberFormat("mm", 4, 4, "trailing").decode("-002365")
        -23.65
        >>> NumberFormat("mm", 3, 3, "trailing").decode("1.5")
        1.5
        """
        value = float(text)
        if "." not in text:
            power = self.decimals
            if self.suppressed == "trailing":
                power = len(text.lstrip("+-")) - self.integers
            value = value / 10.0**power if power >= 0 else value * 10.0**-power
        return value * self.scale

    def decode_columns(self, values: Floats, digits: Ints, pointed: Bools) -> Floats:
        """Many numbers in mm. ``digits`` counts digits as written, ``pointed`` marks a point."""
        if self.suppressed == "trailing":
            power = digits - self.integers
        else:
            power = np.full(len(values), self.decimals, dtype=np.int32)
        power = np.where(pointed, 0, power)
        up = np.power(10.0, np.maximum(-power, 0))
        down = np.power(10.0, np.maximum(power, 0))
        result: Floats = values * up / down * self.scale
        return result

    def __str__(self) -> str:
        zeros = (
            "no zeros left out"
            if self.suppressed == "none"
            else f"{self.suppressed} zeros left out"
        )
        return f"{self.unit}, {self.integers}.{self.decimals} digits, {zeros}"
