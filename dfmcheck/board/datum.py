"""Do two sets of points lie on one datum, and which move would bring them together?

Points are holes, lands, mask openings. The statistic is the share of moving points that have
a target at their own place; the search tries the slips that happen in practice (common
practice): a constant offset, a mirror, a quarter turn, ten times or 25.4 times too large or
too small, and combinations of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.groups import Points

Floats = npt.NDArray[np.float64]

SAME_PLACE = 0.05
"""Centres nearer than this (mm) are one place: files in 1 mil steps still meet."""
SCALES = (1.0, 0.1, 10.0, 1 / 25.4, 25.4)
"""Factors that would mend a slip of ×1, ×10, ÷10, ×25.4, ÷25.4."""
_TURNS = (
    np.array([[1.0, 0.0], [0.0, 1.0]]),
    np.array([[0.0, -1.0], [1.0, 0.0]]),
    np.array([[-1.0, 0.0], [0.0, -1.0]]),
    np.array([[0.0, 1.0], [-1.0, 0.0]]),
)
_FLIP = np.array([[-1.0, 0.0], [0.0, 1.0]])
_VOTERS = 40  # points whose vectors to all targets vote for an offset
_LEAST = 12
_VOTES = 150_000
_CELLS = 600_000
_FEW_VOTES = 5_000
_PEAKS = 4
_SAMPLE = 300
_CLEAR = 0.95  # a move that fits this share ends the search: simpler ones were tried first
_LEAST_EXTENT = 0.2


@dataclass(frozen=True, slots=True)
class Move:
    """Mirror left to right (if any), quarter turns counter-clockwise, scale, then shift (mm)."""

    turns: int = 0
    mirrored: bool = False
    scale: float = 1.0
    dx: float = 0.0
    dy: float = 0.0

    @property
    def matrix(self) -> Floats:
        """(2, 2) of the move without its shift."""
        turn = _TURNS[self.turns % 4]
        return np.asarray(self.scale * (turn @ _FLIP if self.mirrored else turn))

    def __call__(self, points: Floats) -> Floats:
        """Points (n, 2) moved.

        Examples
        --------
        >>> Move(turns=1, dx=10.0)(np.array([[1.0, 2.0]])).tolist()
        [[8.0, 1.0]]
        """
        return np.asarray(points @ self.matrix.T + (self.dx, self.dy))

    @property
    def inverse(self) -> Move:
        """The move that undoes this one.

        Examples
        --------
        >>> move = Move(turns=1, mirrored=True, scale=10.0, dx=3.0, dy=-4.0)
        >>> np.allclose(move.inverse(move(np.array([[1.0, 2.0]]))), [[1.0, 2.0]])
        True
        """
        turns = self.turns if self.mirrored else -self.turns % 4
        bare = Move(turns, self.mirrored, 1 / self.scale)
        dx, dy = (-bare.matrix @ (self.dx, self.dy)).tolist()
        return Move(turns, self.mirrored, 1 / self.scale, dx, dy)

    def shifted(self, dx: float, dy: float) -> Move:
        """The same with another shift instead."""
        return Move(self.turns, self.mirrored, self.scale, dx, dy)

    @property
    def words(self) -> str:
        """The move in words, to follow "this file, …, would fit".

        Examples
        --------
        >>> Move(dx=1.25, dy=-0.3).words
        'moved by dx +1.250 mm, dy -0.300 mm'
        >>> Move(mirrored=True, dx=100.0).words
        'mirrored left to right about x = 50.000 mm'
        >>> Move(turns=2, mirrored=True).words
        'mirrored top to bottom about y = 0.000 mm'
        >>> Move(turns=1).words
        'turned by 90° counter-clockwise about x = 0.000 mm, y = 0.000 mm'
        >>> Move(scale=1 / 25.4).words
        'divided by 25.4'
        """
        parts: list[str] = []
        dx, dy = self.dx, self.dy
        if self.scale != 1.0:
            parts.append(f"{'multiplied' if self.scale > 1 else 'divided'} by {_factor(self)}")
        # A mirror or a turn takes the shift into its axis or centre where it can.
        unscaled = self.scale == 1.0
        if self.mirrored and self.turns % 2:
            parts.append(f"mirrored left to right and turned by {90 * self.turns}°")
        elif self.mirrored and self.turns == 0:
            parts.append("mirrored left to right" + f" about x = {dx / 2:.3f} mm" * unscaled)
            dx = 0.0 if unscaled else dx
        elif self.mirrored:
            parts.append("mirrored top to bottom" + f" about y = {dy / 2:.3f} mm" * unscaled)
            dy = 0.0 if unscaled else dy
        elif self.turns:
            text = {1: "90° counter-clockwise", 2: "180°", 3: "90° clockwise"}[self.turns]
            if unscaled:
                x, y = np.linalg.solve(np.eye(2) - self.matrix, (dx, dy)).tolist()
                text += f" about x = {x + 0.0:.3f} mm, y = {y + 0.0:.3f} mm"
                dx = dy = 0.0
            parts.append(f"turned by {text}")
        if max(abs(dx), abs(dy)) >= SAME_PLACE or not parts:
            parts.append(f"moved by dx {dx:+.3f} mm, dy {dy:+.3f} mm")
        return " and ".join(parts)


def _factor(move: Move) -> str:
    return f"{max(move.scale, 1 / move.scale):g}"


@dataclass(frozen=True, slots=True)
class Fit:
    """What a move does: share of the ``count`` moving points on a target before and after."""

    move: Move
    before: float
    after: float
    count: int

    @property
    def telling(self) -> bool:
        """Whether the move explains a slip: it must bring most points home at one stroke."""
        least = 0.6 if self.count >= 8 else 0.8
        return (
            self.after >= least
            and self.after - self.before >= 0.3
            and round(self.after * self.count) >= 4
        )

    @property
    def beyond_doubt(self) -> bool:
        return self.telling and self.count >= 8 and self.after >= 0.8 and self.before <= 0.4


def distinct(points: Floats) -> Floats:
    """Points (n, 2) without repeats, ascending by x, then y."""
    # As complex numbers rows are compared in one go: real part first, then the other.
    once = np.unique(np.ascontiguousarray(points + 0.0).view(np.complex128))
    return once.view(np.float64).reshape(-1, 2)


def share(points: Floats, held: Points) -> float:
    """Share of points (n, 2) that have a target within ``SAME_PLACE``; 0 without points."""
    if len(points) == 0:
        return 0.0
    return float(np.isfinite(held.nearest(points, SAME_PLACE)[0]).mean())


def find_move(points: Floats, targets: Floats) -> Fit:
    """The move that brings most of the points onto targets.

    Parameters
    ----------
    points, targets : float64 (n, 2), (m, 2), mm

    Returns
    -------
    Fit
        With ``Move()`` where the points fit as they are or no move does better.

    Examples
    --------
    >>> lands = np.random.default_rng(7).uniform(0, 50, (60, 2))
    >>> fit = find_move((lands[:20] + (0.4, -0.2)) / 25.4, lands)
    >>> fit.move.words, fit.before, fit.after
    ('multiplied by 25.4 and moved by dx -0.400 mm, dy +0.200 mm', 0.0, 1.0)
    """
    if len(targets) == 0 or len(points) == 0:
        return Fit(Move(), 0.0, 0.0, len(points))
    held = Points(distinct(targets))
    before = share(points, held)
    if before >= 0.9:
        return Fit(Move(), before, before, len(points))
    sample = points[_spread(len(points), _SAMPLE)]
    best, best_share = Move(), before
    # Where half the points fit, only a grid slipped by whole steps is still to be asked for.
    bares = _hypotheses(points, targets) if before < 0.5 else [Move()]
    for bare in bares:
        for move in _offsets(bare, points, targets):
            move = _refined(move, sample, held)
            got = share(move(sample), held)
            if got > best_share + 0.02:
                best, best_share = move, got
        if best_share >= _CLEAR:
            break
    return Fit(best, before, max(before, share(best(points), held)), len(points))


def steady_offset(points: Floats, targets: Floats) -> tuple[float, float] | None:
    """The (dx, dy) by which nearly all points miss their targets, when it is small and the same.

    Offsets of more than 20 µm, and four times larger than their scatter; at least 8 points.
    """
    if len(points) < 8 or len(targets) == 0:
        return None
    targets = distinct(targets)
    away, to = Points(targets).nearest(points, SAME_PLACE)
    near = np.isfinite(away)
    if near.mean() < 0.9:
        return None
    vectors = targets[to[near]] - points[near]
    middle = np.median(vectors, axis=0)
    scatter = float(np.quantile(np.hypot(*(vectors - middle).T), 0.9))
    if np.hypot(*middle) <= 0.02 or scatter * 4 > np.hypot(*middle):
        return None
    return float(middle[0]), float(middle[1])


def _hypotheses(points: Floats, targets: Floats) -> list[Move]:
    """Moves without shift, the simpler first, whose size agrees with that of the targets."""
    size, room = (float(np.hypot(*np.ptp(p, axis=0))) for p in (points, targets))
    scales = [1.0] + [
        s for s in SCALES[1:] if _LEAST_EXTENT * room <= s * size <= 1.1 * room + SAME_PLACE
    ]
    plain = [Move(scale=s) for s in scales]
    turned = [Move(2, True), Move(0, True), Move(1), Move(3), Move(2), Move(1, True), Move(3, True)]
    return plain + [Move(m.turns, m.mirrored, s) for s in scales for m in turned]


def _spread(count: int, most: int) -> npt.NDArray[np.intp]:
    """Up to ``most`` row numbers, evenly spread."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).astype(np.intp))


