"""Plants on a sample board: found past the limit, at their place; inside it nothing is told."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchmarks.defects import __main__ as command
from benchmarks.defects.plant import Aim, NoPlace, Planter
from benchmarks.defects.planters import planters
from benchmarks.defects.run import aims
from benchmarks.defects.score import Result, judge_plant
from benchmarks.defects.site import BOARDS, Site, look, plants_shop

SAMPLES = Path(__file__).parents[2] / "sample_boards"
KINDS = (
    "neck-in-conductor", "two-voltages", "voltage-across-third-net", "voltage-of-no-net",
    "conductor-beside-score", "unit-left-out", "netlist-without-unit",
    "plating-unsaid", "tool-never-used", "block-drawn-twice", "via-without-hole",
    "signature-that-fails", "crossed-cut-out",
)  # fmt: skip
TRIED = ("2 µm past", "2 µm inside", "planted", "harmless")


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DFMCHECK_BOARDS", str(SAMPLES))
        yield Site("tide-logger-clean", plants_shop())


def tried(kind: Planter, site: Site, number: int, aim: Aim) -> Result:
    for seed in range(20):
        try:
            plant = kind.plant(site, np.random.default_rng(seed), aim)
            break
        except NoPlace:
            continue
    else:
        pytest.fail("no place on the sample board")
    again = kind.plant(site, np.random.default_rng(seed), aim)
    assert again.digest() == plant.digest()
    files = {**site.files, **{k: v for k, v in plant.files.items() if v is not None}}
    result = Result(kind.name, kind.rule, site.name, number, aim.size, aim.past, "")
    found = look(files, site.shop, plant.voltages).findings
    judge_plant(result, plant, found, site.base, plant.origin or site.origin, site.origin)
    return result


@pytest.mark.parametrize("name", KINDS)
def test_a_plant_is_found_and_its_harmless_neighbour_is_not(site: Site, name: str) -> None:
    kind = planters()[name]
    past = []
    for number, aim in aims(kind, site, 1):
        if aim.size not in TRIED:
            continue
        result = tried(kind, site, number, aim)
        assert not result.false
        assert result.caught == aim.past
        past.append(aim.past)
        if aim.past and result.measured is not None and result.truth is not None:
            assert math.isclose(result.measured, result.truth, abs_tol=1e-6)
        if result.position_error is not None:
            assert result.position_error < 0.01
    assert set(past) == {True, False}


ROW = (
    '{{"planter": "neck-in-conductor", "rule": "etch.conductor-width", "board": "{board}", '
    '"number": 0, "size": "gross", "past": true, "digest": "0", "caught": true}}\n'
)


def test_only_a_whole_run_writes_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    kept, asked = tmp_path / "kept.md", tmp_path / "asked.md"
    results = tmp_path / "results.jsonl"
    results.write_text("".join(ROW.format(board=board) for board in (*BOARDS, "hobby-top")))
    monkeypatch.setattr(command, "PAGE", kept)
    told = ["--table", "--results", str(results)]
    for part in (["--boards", BOARDS[0]], ["--kinds", "neck-in-conductor"]):
        assert command.main([*told, *part]) == 0
        assert not kept.exists()
        shown = capsys.readouterr().out
        assert "| neck-in-conductor |" in shown
    assert command.main([*told, "--boards", "hobby-top", "--page", str(asked)]) == 0
    assert "1 plants of 1 kinds for 1 rules on 1 boards (hobby-top)" in asked.read_text()
    assert not kept.exists() and capsys.readouterr().out == ""
    assert command.main(told) == 0
    assert f"on {len(BOARDS)} boards" in kept.read_text() and "hobby-top" not in kept.read_text()
