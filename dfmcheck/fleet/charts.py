"""Charts as inline SVG: bars and curves, drawn without scripts.

Colours are classes that the page's style fills in; every part carries its number as text, so
that nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

_WIDTH = 720.0
_ROW, _BAR = 26.0, 16.0
_LABEL = 230.0
_PLOT = (420.0, 150.0)
_MARGIN = (44.0, 14.0, 26.0, 34.0)  # left, top, right, bottom


def bars(
    rows: Sequence[tuple[str, Sequence[tuple[str, float]]]], name: str, most: float | None = None
) -> str:
    """Stacked horizontal bars; each row has a label and parts of (class, value).

    ``most`` is the value of the full width; the largest row's sum when left out.
    """
    full = most or max((sum(v for _, v in parts) for _, parts in rows), default=0.0) or 1.0
    room = _WIDTH - _LABEL - 60
    body = []
    for n, (label, parts) in enumerate(rows):
        y = n * _ROW + 5
        body.append(
            f'<text class="label" x="{_LABEL - 10:g}" y="{y + 12:.1f}">{escape(label)}</text>'
        )
        x = _LABEL
        for kind, value in parts:
            if value <= 0:
                continue
            width = max(value / full * room, 1.0)
            body.append(
                f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
                f'height="{_BAR:g}"><title>{escape(label)}: {kind} {value:g}</title></rect>'
            )
            if width > 9.0 * len(f"{value:g}") + 4:
                body.append(
                    f'<text class="in" x="{x + width / 2:.1f}" y="{y + 12:.1f}">{value:g}</text>'
                )
            x += width
        total = sum(v for _, v in parts)
        body.append(f'<text class="total" x="{x + 6:.1f}" y="{y + 12:.1f}">{total:g}</text>')
    return _svg(_WIDTH, len(rows) * _ROW + 6, name, body)


def curve(
    steps: Sequence[tuple[float, int]], now: float, at_most: bool, unit: str, name: str
) -> str:
    """Jobs let in as a limit moves from ``now``, along ``steps`` of (value, jobs by then)."""
    left, top, right, bottom = _MARGIN
    w, h = _PLOT
    end = steps[-1][0]
    reach = (end - now) * 1.08 if end != now else (1.0 if at_most else -now or -1.0)
    most = steps[-1][1]

    def px(value: float) -> float:
        return left + min(max((value - now) / reach, 0.0), 1.0) * (w - left - right)

    def py(jobs: float) -> float:
        return top + (1 - jobs / most) * (h - top - bottom)

    path = [f"M{px(now):.1f} {py(0):.1f}"]
    for value, jobs in steps:
        path.append(f"H{px(value):.1f}V{py(jobs):.1f}")
    path.append(f"H{px(now + reach):.1f}")
    body = [
        f'<path class="axis" d="M{left:g} {top:g}V{h - bottom:.1f}H{w - right:.1f}"/>',
        f'<path class="curve" d="{"".join(path)}"/>',
    ]
    for part in (0.0, 0.5, 1.0):
        value = now + part * reach
        anchor = "start" if part == 0 else "end" if part == 1 else "middle"
        text = f"{value:.3f} mm" if unit == "mm" else f"{value:.4g}"
        words = f"now {text}" if part == 0 else text
        body.append(
            f'<text class="tick" text-anchor="{anchor}" x="{px(value):.1f}" '
            f'y="{h - bottom + 16:.1f}">{escape(words)}</text>'
        )
    body += [
        f'<text class="tick" text-anchor="end" x="{left - 6:g}" y="{py(jobs) + 4:.1f}">'
        f"{jobs}</text>"
        for jobs in sorted({0, most // 2, most})
    ]
    return _svg(w, h, name, body)


def _svg(width: float, height: float, name: str, body: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {width:g} {height:g}" width="{width:g}" role="img" '
        f'aria-label="{escape(name)}">{"".join(body)}</svg>'
    )
