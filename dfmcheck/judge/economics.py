"""Tier economics: what would have to change for a tier to take the board.

Worked out from the measurements alone. Places that lie together are one change, as one edit
settles them; each spot is a change of its own even where many are alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Shop
from dfmcheck.judge.chains import chains
from dfmcheck.judge.cluster import REACH
from dfmcheck.judge.finding import Blocker, Change, TierFit, ToReach
from dfmcheck.judge.limits import Floats, Rows
from dfmcheck.judge.segments import Blocking
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule

LISTED = 100
"""Changes listed per tier; all are counted."""


def to_reach(
    blocking: Sequence[Blocking], places: Places, shop: Shop, fits: Sequence[TierFit],
    rules: Mapping[str, Rule],
) -> tuple[ToReach, ...]:  # fmt: skip
    """What keeps the board out of each tier that does not take it.

    Parameters
    ----------
    blocking : sequence of Blocking
        Runs of places past a limit of some tier, one rule and layer each.
    places : Places
    shop : Shop
    fits : sequence of TierFit
        One per tier, in the shop's order.
    rules : mapping of rule id to Rule
    """
    out = []
    first = next((n for n, fit in enumerate(fits) if fit.fits), len(fits))
    for n, fit in enumerate(fits):
        if fit.fits or not fit.places:
            continue
        blockers: list[Blocker] = []
        spots: list[_Spots] = []
        unknown = tuple(id_ for id_, count in fit.places.items() if not count)
        for id_ in fit.places:
            runs = [run for run in blocking if run.rule == id_ and run.fails[n].any()]
            if not runs:
                continue
            mine = _spots(runs, n, places)
            spots.append(mine)
            blockers.append(
                Blocker(
                    rule=id_,
                    changes=len(mine.short),
                    places=int(mine.count.sum()),
                    value=float(mine.value[0]),
                    limit=float(mine.limit[0]),
                    unit=rules[id_].unit,
                    alone=_alone(id_, fits),
                )
            )
        order = sorted(range(len(spots)), key=lambda k: (blockers[k].changes, blockers[k].rule))
        out.append(
            ToReach(
                tier=fit.tier,
                changes=sum(b.changes for b in blockers),
                places=sum(b.places for b in blockers),
                blockers=tuple(blockers[k] for k in order),
                listed=_listed([spots[k] for k in order], places, rules),
                unknown=unknown,
                next_down=n == first - 1,
            )
        )
    return tuple(out)


def _alone(id_: str, fits: Sequence[TierFit]) -> str:
    """The least demanding tier that nothing but this rule keeps the board out of, "" where a
    tier no more demanding takes it already."""
    for fit in fits:
        if fit.fits:
            return ""
        if fit.places.keys() == {id_} and fit.places[id_]:
            return fit.tier
    return ""


@dataclass(frozen=True, slots=True)
class _Spots:
    """Spots of one rule, worst first: row of the worst place, how far past, and so on."""

    rule: str
    layer: npt.NDArray[Any]
    row: Rows
    value: Floats
    limit: Floats
    short: Floats
    count: Rows


def _spots(runs: Sequence[Blocking], tier: int, places: Places) -> _Spots:
    """Places of one rule that lie together on one layer are one spot."""
    fails = [run.fails[tier] for run in runs]
    row = np.concatenate([run.row[f] for run, f in zip(runs, fails, strict=True)])
    value = np.concatenate([run.value[f] for run, f in zip(runs, fails, strict=True)])
    limit = np.concatenate([run.limits[tier][f] for run, f in zip(runs, fails, strict=True)])
    run_of = np.repeat(np.arange(len(runs)), [int(f.sum()) for f in fails])
    x = (places["x"][row] + places["x2"][row]) / 2
    y = (places["y"][row] + places["y2"][row]) / 2
    short = np.abs(limit - value)
    head, count = _heads(run_of, places["group"][row], x, y, short)
    # to the tenth of a micrometre, so that equal places rank by where they are, not by noise
    order = np.lexsort((y[head].round(4), x[head].round(4), run_of[head], -short[head].round(6)))
    head, count = head[order], count[order]
    layers = np.array([run.layer for run in runs], dtype=object)
    return _Spots(
        runs[0].rule, layers[run_of[head]], row[head], value[head], limit[head], short[head], count
    )


def _heads(run: Rows, group: Rows, x: Floats, y: Floats, short: Floats) -> tuple[Rows, Rows]:
    """Worst row of each spot, and the number of places in it."""
    key = run * (int(group.max()) - int(group.min()) + 1) + group - int(group.min())
    ordered = np.sort(key)
    if (ordered[1:] != ordered[:-1]).all():  # nothing may be joined
        return np.arange(len(key)), np.ones(len(key), dtype=np.int64)
    label = chains(key, x, y, REACH)
    order = np.lexsort((y.round(4), x.round(4), -short.round(6), label))
    first = np.flatnonzero(np.diff(label[order], prepend=-1))
    return order[first], np.diff(np.append(first, len(order)))


def _listed(
    spots: Sequence[_Spots], places: Places, rules: Mapping[str, Rule]
) -> tuple[Change, ...]:
    out: list[Change] = []
    for mine in spots:
        for k in range(min(len(mine.row), LISTED - len(out))):
            row = mine.row[k]
            x = float(places["x"][row] + places["x2"][row]) / 2
            y = float(places["y"][row] + places["y2"][row]) / 2
            placed = bool(np.isfinite(x) and np.isfinite(y))
            out.append(
                Change(
                    rule=mine.rule,
                    layer=str(mine.layer[k]),
                    x=x if placed else None,
                    y=y if placed else None,
                    value=float(mine.value[k]),
                    limit=float(mine.limit[k]),
                    unit=rules[mine.rule].unit,
                    places=int(mine.count[k]),
                )
            )
    return tuple(out)
