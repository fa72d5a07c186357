"""The list of nets: terminal, one net at length, JSON, and the command's exit codes."""

from __future__ import annotations

import io
import json
from itertools import pairwise
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from dfmcheck.board.net_listing import list_nets, net_problems
from dfmcheck.cli import app
from dfmcheck.report import json_nets
from dfmcheck.report.terminal_nets import render_net, render_nets
from tests.measure.packages import Sheet, drill_text, write_board


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """LAMP: top run 0.2 mm wide, via, bottom run 0.15 mm; a bridge to FAN on the top."""
    top, bottom, profile = Sheet(), Sheet(), Sheet()
    for sheet in (top, bottom):
        sheet.circle(0.2), sheet.circle(0.6), sheet.circle(0.15)
    top.body.append("%TO.N,LAMP*%\n%TO.P,J1,2*%")
    top.flash(11, 0, 0)
    top.body.append("%TD.P*%")
    top.draw(10, 0, 0, 5, 0), top.flash(11, 5, 0)
    bottom.body.append("%TO.N,LAMP*%")
    bottom.flash(11, 5, 0), bottom.draw(12, 5, 0, 9, 0)
    bottom.body.append("%TO.P,J1,10*%")
    bottom.flash(11, 9, 0)
    top.body.append("%TD*%\n%TO.N,FAN*%")
    top.flash(11, 0, 2)
    top.draw(10, 0, 2, 5, 2)
    top.body.append("%TD*%")
    top.flash(11, 8, 3)
    line = profile.circle(0.1)
    for a, b in pairwise([(-3, -3), (12, -3), (12, 5), (-3, 5), (-3, -3)]):
        profile.draw(line, *a, *b)
    return write_board(
        tmp_path / "lamp",
        {
            "top.gbr": top.text("Copper,L1,Top"),
            "bottom.gbr": bottom.text("Copper,L2,Bot"),
            "profile.gbr": profile.text("Profile,NP"),
            "holes.drl": drill_text([(5, 0, 0.3)], True, top),
        },
    )


def bridge(package: Path) -> Path:
    path = package / "top.gbr"
    text = path.read_text().replace(
        "M02*", "%ADD30C,0.02*%\nD30*\nX2000000Y0D02*\nX2000000Y2000000D01*\nM02*"
    )
    path.write_text(text)
    return package


def console() -> Console:
    return Console(file=io.StringIO(), width=140, highlight=False)


def text_of(made: Console) -> str:
    assert isinstance(made.file, io.StringIO)
    return made.file.getvalue()


def test_rows_hold_pins_holes_copper_and_narrowest(package: Path) -> None:
    board, rows = list_nets(package, workers=1)
    by_name = {row.name: row for row in rows}
    lamp = by_name["LAMP"]
    assert lamp.pins == ("J1-2", "J1-10")  # by number, not by letter
    assert [(h.x, h.y, h.diameter) for h in lamp.holes] == [
        (pytest.approx(8), pytest.approx(3), 0.3)
    ]
    # Two lands 0.6 mm and a run of 5 mm less what lies on them, to the chord error.
    assert lamp.area[0] == pytest.approx(2 * 0.2827 + 4.4 * 0.2, abs=0.02)
    assert lamp.narrowest is not None and lamp.narrowest.layer == "conductor-2"
    assert lamp.narrowest.width == pytest.approx(0.15)
    assert not lamp.generated and lamp.pieces == 1
    generated = [row for row in rows if row.generated]
    assert len(generated) == 1 and generated[0].pins == ()
    assert net_problems(board) == ()


def test_list_and_one_net_on_the_terminal(package: Path) -> None:
    board, rows = list_nets(bridge(package), workers=1)
    made = console()
    render_nets(board, rows, net_problems(board), made, all_=False)
    text = text_of(made)
    assert "LAMP also FAN" in text and "0.020 mm" in text and "J1-2 J1-10" in text
    assert "nets LAMP and FAN are joined" in text
    board, (row,) = list_nets(package, only="lamp", workers=1)
    made = console()
    render_net(board, row, net_problems(board, (row,)), made)
    text = text_of(made)
    assert "1 of 0.300 mm through 1–2" in text and "(8.000, 3.000)" in text
    assert "0.020 mm at (5.000, " in text and "data.attribute-short" in text


def test_control_characters_of_a_name_do_not_reach_the_terminal(package: Path) -> None:
    path = package / "top.gbr"
    path.write_bytes(path.read_bytes().replace(b"FAN", b"F\x1bN"))
    board, rows = list_nets(package, workers=1)
    made = console()
    render_nets(board, rows, (), made, all_=True)
    assert "\x1b" not in text_of(made)


def test_json_lists_what_the_terminal_does(package: Path) -> None:
    board, rows = list_nets(bridge(package), workers=1)
    data = json.loads(json_nets.dumps(board, rows, net_problems(board)))
    (lamp,) = (net for net in data["nets"] if net["name"] == "LAMP")
    assert lamp["other_names"] == ["FAN"] and lamp["narrowest"]["width_mm"] == pytest.approx(0.02)
    assert lamp["holes"][0]["line"] > 0 and set(lamp["copper_mm2"]) == {
        "conductor-1",
        "conductor-2",
    }
    (problem,) = data["problems"]
    x0, y0, x1, y1 = problem["line_mm"]
    assert abs(x1 - x0) == pytest.approx(0.02) and y0 == y1


@pytest.mark.parametrize(("bridged", "code"), [(False, 0), (True, 20)])
def test_exit_code_of_the_command(package: Path, bridged: bool, code: int) -> None:
    if bridged:
        bridge(package)
    result = CliRunner().invoke(app, ["nets", str(package), "--workers", "1"])
    assert result.exit_code == code, result.output


def test_a_net_that_is_not_there_is_one_sentence(package: Path) -> None:
    result = CliRunner().invoke(app, ["nets", str(package), "--net", "MOTOR"])
    assert result.exit_code == 2
    assert "no net is called 'MOTOR'" in result.output and "Traceback" not in result.output
