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
    ids = dict.fromkeys(run.rule for run in blocking)
    past = {id_: _past([run for run in blocking if run.rule == id_], places) for id_ in ids}
    for n, fit in enumerate(fits):
        if fit.fits or not fit.places:
            continue
        blockers: list[Blocker] = []
        spots: list[_Spots] = []
        unknown = tuple(id_ for id_, count in fit.places.items() if not count)
        for id_ in fit.places:
            if id_ not in past or not past[id_].fails[n].any():
                continue
            mine = _spots(past[id_], n)
            spots.append(mine)
            blockers.append(
                Blocker(
                    rule=id_,
                    changes=mine.spots,
                    places=mine.places,
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


@dataclass(frozen=True)
class _Past:
    """Places of one rule past a limit of some tier, on all layers."""

    rule: str
    layers: npt.NDArray[Any]  # text, by run
    run: Rows  # which layer
    key: Rows  # places may be joined where it is the same
    row: Rows
    x: Floats  # middle of the measured line
    y: Floats
    value: Floats
    limits: Floats  # (tiers, places)
    fails: npt.NDArray[np.bool_]  # (tiers, places)


def _past(runs: Sequence[Blocking], places: Places) -> _Past:
    row = np.concatenate([run.row for run in runs])
    run = np.repeat(np.arange(len(runs)), [len(run.row) for run in runs])
    x, x2, y, y2 = (places[name].take(row) for name in ("x", "x2", "y", "y2"))
    group = np.unique(places["group"].take(row), return_inverse=True)[1]
    return _Past(
        runs[0].rule,
        np.array([run.layer for run in runs], dtype=object),
        run,
        np.unique(run * (int(group.max()) + 1) + group, return_inverse=True)[1],
        row,
        (x + x2) / 2,
        (y + y2) / 2,
        np.concatenate([run.value for run in runs]),
        np.concatenate([run.limits for run in runs], axis=1),
        np.concatenate([run.fails for run in runs], axis=1),
    )


@dataclass(frozen=True)
class _Spots:
    """Spots of one rule: how many, with how many places; and of the worst, worst first, layer,
    row and numbers of the worst place, and how many places each has."""

    rule: str
    spots: int
    places: int
    layer: npt.NDArray[Any]
    row: Rows
    value: Floats
    limit: Floats
    count: Rows


def _spots(past: _Past, tier: int) -> _Spots:
    """Places of one rule that lie together on one layer are one spot."""
    fails = np.flatnonzero(past.fails[tier])
    run, key, x, y = (
        past.run.take(fails), past.key.take(fails), past.x.take(fails), past.y.take(fails)
    )  # fmt: skip
    value, limit = past.value.take(fails), past.limits[tier].take(fails)
    # to the tenth of a micrometre, so that equal places rank by where they are, not by noise
    x4, y4, past_by = x.round(4), y.round(4), -np.abs(limit - value).round(6)
    if (np.bincount(key) < 2).all():  # nothing may be joined
        head, count = np.arange(len(key)), np.ones(len(key), dtype=np.int64)
    else:
        label = chains(key, x, y, REACH)
        head = _least_of_each(label, past_by, x4, y4)
        count = np.bincount(label)[label[head]]
    spots, joined = len(head), len(fails)
    if spots > LISTED:
        far = past_by[head]
        some = np.flatnonzero(far <= np.partition(far, LISTED)[LISTED])
        head, count = head[some], count[some]
    order = np.lexsort((y4[head], x4[head], run[head], past_by[head]))
    head, count = head[order], count[order]
    return _Spots(
        past.rule, spots, joined,
        past.layers[run[head]], past.row[fails[head]], value[head], limit[head], count,
    )  # fmt: skip


def _least_of_each(label: Rows, *columns: Floats) -> Rows:
    """First row of each label in the order of the columns, by label.

    >>> _least_of_each(np.array([1, 0, 1, 1]), np.array([2, 5, 1, 1]), np.array([0, 0, 4, 3]))
    array([1, 3])
    """
    rows = np.argsort(label, kind="stable")
    for column in columns:
        first = np.flatnonzero(np.diff(label[rows], prepend=-1))
        given = np.nan_to_num(column[rows], nan=np.inf)
        least = np.minimum.reduceat(given, first)
        rows = rows[given == np.repeat(least, np.diff(np.append(first, len(rows))))]
    return rows[np.flatnonzero(np.diff(label[rows], prepend=-1))]


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
