"""Collects defects and assumptions of one file, repeated ones merged into one with a count."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from dfmcheck.terms import Assumption, Defect, Weight

MOST_UNKNOWN = 20


@dataclass
class Notes:
    """Defects keyed by what was found, so a habit of a file is one defect, not thousands."""

    file: str
    _defects: dict[tuple[str, str], Defect] = field(default_factory=dict)
    _counts: dict[tuple[str, str], int] = field(default_factory=dict)
    _unknown: int = 0
    assumptions: list[Assumption] = field(default_factory=list)

    def add(
        self,
        rule: str,
        weight: Weight,
        found: str,
        expected: str,
        action: str,
        line: int | None = None,
        count: int = 1,
        at: tuple[float, float] | None = None,
    ) -> None:
        """Record a defect; the same `rule` and `found` again only adds to its count."""
        key = (rule, found)
        if key not in self._defects:
            x, y = at if at is not None else (None, None)
            self._defects[key] = Defect(
                rule, weight, found, expected, action, self.file, line, x=x, y=y
            )
        self._counts[key] = self._counts.get(key, 0) + count

    def illegal(
        self,
        weight: Weight,
        found: str,
        expected: str,
        action: str,
        line: int | None = None,
        count: int = 1,
        at: tuple[float, float] | None = None,
    ) -> None:
        self.add("data.illegal-construct", weight, found, expected, action, line, count, at)

    def deprecated(self, weight: Weight, found: str, line: int | None, action: str) -> None:
        self.add(
            "data.deprecated-construct",
            weight,
            found,
            "only current commands of the Gerber Layer Format Specification",
            action,
            line,
        )

    def unknown(self, text: str, line: int | None) -> None:
        """Record a command that is not known; after many, the rest share one defect."""
        text = "".join(c if c.isprintable() else "?" for c in text)
        shown = text if len(text) <= 40 else text[:37] + "..."
        found = f"unknown command '{shown}'"
        if ("data.unknown-command", found) not in self._defects:
            self._unknown += 1
            if self._unknown > MOST_UNKNOWN:
                found = "further unknown commands"
        self.add(
            "data.unknown-command",
            Weight.QUERY,
            found,
            "commands of the Gerber Layer Format Specification",
            "Ask what it means; it was not executed.",
            line,
        )

    def assume(self, subject: str, value: str, evidence: str, confidence: float) -> None:
        self.assumptions.append(Assumption(subject, value, evidence, self.file, confidence))

    def move(self, matrix: npt.NDArray[np.float64], shift: npt.NDArray[np.float64]) -> None:
        """Carry the places recorded so far along with the image: ``matrix`` (2, 2), then shift."""
        for key, defect in self._defects.items():
            if defect.x is not None and defect.y is not None:
                x, y = (matrix @ (defect.x, defect.y) + shift + 0.0).tolist()
                self._defects[key] = replace(defect, x=x, y=y)

    def defects(self) -> tuple[Defect, ...]:
        """All defects, each with its count where it occurs more than once."""
        return tuple(
            d if self._counts[k] == 1 else replace(d, found=f"{d.found} ({self._counts[k]} times)")
            for k, d in self._defects.items()
        )