def _offsets(bare: Move, points: Floats, targets: Floats) -> list[Move]:
    """Shifts that most vectors from a few points to all targets agree on, and none at all."""
    voters = bare(points[_spread(len(points), max(_LEAST, min(_VOTERS, _VOTES // len(targets))))])
    dx = np.subtract.outer(targets[:, 0], voters[:, 0]).ravel()
    dy = np.subtract.outer(targets[:, 1], voters[:, 1]).ravel()
    if len(dx) <= _FEW_VOTES:
        shifts = _densest(np.stack([dx, dy], axis=-1))
    else:
        shifts = [s for window in _peaks(dx, dy) for s in _densest(window)[:1]]
    if bare == Move():
        # The nearest targets tell a small slip, also where a regular pattern fits many times.
        some = points[_spread(len(points), _SAMPLE)]
        shifts = [*_densest(targets[Points(targets).nearest(some, np.inf)[1]] - some), *shifts]
    return [bare, *(bare.shifted(float(s[0]), float(s[1])) for s in shifts)]


def _peaks(dx: Floats, dy: Floats) -> list[Floats]:
    """The votes of the squares, two cells wide, that hold most of them."""
    left, low = float(dx.min()), float(dy.min())
    area = (float(dx.max()) - left) * (float(dy.max()) - low)
    cell = max(2 * SAME_PLACE, float(np.sqrt(area / _CELLS)))
    row = ((dx - left) / cell).astype(np.int32)
    column = ((dy - low) / cell).astype(np.int32)
    rows, columns = int(row.max()) + 2, int(column.max()) + 2
    key = row * np.int32(columns) + column
    count = np.bincount(key, minlength=rows * columns).reshape(rows, columns)
    four = (count[:-1, :-1] + count[1:, :-1] + count[:-1, 1:] + count[1:, 1:]).astype(np.float64)
    # Of windows equally full, the one with the smallest shift.
    i = np.abs(left + cell * np.arange(1, rows)) / (cell * rows + abs(left))
    j = np.abs(low + cell * np.arange(1, columns)) / (cell * columns + abs(low))
    four -= 0.1 * (i[:, None] + j[None, :])
    found: list[Floats] = []
    for _ in range(_PEAKS):
        a, b = divmod(int(four.argmax()), columns - 1)
        if four[a, b] < 1:
            break
        four[max(a - 1, 0) : a + 2, max(b - 1, 0) : b + 2] = 0
        first = a * columns + b
        cells = [key == first + more for more in (0, 1, columns, columns + 1)]
        mine = np.flatnonzero(np.logical_or.reduce(cells))
        found.append(np.stack([dx[mine], dy[mine]], axis=-1))
    return found


def _densest(votes: Floats) -> list[Floats]:
    """Centres of the fullest circles of radius ``SAME_PLACE``: fullest, then nearest, first."""
    votes = votes[_spread(len(votes), _FEW_VOTES)]
    held = Points(votes)
    count = held.count(votes, SAME_PLACE)
    centres: list[Floats] = []
    order = np.lexsort((np.hypot(votes[:, 0], votes[:, 1]), -count))
    for k in order[: 100 * _PEAKS].tolist():
        if all(np.hypot(*(votes[k] - c)) > 2 * SAME_PLACE for c in centres):
            centres.append(np.median(votes[held.within(votes[k], SAME_PLACE)], axis=0))
        if len(centres) == _PEAKS:
            break
    return centres


def _refined(move: Move, points: Floats, held: Points) -> Move:
    """The shift made as good as the middle of all vectors that are left."""
    moved = move(points)
    away, to = held.nearest(moved, 2 * SAME_PLACE)
    near = np.isfinite(away)
    if not near.any():
        return move
    dx, dy = np.median(held.xy[to[near]] - moved[near], axis=0).tolist()
    # A shift within rounding is none: the move about the origin stays as it is.
    if move.dx == move.dy == 0.0 and np.hypot(dx, dy) < SAME_PLACE / 2:
        return move
    return move.shifted(move.dx + dx, move.dy + dy)
