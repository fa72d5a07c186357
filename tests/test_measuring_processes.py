"""Measuring in several processes: each measures the board it was started for."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from dfmcheck import screen as screening
from dfmcheck.board.assemble import build
from dfmcheck.intake import open_package
from dfmcheck.screen import screen

SAMPLES = Path(__file__).parents[1] / "sample_boards"


def test_workers_have_the_board_they_were_started_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever another thread of the same program screens meanwhile."""
    alone = screen(SAMPLES / "tide-logger-planted", workers=1)

    class AfterAnother(ProcessPoolExecutor):
        def __init__(self, *given: Any, **named: Any) -> None:
            super().__init__(*given, **named)
            other = build(open_package(SAMPLES / "tide-logger-clean"))
            screening._BOARD, screening._CHECKS = other

    monkeypatch.setattr(screening, "_SMALL", 0)
    monkeypatch.setattr(screening, "ProcessPoolExecutor", AfterAnother)
    monkeypatch.setattr(screening, "_BOARD", None)
    monkeypatch.setattr(screening, "_CHECKS", None)
    shared = screen(SAMPLES / "tide-logger-planted", workers=2)
    assert shared.defects == alone.defects and shared.facts == alone.facts
    for name in ("rule", "layer", "kind", "line_a"):
        assert shared.places[name].tolist() == alone.places[name].tolist()
    assert len(alone.places) > 100
