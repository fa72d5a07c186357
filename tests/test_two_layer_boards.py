"""A board without inner layers lacks nothing there."""

from __future__ import annotations

from pathlib import Path

from benchmarks.fleet.make_packages import STYLES, Board, chips, files
from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules


def test_rules_of_inner_layers_raise_no_doubt_on_two_layers(tmp_path: Path) -> None:
    import random

    board = Board(44.0, 31.0, 2, 0.05, {1: [], 2: []})
    for row in range(3):
        chips(board, 1.0, 3.0 + 9 * row, random.Random(STYLES[0].name), 0.2, 0.2, (0.7, 0.3))
    for name, content in files(board, "two-layers", []).items():
        (tmp_path / name).write_bytes(content)
    shop = load_shop("volume")
    screening = orchestrator.screen(tmp_path, reach=shop.limit_reach(), workers=1)
    judgement = judge(screening, shop, rules=rules())
    assert len(screening.facts.layers) == 2
    assert not [reason for reason in judgement.reasons if "not measured" in reason]
