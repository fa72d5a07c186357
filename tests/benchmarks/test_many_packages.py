"""The makers of packages and panels give what the benchmarks say they do."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.fleet.make_packages import STYLES, write
from benchmarks.performance import report
from benchmarks.performance.growth import panel
from benchmarks.performance.section import Section
from benchmarks.performance.spacing import spacing
from dfmcheck import screen as orchestrator


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(file.relative_to(folder)): file.read_bytes()
        for file in sorted(folder.rglob("*")) if file.is_file()
    }  # fmt: skip


def test_the_same_seed_gives_the_same_bytes_and_another_gives_others(tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        write(tmp_path / name, 12, seed)
    one, same, other = (tree(tmp_path / name) for name in "abc")
    assert one == same and one != other
    assert {name.split("/")[0] for name in one} <= {style.name for style in STYLES}


def test_more_packages_begin_with_the_fewer(tmp_path: Path) -> None:
    write(tmp_path / "a", 3)
    write(tmp_path / "b", 6)
    few, many = tree(tmp_path / "a"), tree(tmp_path / "b")
    assert few.items() <= many.items() and len(few) < len(many)


def test_a_panel_holds_whole_copies(tmp_path: Path) -> None:
    facts = []
    for copies in (1, 4):
        folder = tmp_path / str(copies)
        folder.mkdir()
        panel(folder, copies)
        screening = orchestrator.screen(folder, workers=1)
        assert not [d for d in screening.defects if d.rule == "data.attribute-short"]
        facts.append(screening.facts)
    one, four = facts
    assert four.nets == 4 * one.nets
    assert sum(hole.hits + hole.slots for hole in four.holes) == 4 * sum(
        hole.hits + hole.slots for hole in one.holes
    )
    assert abs(four.copper_area["conductor-1"] - 4 * one.copper_area["conductor-1"]) < 1e-3


def test_both_spacings_agree() -> None:
    section = spacing((60,))
    assert all(reached for what, reached in section.aims if "same" in what)
    assert section.rows[0][1] == "1,770"


def test_the_page_tells_what_was_not_reached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    section = Section("x", "Title", "Words.", ["a", "b"], [["1", "2"]],
                      [("1", [("release", 2.0)])], "units", [("quick", False)],
                      "2026-11-25 10:00", 3.0)  # fmt: skip
    monkeypatch.setattr(report, "DOCS", tmp_path)
    page = report.write([section]).read_text()
    assert "| 1 | 2 |" in page and "**Not reached**: quick." in page and "load 3.0" in page
    picture = (tmp_path / "images" / "performance-x.svg").read_text()
    assert picture.startswith('<svg xmlns="http://www.w3.org/2000/svg"') and "units" in picture
