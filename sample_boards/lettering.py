"""Stroke letters of the legend: upright, 1.0 mm high, 0.15 mm stroke."""

from __future__ import annotations

from drawing import Arc, Point, Stroke

# Strokes on a grid 2 wide and 4 high, digits as corner numbers "xy".
_LETTERS = {
    "B": "00-04-14-23-12-21-10-00 02-12", "C": "24-04-00-20", "D": "00-04-14-23-21-10-00",
    "E": "24-04-00-20 02-12", "G": "24-04-00-20-22-12", "I": "10-14", "J": "24-20-10-01",
    "L": "04-00-20", "O": "00-04-24-20-00", "R": "00-04-24-22-02 12-20", "T": "04-24 14-10",
    "U": "04-00-20-24", "Y": "04-12-24 12-10",
    "1": "03-14-10", "2": "04-24-22-02-00-20", "3": "04-24-20-00 02-22", "4": "04-02-22 24-20",
    "5": "24-04-02-22-20-00", "6": "24-04-00-20-22-02",
}  # fmt: skip


def lettering(text: str, at: Point, mirrored: bool = False) -> list[Stroke]:
    """Strokes of a text whose lower-left corner is ``at``; mirrored text runs to the left."""
    strokes: list[Stroke] = []
    x, sign = at[0], -1 if mirrored else 1
    for letter in text:
        for run in _LETTERS.get(letter, "").split():
            path: list[Point | Arc] = [
                (round(x + sign * 0.3 * int(p[0]), 3), round(at[1] + 0.25 * int(p[1]), 3))
                for p in run.split("-")
            ]
            strokes.append(Stroke(0.15, path))
        x += sign * 0.9
    return strokes
