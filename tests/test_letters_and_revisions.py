"""waive, compare and letter on the sample board, by the command line, end to end."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dfmcheck import cli

SAMPLES = Path(__file__).resolve().parents[1] / "sample_boards"
PLANTED = SAMPLES / "tide-logger-planted"
RUNNER = CliRunner()


def run(*arguments: object) -> Any:
    return RUNNER.invoke(cli.app, [str(one) for one in arguments], env={"COLUMNS": "120"})


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "planted.screening"
    run("screen", PLANTED, "--shop", "volume", "--workers", "1", "--save", path, "--quiet")
    return path


def report(path: Path, *more: object) -> dict[str, Any]:
    result = run("judge", path, "--shop", "volume", "--json", "-", *more)
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def edited(folder: Path, *, extra: str = "", drop: tuple[str, ...] = ()) -> Path:
    """A copy of the planted board with more commands at the end of its top copper."""
    shutil.copytree(PLANTED, folder, ignore=shutil.ignore_patterns(*drop))
    top = folder / "tide-logger-copper-1.gbr"
    text = top.read_text(encoding="utf-8")
    assert text.count("M02*") == 1
    top.write_text(text.replace("M02*", extra + "M02*"), encoding="utf-8")
    return folder


# A conductor 0.25 mm wide in a free corner, in the millimetres of the file.
CORNER_BAR = "D12*\nX{0}Y{1}D02*\nG01*\nX{2}Y{1}D01*\n"


def bar(x: float, y: float, length: float) -> str:
    return CORNER_BAR.format(*(round(v * 1e6) for v in (x, y, x + length)))


def test_waiving_all_of_a_rule_takes_it_out_of_the_verdict(kept: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.screening"
    shutil.copy(kept, mine)
    assert run("judge", mine, "--shop", "volume", "--quiet").exit_code == 20
    given = ("--reason", "Test build", "--by", "M. Okafor", "--expires", "2999-01-01")
    before = report(mine)
    names = list(dict.fromkeys(f["rule"] for f in before["findings"]))
    result = run("waive", mine, *names, "--shop", "volume", *given)
    assert result.exit_code == 0, result.stderr
    assert "Spacing that protects people" in result.stdout  # the caution of the spacing rule
    after = report(mine)
    assert after["verdict"] == "release"
    assert len(after["findings"]) == len(before["findings"])
    assert all(f["waived"]["name"] == "M. Okafor" for f in after["findings"])
    assert after["waivers"]["found_beside"] and not after["waivers"]["unused"]
    assert (tmp_path / "mine.waivers.toml").exists()
    text = run("judge", mine, "--shop", "volume").stdout
    assert "waived by M. Okafor" in " ".join(text.split())
    assert run("letter", mine, "--shop", "volume").stdout.count("## ") == 1  # for information


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("nothing-here",), "no finding has the fingerprint or rule"),
        (("etch.notch", "--expires", "soon"), "a day, as 2027-05-25"),
        (("etch.notch", "--expires", "2001-01-01"), "a day still to come"),
        (("etch.notch", "--by", " "), "--by is empty"),
    ],
)
def test_waive_refuses_in_one_sentence(kept: Path, words: tuple[str, ...], told: str) -> None:
    given = ["--reason", "x", "--by", "y"]
    result = run("waive", kept, "--shop", "volume", *given, *words)
    assert result.exit_code == 2
    assert told in result.stderr and len(result.stderr.splitlines()) == 1
    assert not kept.with_name("planted.waivers.toml").exists()


def test_an_edit_elsewhere_changes_no_fingerprint(kept: Path, tmp_path: Path) -> None:
    new = edited(tmp_path / "rev", extra=bar(22.0, 41.0, 2.0))
    out = tmp_path / "out.json"
    result = run("compare", kept, new, "--shop", "volume", "--workers", "1", "--json", out)
    told = json.loads(out.read_text())
    found = told["counts"]
    changed = [c for c in told["findings"] if c["state"] != "same"]
    near = [c for c in changed if c["state"] == "new"]
    assert found["gone"] == found["worse"] == found["moved"] == found["better"] == 0, changed
    # whatever is new touches the new conductor
    assert result.exit_code in ((10, 20) if near else (0,))
    (layer,) = [one for one in told["artwork"]["layers"] if one["layer"] == "conductor-1"]
    assert told["datum_shift_mm"] == [0, 0]
    area = 2.0 * 0.25 + 3.14159 * 0.125**2
    assert layer["added"]["area_mm2"] == pytest.approx(area, abs=0.01)
    assert layer["removed"]["areas"] == 0


def test_a_datum_moved_by_an_edit_is_seen_through(tmp_path: Path) -> None:
    """Without a profile the datum is the copper's corner; copper beyond it moves the datum."""
    old = edited(tmp_path / "old", drop=("*profile*", "*.gbrjob"))
    new = edited(tmp_path / "new", drop=("*profile*", "*.gbrjob"), extra=bar(12.0, 12.0, 2.0))
    out = tmp_path / "out.json"
    result = run("compare", old, new, "--shop", "volume", "--workers", "1", "--json", out)
    assert result.exit_code in (0, 10, 20), result.stderr
    told = json.loads(out.read_text())
    assert min(told["datum_shift_mm"]) > 1.0 and told["datum_agreed"] > 0.9
    counts = told["counts"]
    assert counts["same"] >= 15
    assert counts["gone"] == counts["moved"] == counts["better"] == 0


def test_the_letter_is_written_in_all_forms(kept: Path, tmp_path: Path) -> None:
    pytest.importorskip("fpdf")
    paths = [tmp_path / f"query.{end}" for end in ("md", "html", "pdf")]
    result = run(
        "letter", kept, "--shop", "volume", "--markdown", paths[0], "--html", paths[1],
        "--pdf", paths[2], "--to", "Ola Nwosu", "--until", "2026-12-01", "--date", "2026-11-25",
    )  # fmt: skip
    assert result.exit_code == 0 and result.output == ""
    text = paths[0].read_text(encoding="utf-8")
    assert "Ola Nwosu" in text and "2026-12-01" in text
    assert len(list((tmp_path / "query-pictures").glob("*.png"))) >= 10
    assert paths[1].read_text(encoding="utf-8").count("data:image/png") >= 10
    assert paths[2].read_bytes().startswith(b"%PDF-")


def test_pictures_of_every_finding_with_a_place(kept: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    run("judge", kept, "--shop", "volume", "--quiet", "--pictures", folder)
    placed = [f for f in report(kept)["findings"] if f["x_mm"] is not None]
    names = sorted(path.stem for path in folder.iterdir())
    assert len(names) == len(placed) > 15
    assert {name.rsplit("-", 1)[1] for name in names} == {f["fingerprint"] for f in placed}
