"""Chooses how coordinates are read when the file does not say it all, with the evidence."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.excellon.comments import Stated
from dfmcheck.formats.excellon.lexer import Rows
from dfmcheck.formats.excellon.numbers import CONVENTION, NumberFormat
from dfmcheck.formats.records import HitKind, Hits, Tool
from dfmcheck.terms import Assumption

# Digit places met in the trade, the convention first (common practice).
_PLACES = {
    "inch": [(2, 4), (3, 5), (2, 5), (2, 3), (2, 6), (3, 3), (3, 4), (3, 6), (4, 4)],
    "mm": [(3, 3), (4, 2), (4, 4), (3, 2), (4, 3), (5, 3), (3, 4), (5, 2), (3, 5)],
}
_TOOL_SPAN = (0.04, 10.0)  # mm, drills and cutters of the trade (common practice)
_BOARD_SPAN = (3.0, 700.0)  # mm, boards of the trade (common practice)
_COMPANION_BONUS = 0.25
Box = tuple[float, float, float, float]
Trial = Callable[[NumberFormat], tuple[Hits, Sequence[Tool]]]
_EVENT_NUMBER = re.compile(r"[XYIJA]([+-]?[\d.]+)")


@dataclass(frozen=True, slots=True)
class Digits:
    """What the coordinates of a file look like as written."""

    pointed: int
    longest: int
    shortest: int
    leading: int  # numbers that begin with a zero
    count: int  # numbers without a point

    @property
    def constant(self) -> int:
        """The digit count all numbers share, 0 when it varies."""
        return self.longest if self.longest == self.shortest else 0

    @property
    def whole(self) -> bool:
        """Numbers without a point are whole ones among others that have it."""
        return 0 < self.count <= self.pointed

    @property
    def telling(self) -> bool:
        """The constant digit count is no chance."""
        return bool(self.constant) and self.count >= 4

    @classmethod
    def of(cls, rows: Rows) -> Digits:
        lengths: list[np.ndarray[tuple[int], np.dtype[np.int32]]] = []
        pointed = leading = 0
        for column in (rows.x, rows.y):
            there = ~np.isnan(column.values)
            plain = there & ~column.pointed
            plain &= (column.values != 0) | (column.digits > 1)  # a lone 0 tells nothing
            pointed += int(np.count_nonzero(there & column.pointed))
            digits = column.digits[plain]
            small = np.abs(column.values[plain]) < np.power(10.0, digits - 1)
            leading += int(np.count_nonzero(small & (digits > 1)))
            lengths.append(digits)
        extra = []
        for row in rows.events:
            text = rows.texts[row]
            if text[:1] in "GXYgxy":
                for number in _EVENT_NUMBER.findall(text.upper()):
                    bare = number.lstrip("+-")
                    if "." in bare:
                        pointed += 1
                    elif bare != "0":
                        extra.append(len(bare))
                        leading += len(bare) > 1 and bare[0] == "0"
        every = np.concatenate([*lengths, np.array(extra, dtype=np.int32)])
        if not len(every):
            return cls(pointed, 0, 0, 0, 0)
        return cls(pointed, int(every.max()), int(every.min()), leading, len(every))

    def __str__(self) -> str:
        if not self.count:
            return "all coordinates have a decimal point"
        span = f"{self.shortest}" if self.constant else f"{self.shortest} to {self.longest}"
        if self.pointed:
            return f"{self.pointed} coordinates have a decimal point, {self.count} have none"
        zeros = "some begin with zeros" if self.leading else "none begins with a zero"
        return f"coordinates have {span} digits, {zeros}"


def _candidates(stated: Stated, digits: Digits, doubt_zeros: bool) -> Iterator[NumberFormat]:
    """Readings that hold to what is stated and to the digits, the conventional first."""
    seen = set()
    for unit in [stated.unit] if stated.unit else ["inch", "mm"]:
        places = _PLACES[unit]
        if stated.decimals is not None and stated.integers is not None:
            places = [(stated.integers, stated.decimals)]
        elif stated.decimals is not None:
            places = [(CONVENTION[unit][0], stated.decimals)]
        elif stated.integers is not None:
            places = [(stated.integers, CONVENTION[unit][1])]
        elif digits.whole:
            yield NumberFormat(unit, CONVENTION[unit][0], 0, "none")
            continue
        elif not digits.count:
            places = places[:1]
        elif digits.telling and any(sum(p) == digits.constant for p in places):
            places = [p for p in places if sum(p) == digits.constant]
        elif any(sum(p) >= digits.longest for p in places):
            places = [p for p in places if sum(p) >= digits.longest]
        for integers, decimals in places:
            if stated.suppressed:
                choices = [stated.suppressed]
            elif not digits.count or integers + decimals == digits.constant:
                choices = ["none"]
            elif digits.leading:
                choices = ["trailing"]
            else:
                choices = ["leading", "trailing"] if doubt_zeros else ["leading"]
            for suppressed in choices:
                form = NumberFormat(unit, integers, decimals, suppressed)
                sign = (unit, suppressed, integers if suppressed == "trailing" else decimals)
                if sign not in seen:
                    seen.add(sign)
                    yield form


def _score(hits: Hits, tools: Sequence[Tool], expected: Box | None, units: bool) -> float:
    """How well a reading fits: 1 is perfect, every doubt takes something away."""
    if not len(hits):
        return 0.0
    x = np.concatenate([hits.x0, hits.x1])
    y = np.concatenate([hits.y0, hits.y1])
    width, height = float(np.ptp(x)), float(np.ptp(y))
    score = 0.0
    if expected is not None:
        x0, y0, x1, y1 = expected
        margin = 3.0 + 0.05 * max(x1 - x0, y1 - y0)
        inside = (x > x0 - margin) & (x < x1 + margin) & (y > y0 - margin) & (y < y1 + margin)
        ratio = max(width / max(x1 - x0, 1e-6), height / max(y1 - y0, 1e-6))
        # Many holes spread over most of the copper; a few need not.
        fit = 1.05 / ratio if ratio > 1.05 else min(1.0, ratio / (0.7 if len(x) > 40 else 0.25))
        score += 0.7 * float(inside.mean()) + 0.3 * fit
    else:
        span = max(width, height)
        score += 0.8 if _BOARD_SPAN[0] <= span <= _BOARD_SPAN[1] or len(hits) < 3 else 0.4
    sizes = np.array([t.diameter if t.diameter is not None else np.nan for t in tools])
    if units and len(sizes):
        known = sizes[~np.isnan(sizes)]
        if len(known):
            usual = (known >= _TOOL_SPAN[0]) & (known <= _TOOL_SPAN[1])
            score -= 0.5 * float(1.0 - usual.mean())
    holes = hits.take(hits.kind == HitKind.HIT)
    if len(holes) >= 2 and len(sizes):
        gap = _to_next(np.column_stack([holes.x0, holes.y0]))
        score -= 0.5 * float(((gap > 0) & (gap < 0.9 * sizes[holes.tool])).mean())
    return score


def _to_next(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Distance of every point from the nearest other one; nought where another lies there too."""
    at, row, count = np.unique(points, axis=0, return_inverse=True, return_counts=True)
    spots = shapely.points(at)
    gap = np.zeros(len(at))
    (of, _), away = shapely.STRtree(spots).query_nearest(
        spots, exclusive=True, return_distance=True, all_matches=False
    )
    gap[of] = away
    return np.asarray(np.where(count > 1, 0.0, gap)[row.reshape(-1)])


