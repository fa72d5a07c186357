"""A finding of very many places counts all of them and lists the worst, and says so."""

from __future__ import annotations

import numpy as np
import pytest

from dfmcheck.judge import judge, writing
from dfmcheck.judge.finding import Finding, Verdict
from tests.judge.shop_parts import RULES, screening, shop, spacings

N = 3_000


def _finding() -> tuple[Finding, Verdict]:
    values = np.random.default_rng(2).uniform(0.01, 0.09, N)
    judgement = judge(screening(spacings(values, code_a=10)), shop(), rules=RULES)
    (finding,) = judgement.findings
    return finding, judgement.verdict


@pytest.mark.parametrize("most", [N, N - 1, 100])
def test_the_worst_are_listed_and_all_are_counted(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, verdict = _finding()
    monkeypatch.setattr(writing, "MOST_LISTED", most)
    cut, after = _finding()
    assert after is verdict is Verdict.HOLD
    assert (cut.count, cut.bbox, cut.fingerprint) == (N, whole.bbox, whole.fingerprint)
    assert cut.places == whole.places[:most]
    assert max(p[2] for p in cut.places) <= min((p[2] for p in whole.places[most:]), default=1.0)
    said = f"the list of places is cut: it holds the {most:,} worst of {N:,}"
    assert (said in cut.message) == (most < N)
