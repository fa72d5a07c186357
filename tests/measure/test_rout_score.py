"""Copper near score lines, against closed forms; and that score files are known as such."""

from __future__ import annotations

from pathlib import Path
from shutil import copytree

import numpy as np
import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import Judgement, Verdict, judge
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, write_board

RULE = "rout.copper-to-score"
SAMPLES = Path(__file__).parents[2] / "sample_boards"


def found(
    folder: Path, gap: float, *, name: str = "s.gbr", function: str = "Vcut", angle: float = 0.0
) -> Places:
    """A land 1 mm across beside a score line at x = 10 that is drawn 0.2 mm wide."""
    top, bottom, score = Sheet(angle=angle), Sheet(angle=angle), Sheet(angle=angle)
    top.flash(top.circle(1.0), 10 - 0.5 - gap, 5)
    bottom.flash(bottom.circle(1.0), 3, 5)
    score.draw(score.circle(0.2), 10, 0, 10, 20)
    files = {
        "t.gbr": top.text("Copper,L1,Top"), "b.gbr": bottom.text("Copper,L2,Bot"),
        name: score.text(function),
    }  # fmt: skip
    if not function:
        files[name] = files[name].replace("%TF.FileFunction,*%\n", "")
    places = screen(write_board(folder, files), workers=1, reach={RULE: 1.0}).places
    return places.take(places["rule"] == RULE)


@pytest.mark.parametrize("gap", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("angle", [0.0, 90.0, 33.0])
def test_distance_is_to_the_lines_centre(tmp_path: Path, gap: float, angle: float) -> None:
    places = found(tmp_path / "job", gap, angle=angle)
    near = places.take(places["layer"] == "conductor-1")
    assert len(near) == 1
    assert near["value"][0] == pytest.approx(gap, abs=1e-5)
    assert np.hypot(near["x2"] - near["x"], near["y2"] - near["y"])[0] == pytest.approx(
        gap, abs=1e-5
    )
    assert str(near["file_b"][0]) == "s.gbr"


def test_copper_across_the_line_is_nought(tmp_path: Path) -> None:
    places = found(tmp_path / "job", -0.4)
    assert places["value"].min() <= 0


def test_each_layer_tells_its_own_tightest(tmp_path: Path) -> None:
    places = found(tmp_path / "job", 0.3)
    assert places["value"][places["layer"] == "conductor-2"].tolist() == pytest.approx([6.5])


@pytest.mark.parametrize("name", ["panel_vscore.gbr", "panel-score.gbr", "panel.vcut.gbr"])
def test_a_score_file_is_known_by_its_name_and_is_no_slot(tmp_path: Path, name: str) -> None:
    places = found(tmp_path / "job", 0.3, name=name, function="")
    assert places["value"].min() == pytest.approx(0.3, abs=1e-5)
    roles = {f.name: f.role for f in screen(tmp_path / "job", workers=1).files}
    assert roles[name] == "score"


EMPTY = "%TF.FileFunction,Vcut*%\n%FSLAX46Y46*%\n%MOMM*%\n%LPD*%\nM02*\n"
DOT = EMPTY.replace("M02*", "%ADD10C,0.5*%\nD10*\nX1000000Y1000000D03*\nM02*")


def judged(package: Path) -> Judgement:
    shop = load_shop("volume")
    screening = screen(package, workers=1, reach=shop.limit_reach())
    return judge(screening, shop, rules=rules(), tier="standard")


@pytest.mark.parametrize("score", [EMPTY, DOT], ids=["no object", "a flash and no line"])
def test_a_score_file_without_a_line_is_asked_about(tmp_path: Path, score: str) -> None:
    """The clean sample board and such a file: nothing was scored, so it must not be released."""
    package = copytree(SAMPLES / "tide-logger-clean", tmp_path / "job")
    assert judged(package).verdict is Verdict.RELEASE
    (package / "panel_vscore.gbr").write_text(score)
    after = judged(package)
    (told,) = [f for f in after.findings if f.rule == "data.empty-layer"]
    assert told.severity == "query" and told.layer == "score"
    assert "panel_vscore.gbr" in told.message
    assert after.verdict is Verdict.QUERY