def choose_format(
    rows: Rows,
    stated: Stated,
    companion: Stated | None,
    listed_unit: str | None,
    expected: Box | None,
    file: str,
    trial: Trial,
) -> tuple[NumberFormat, tuple[Assumption, ...]]:
    """The reading of a file's coordinates, and what had to be assumed for it.

    Parameters
    ----------
    stated : Stated
        What the file itself states.
    companion : Stated or None
        What a parameter file beside it states; counts where the file is silent.
    listed_unit : str or None
        Unit of the sizes in the file's tool listing: a hint, no more.
    expected : (x0, y0, x1, y1) or None
        Box of the copper or profile in mm; evidence between candidates only.
    trial : callable
        Reads (the beginning of) the file with one format.
    """
    digits = Digits.of(rows)
    forms = list(_candidates(stated, digits, expected is not None))
    told = None
    if companion is not None:
        told = Stated(
            stated.unit or companion.unit,
            stated.integers if stated.integers is not None else companion.integers,
            stated.decimals if stated.decimals is not None else companion.decimals,
            stated.suppressed or companion.suppressed,
        )
        if told.integers is not None and told.decimals is not None and told.unit:
            preferred = next(_candidates(told, digits, False))
            total = preferred.integers + preferred.decimals
            if digits.longest <= total and (
                not digits.constant or preferred.suppressed != "none" or digits.constant == total
            ):
                same = [f for f in forms if _same(f, preferred, digits)]
                forms = [preferred, *(f for f in forms if f not in same)]
            else:
                told = None
        else:
            told = None
    missing = _missing(stated, digits, forms[0])
    if not missing:
        return forms[0], ()
    hint = listed_unit if not stated.unit else None
    scores = []
    for position, form in enumerate(forms):
        hits, tools = trial(form)
        score = _score(hits, tools, expected, not stated.unit)
        score += _COMPANION_BONUS if told and position == 0 else 0.02 if position == 0 else 0.0
        score += 0.05 if (form.integers, form.decimals) == CONVENTION[form.unit] else 0.0
        score += 0.15 if hint == form.unit else 0.0
        scores.append(score)
    order = sorted(range(len(forms)), key=lambda i: -scores[i])
    best = order[0]
    margin = scores[best] - scores[order[1]] if len(order) > 1 else 1.0
    form = forms[best]
    confidence, ground = _trust(
        form, told is not None, best == 0, scores[best], margin, expected, stated, digits
    )
    if hint:
        ground = f"its tool listing counts in {'mm' if hint == 'mm' else 'mil or inch'}; {ground}"
    evidence = f"the file does not state {' nor '.join(missing)}; {digits}; {ground}"
    subject = "unit of coordinates" if missing == ["the unit"] else "coordinate format"
    value = form.unit if missing == ["the unit"] and not digits.count else str(form)
    return form, (Assumption(subject, value, evidence, file, confidence),)


