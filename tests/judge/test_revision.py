"""Matching the findings of two revisions."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from shop_parts import RULES, SPACING, screening, shop, spacings

from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement
from dfmcheck.judge.revision import compare_revisions, datum_shift
from dfmcheck.measure.places import Places

RNG = np.random.default_rng(11)
X, Y = RNG.uniform(0, 80, 40).round(3), RNG.uniform(0, 50, 40).round(3)
VALUES = (0.02 + 0.002 * np.arange(40)).round(4)
LAYERS = np.array([f"conductor-{n % 4 + 1}" for n in range(40)], dtype=object)
"""Few enough on each layer that every spot is a finding of its own."""


def judged(places: Places) -> Judgement:
    return judge(screening(places), shop(SPACING), rules=RULES)


def board(rows: slice = slice(None), dx: float = 0.0, dy: float = 0.0, **more: object) -> Places:
    given = {"x": X[rows] + dx, "y": Y[rows] + dy, "layer": LAYERS[rows], **more}
    return spacings(VALUES[rows], **given)


def states(old: Places, new: Places) -> Counter[str]:
    revision = compare_revisions(judged(old), judged(new), RULES)
    return Counter(change.state for change in revision.findings)


def test_an_unrelated_edit_keeps_every_fingerprint() -> None:
    """Also where the edit renumbers the nets nobody named."""
    old = board(net_a=[f"net {n}" for n in range(40)])
    new = Places.concat([
        board(net_a=[f"net {n + 3}" for n in range(40)]), spacings([0.011], x=[90.0], y=[60.0]),
    ])  # fmt: skip
    before = {f.fingerprint for f in judged(old).findings}
    after = {f.fingerprint for f in judged(new).findings}
    assert before < after and len(after - before) == 1
    assert states(old, new) == {"same": len(before), "new": 1}


@pytest.mark.parametrize("shift", [(4.2, -7.7), (0.0135, 0.0), (-112.4408, 31.0002)])
def test_a_moved_datum_is_found_and_every_finding_with_it(shift: tuple[float, float]) -> None:
    old, new = board(), board(dx=shift[0], dy=shift[1])
    found, agreed = datum_shift(screening(old), screening(new))
    assert found == pytest.approx(shift, abs=1e-4)
    assert agreed is not None and agreed > 0.9
    assert set(states(old, new)) == {"same"}


def test_a_few_moved_parts_do_not_move_the_datum() -> None:
    x = X.copy()
    x[:12] += 3.0
    found, agreed = datum_shift(screening(board()), screening(board(x=x)))
    assert found == (0.0, 0.0)
    assert agreed == pytest.approx(28 / 40)


def test_too_little_in_common_is_said() -> None:
    assert datum_shift(screening(board(slice(0, 2))), screening(board(slice(20, 22)))) == (
        (0.0, 0.0), None,
    )  # fmt: skip


def test_new_gone_worse_better_and_moved_are_told_apart() -> None:
    old = board()
    values, x = VALUES.copy(), X.copy()
    values[0] -= 0.01  # worse
    values[1] += 0.013  # better
    x[2] += 0.7  # moved
    keep = np.arange(40) != 3  # gone
    changed = spacings(values[keep], x=x[keep], y=Y[keep], layer=LAYERS[keep])
    new = Places.concat([changed, spacings([0.0115], x=[95.0], y=[70.0])])
    revision = compare_revisions(judged(old), judged(new), RULES)
    got = {c.state: c for c in revision.findings if c.state != "same"}
    assert Counter(c.state for c in revision.findings)["same"] == len(judged(old).findings) - 4
    assert got["worse"].old is not None and got["worse"].old.measured == pytest.approx(0.02)
    assert got["better"].new is not None
    assert got["better"].new.measured == pytest.approx(VALUES[1] + 0.013)
    assert got["moved"].distance == pytest.approx(0.7, abs=1e-3)
    assert got["gone"].old is not None and got["gone"].old.x == pytest.approx(X[3])
    assert got["new"].new is not None and got["new"].new.x == 95.0


def test_a_change_within_the_uncertainty_is_none() -> None:
    old = board(uncertainty=0.0006)
    new = replace_values(old, VALUES - 0.001)
    assert set(states(old, new)) == {"same"}
    assert set(states(old, replace_values(old, VALUES - 0.0015))) == {"worse"}


def replace_values(places: Places, values: np.ndarray) -> Places:
    return Places({**places.columns, "value": values})


def test_a_row_of_equal_places_is_matched_by_any_of_them() -> None:
    """A row is one finding, placed at its worst; another may lead it after an edit."""
    x = np.arange(12) * 5.0
    old = spacings(np.full(12, 0.09), x=x)
    new = spacings(np.append(np.full(12, 0.09), 0.08995), x=np.append(x, 80.0))
    (change,) = compare_revisions(judged(old), judged(new), RULES).findings
    assert (change.state, change.finding.count) == ("worse", 13)


def test_every_finding_is_told_exactly_once() -> None:
    old = board()
    new = board(slice(5, None), dx=0.3)
    a, b = judged(old), judged(new)
    changes = compare_revisions(a, b, RULES).findings
    assert Counter(id(c.old) for c in changes if c.old) == Counter(id(f) for f in a.findings)
    assert Counter(id(c.new) for c in changes if c.new) == Counter(id(f) for f in b.findings)


@pytest.mark.parametrize(("layers", "state"), [((2,), "worse"), ((1, 2), "worse"), ((3,), "new")])
def test_a_hole_of_several_layers_is_the_same_whichever_is_the_worst(
    layers: tuple[int, ...], state: str
) -> None:
    rule = "drill.hole-to-copper"
    made = {**RULES, rule: replace(RULES[rule], through=True)}
    text = f'[limits."{rule}"]\nstandard = 0.2\nfine = 0.15\n'

    def judged_on(values: list[float], on: tuple[int, ...]) -> Judgement:
        names = [f"conductor-{n}" for n in on]
        x = [5.0 + 0.05 * n for n in on]
        rows = spacings(values, x=x, rule=rule, layer=np.array(names, dtype=object), plated=0)
        return judge(screening(rows), shop(text), rules=made)

    old = judged_on([0.12, 0.13], (1, 2))
    new = judged_on([0.12, 0.1][-len(layers) :], layers)
    revision = compare_revisions(old, new, made)
    assert state in [change.state for change in revision.findings]
    assert len(revision.findings) == (2 if state == "new" else 1)


def test_severity_counts_before_value() -> None:
    a, b = judged(board(slice(0, 1))), judged(board(slice(0, 1)))
    lighter = replace(b, findings=tuple(replace(f, severity="query") for f in b.findings))
    assert compare_revisions(a, lighter, RULES).findings[0].state == "better"
    assert compare_revisions(lighter, a, RULES).findings[0].state == "worse"
