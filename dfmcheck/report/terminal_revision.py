"""What changed between two revisions, on a terminal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.judge.artwork import NARROWEST, LayerChange, extent
from dfmcheck.judge.finding import Judgement
from dfmcheck.judge.revision import STATES, FindingChange, Revision
from dfmcheck.report.look import STYLES, Heading, hanging, inset, mark
from dfmcheck.report.text import CAUTION, finite, message_alone, pair, plain, plural

STATE_WORDS = {
    "new": "in the new revision only",
    "worse": "heavier, further past the limit, or at more places",
    "moved": "the same elsewhere",
    "better": "lighter, nearer to the limit, or at fewer places",
    "gone": "in the old revision only",
    "same": "as before",
}
_SHOWN, _HOLES = 5, 10


def render_revision(revision: Revision, console: Console, *, limit: int | None = _SHOWN) -> None:
    """Print the comparison; ``limit`` findings per state, None for all."""
    for title, judgement in (("old", revision.old), ("new", revision.new)):
        console.print(_side(title, judgement, console))
    console.print(inset(Text(f"shop {plain(revision.new.shop)}, tier {revision.new.tier}", "dim")))
    console.print(inset(Text(datum_words(revision), "dim")))
    console.print()
    console.print(Heading("findings", plural(len(revision.findings), "finding")))
    grid = Table.grid(padding=(0, 2, 0, 0))
    for state in STATES:
        grid.add_row(str(revision.count(state)), state, Text(STATE_WORDS[state], "dim"))
    console.print(inset(grid))
    for state in STATES:
        here = [change for change in revision.findings if change.state == state]
        if not here or (state == "same" and limit is not None):
            continue
        console.print()
        console.print(Heading(state, plural(len(here), "finding")))
        for change in here[:limit]:
            _finding(change, console)
        if limit is not None and len(here) > limit:
            told = f"… {len(here) - limit} more; --all lists them"
            console.print(inset(Text(told, "dim"), 4))
    _artwork(revision, console, limit)
    console.print()
    console.print(inset(Text(CAUTION, "italic")))


def _side(title: str, judgement: Judgement, console: Console) -> Text:
    kind = str(judgement.verdict)
    count = plural(len(judgement.findings), "finding")
    return Text.assemble(
        (f"{title}  ", "dim"), mark(kind, console), " ", (kind.upper(), STYLES[kind]),
        f"  {plain(judgement.screening.package)}, {count}",
    )  # fmt: skip


def datum_words(revision: Revision) -> str:
    """What is known of the two datums, as one phrase."""
    if revision.agreed is None:
        return "too little is common to both to tell whether the datum moved; taken as unmoved"
    share = f"{revision.agreed:.0%} of the measurements found in both agree"
    if revision.shift == (0.0, 0.0):
        return f"the datum did not move ({share})"
    x, y = revision.shift
    return f"the datum moved: old places lie {x:+.4f}, {y:+.4f} mm on the new one ({share})"


def change_words(change: FindingChange) -> str:
    """How the numbers of a finding changed, "" where they did not or there is only one side."""
    old, new = change.old, change.new
    if old is None or new is None:
        return ""
    parts = []
    if old.severity != new.severity:
        parts.append(f"{old.severity} before")
    was, is_ = finite(old.measured), finite(new.measured)
    if was is not None and is_ is not None and abs(was - is_) > 1e-9:
        parts.append(f"{pair(was, is_, new.unit)[0]} before")
    if old.count != new.count:
        parts.append(f"{plural(old.count, 'place')} before")
    if change.distance is not None and change.distance >= 0.0005:
        parts.append(f"{change.distance:.3f} mm away")
    return ", ".join(parts)


def _finding(change: FindingChange, console: Console) -> None:
    finding = change.finding
    kind = finding.severity if finding.waived is None else "waived"
    text = Text.assemble((finding.rule, "bold"), f"  {message_alone(finding)}")
    if finding.x is not None and finding.y is not None:
        text.append(f"\nat {finding.x:.3f}, {finding.y:.3f} mm  {finding.fingerprint}", "dim")
    if words := change_words(change):
        text.append(f"\n{words}")
    console.print(hanging(mark(kind, console), text))


def _artwork(revision: Revision, console: Console, limit: int | None) -> None:
    console.print()
    seen = f"changes narrower than {NARROWEST:.3f} mm are not seen"
    console.print(Heading("artwork", seen))
    if revision.layers is None:
        told = "not compared: a screening keeps no drawing; screen again with --save"
        console.print(hanging(mark("query", console), Text(told)))
        return
    if not revision.layers and not revision.holes and not revision.profile_changed:
        console.print(inset(Text("no change in any layer, hole or the profile")))
        return
    if revision.layers:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for heading in ("layer", "added mm²", "areas", "removed mm²", "areas", "within mm"):
            right = heading not in ("layer", "within mm")
            table.add_column(heading, justify="right" if right else "left", overflow="fold")
        for layer in revision.layers:
            table.add_row(*_layer(layer))
        console.print(inset(table))
    if revision.profile_changed:
        console.print(hanging(mark("query", console), Text("the profile is another line")))
    _holes(revision, console, limit)


def _layer(layer: LayerChange) -> Sequence[str]:
    box = extent([*layer.added, *layer.removed])
    within = "" if box is None else "{:.2f}, {:.2f} to {:.2f}, {:.2f}".format(*np.round(box, 2))
    only = f" (only in the {layer.only} revision)" if layer.only else ""
    return (
        plain(layer.layer) + only,
        f"{layer.added_area:.4f}", str(len(layer.added)),
        f"{layer.removed_area:.4f}", str(len(layer.removed)), within,
    )  # fmt: skip


def _holes(revision: Revision, console: Console, limit: int | None) -> None:
    if not revision.holes:
        return
    counts: dict[str, int] = {}
    for hole in revision.holes:
        counts[hole.state] = counts.get(hole.state, 0) + 1
    console.print(inset(Text("holes: " + ", ".join(f"{n} {s}" for s, n in counts.items()))))
    shown = revision.holes if limit is None else revision.holes[:_HOLES]
    for hole in shown:
        sizes = [f"Ø {size:.3f}" for size in (hole.old, hole.new) if size]
        sizes = list(dict.fromkeys(sizes))
        kind = "slot" if hole.slot else "hole"
        told = f"{hole.state} {kind} {' to '.join(sizes)} mm at {hole.x:.3f}, {hole.y:.3f} mm"
        console.print(hanging(mark("none", console), Text(told)))
    if len(shown) < len(revision.holes):
        more = f"… {len(revision.holes) - len(shown)} more; --all lists them"
        console.print(inset(Text(more, "dim"), 4))
