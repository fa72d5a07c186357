"""Collects hits, bulk or one by one, in file order."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from dfmcheck.formats.records import Floats, HitKind, Hits, Ints

_NAN = float("nan")
_DTYPES = [f.metadata["dtype"] for f in fields(Hits)]
Row = tuple[int, float, float, float, float, float, float, bool, int, int, int]


class Sink:
    """Grows a :class:`Hits` table."""

    def __init__(self) -> None:
        self._done: list[Hits] = []
        self._rows: list[Row] = []
        self.count = 0

    def hit(self, x: float, y: float, tool: int, line: int) -> None:
        self._rows.append((HitKind.HIT, x, y, x, y, _NAN, _NAN, False, tool, -1, line))
        self.count += 1

    def piece(
        self,
        kind: HitKind,
        ends: tuple[float, float, float, float],
        tool: int,
        path: int,
        line: int,
        centre: tuple[float, float] = (_NAN, _NAN),
        clockwise: bool = False,
    ) -> None:
        """A slot or a routed piece."""
        self._rows.append((kind, *ends, *centre, clockwise, tool, path, line))
        self.count += 1

    def many(
        self,
        kind: HitKind,
        ends: tuple[Floats, Floats, Floats, Floats],
        tool: int,
        path: int,
        lines: Ints,
    ) -> None:
        """Hits or straight routed pieces in bulk."""
        self._flush()
        n = len(lines)
        nothing = np.full(n, np.nan)
        self._done.append(
            Hits(
                np.full(n, kind, dtype=np.uint8),
                *ends,
                nothing,
                nothing,
                np.zeros(n, dtype=np.bool_),
                np.full(n, tool, dtype=np.int32),
                np.full(n, path, dtype=np.int32),
                lines.astype(np.int32),
            )
        )
        self.count += n

    def repeat_last(self, count: int, dx: float, dy: float, line: int) -> None:
        """Copy the last row, a hit or a slot, each copy offset from the one before."""
        if not self._rows:
            columns = (getattr(self._done[-1], f.name)[-1].item() for f in fields(Hits))
            last: Row = tuple(columns)
        else:
            last = self._rows[-1]
        kind, x0, y0, x1, y1, _, _, _, tool, path, _ = last
        n = np.arange(1, count + 1, dtype=np.float64)
        ends = (x0 + n * dx, y0 + n * dy, x1 + n * dx, y1 + n * dy)
        self.many(HitKind(kind), ends, tool, path, np.full(count, line, dtype=np.int32))

    def append(self, table: Hits) -> None:
        self._flush()
        self._done.append(table)
        self.count += len(table)

    def _flush(self) -> None:
        if self._rows:
            columns = zip(*self._rows, strict=True)
            self._done.append(
                Hits(*(np.array(c, dtype=d) for c, d in zip(columns, _DTYPES, strict=True)))
            )
            self._rows = []

    def table(self) -> Hits:
        self._flush()
        self._done = [Hits.concat(self._done)]
        return self._done[0]


def shift(rows: Hits, dx: Floats, dy: Floats) -> Hits:
    return replace(
        rows,
        x0=rows.x0 + dx,
        y0=rows.y0 + dy,
        x1=rows.x1 + dx,
        y1=rows.y1 + dy,
        cx=rows.cx + dx,
        cy=rows.cy + dy,
    )


def turn(rows: Hits, code: str) -> Hits:
    """M70 swaps the axes, M80 negates x, M90 negates y; each turns arcs round."""
    turned = ~rows.clockwise
    if code == "M70":
        return replace(
            rows,
            x0=rows.y0,
            y0=rows.x0,
            x1=rows.y1,
            y1=rows.x1,
            cx=rows.cy,
            cy=rows.cx,
            clockwise=turned,
        )
    if code == "M80":
        return replace(rows, x0=-rows.x0, x1=-rows.x1, cx=-rows.cx, clockwise=turned)
    return replace(rows, y0=-rows.y0, y1=-rows.y1, cy=-rows.cy, clockwise=turned)