def _same(one: NumberFormat, other: NumberFormat, digits: Digits) -> bool:
    if one.unit != other.unit:
        return False
    if "trailing" in (one.suppressed, other.suppressed) and one.suppressed != other.suppressed:
        return bool(digits.constant) and one.decimals == digits.constant - other.integers
    if one.suppressed == "trailing":
        return one.integers == other.integers
    return one.decimals == other.decimals


def _missing(stated: Stated, digits: Digits, form: NumberFormat) -> list[str]:
    """What the reading needs and the file does not state."""
    missing = [] if stated.unit else ["the unit"]
    if digits.count:
        counts = stated.integers if form.suppressed == "trailing" else stated.decimals
        if counts is None:
            missing.append("the digit places")
        if not stated.suppressed and form.suppressed != "none":
            missing.append("which zeros are left out")
    return missing


def _trust(
    form: NumberFormat,
    told: bool,
    first: bool,
    score: float,
    margin: float,
    expected: Box | None,
    stated: Stated,
    digits: Digits,
) -> tuple[float, str]:
    """Confidence in the chosen reading, and the ground for it."""
    if stated.unit and not form.decimals and digits.whole:
        return 0.85, "most coordinates have a decimal point, so those without are whole numbers"
    fits = expected is not None and score >= 0.75
    if told and first:
        ground = "a parameter file beside it states this reading"
        if expected is None:
            return 0.9, ground
        return (0.97, ground + ", and the holes fall on the copper") if fits else (0.6, ground)
    if fits and margin >= 0.1:
        return 0.95, "with this reading the holes fall on the copper, with no other do they so well"
    if fits and first:
        return 0.85, "with this reading, the usual one, the holes fall on the copper"
    if told:
        return 0.5, "a parameter file beside it states a reading that sets the holes off the copper"
    usual = (form.integers, form.decimals) == CONVENTION[form.unit]
    if expected is not None and usual and first and stated.unit and score >= 0.4:
        return 0.8, "these are the usual digit places, though some holes lie beside the copper"
    if expected is not None:
        return 0.5, "no reading makes the holes clearly fall on the copper; the likeliest is taken"
    if margin >= 0.3:
        return 0.85, "other readings give implausible tools, overlapping holes or board sizes"
    if usual and stated.unit and (digits.telling or not digits.count or stated.suppressed):
        # 4.2 and 4.4 are met often enough in metric files to leave a doubt.
        return (0.85 if stated.unit == "inch" else 0.75), "these are the usual digit places"
    if usual and not digits.count:
        return 0.6, "tool sizes fit this unit no worse than the other"
    return 0.6, "it is the usual reading; nothing else tells"
