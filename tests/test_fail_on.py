"""Exit codes of a gate: ``--fail-on``, partial screens, several reports in one run."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import shutil
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dfmcheck import cli

SAMPLES = Path(__file__).parents[1] / "sample_boards"
RUNNER = CliRunner()
CLEAN, PLANTED = SAMPLES / "tide-logger-clean", SAMPLES / "tide-logger-planted"


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


def run(*arguments: str | Path, at: Path | None = None) -> Done:
    with contextlib.chdir(at or Path.cwd()):
        result = RUNNER.invoke(cli.app, [*map(str, arguments)], env={"COLUMNS": "100"})
    return Done(result.exit_code, result.stdout, result.stderr)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Kept screenings of a board for each verdict, and of one partly measured."""
    folder = tmp_path_factory.mktemp("kept")
    boards = {"release": CLEAN, "hold": PLANTED}
    # a note of the job file apart, nothing states the thickness: aspect ratio is a gap
    partial = folder / "partial-board"
    partial.mkdir()
    for file in CLEAN.iterdir():
        if file.suffix != ".gbrjob":
            shutil.copy(file, partial)
    boards["partial"] = partial
    # a board that is whole, with a finding that is a query: an idle tool
    query = folder / "query-board"
    shutil.copytree(CLEAN, query)
    legend = query / "tide-logger-legend-top.gbr"
    legend.write_bytes(legend.read_bytes().replace(b"M02*", b"D10*\nG99*\nM02*"))
    boards["query"] = query
    out = {}
    for name, board in boards.items():
        out[name] = folder / f"{name}.screening"
        run("screen", board, "--shop", "volume", "--quiet", "--save", out[name])
    return out


CODES = {
    # verdict: exit code with --fail-on query, hold, never
    "release": (0, 0, 0),
    "query": (10, 0, 0),
    "hold": (20, 20, 0),
    "partial": (10, 10, 0),
}


@pytest.mark.parametrize("name", CODES)
def test_exit_code_follows_verdict_and_fail_on(kept: dict[str, Path], name: str) -> None:
    judged = run("judge", kept[name], "--shop", "volume", "--json", "-")
    report = json.loads(judged.stdout)
    assert report["verdict"] == ("query" if name == "partial" else name)
    assert report["coverage"]["complete"] is (name != "partial")
    assert judged.returncode == CODES[name][0]  # without the option
    for fail_on, code in zip(("query", "hold", "never"), CODES[name], strict=True):
        done = run("judge", kept[name], "--shop", "volume", "--quiet", "--fail-on", fail_on)
        assert done.returncode == code, fail_on
        # the verdict told is the same, whatever the exit code
        assert report["verdict"].upper() in done.stdout.splitlines()[0]


def test_partial_screen_never_passes_in_silence(kept: dict[str, Path]) -> None:
    held = run("judge", kept["partial"], "--shop", "volume", "--quiet", "--fail-on", "hold")
    (sentence,) = held.stderr.splitlines()
    assert sentence.startswith("partial screen, so it does not pass: drill.aspect-ratio was not")
    passed = run("judge", kept["partial"], "--shop", "volume", "--quiet", "--fail-on", "never")
    assert "it passes only because of --fail-on never" in passed.stderr
    whole = run("judge", kept["query"], "--shop", "volume", "--quiet", "--fail-on", "hold")
    assert whole.stderr == ""


def test_no_report_of_a_partial_screen_reads_as_all_passed(
    kept: dict[str, Path], tmp_path: Path
) -> None:
    run(
        "judge", kept["partial"], "--shop", "volume", "--quiet", "--json", tmp_path / "r.json",
        "--csv", tmp_path / "r.csv", "--sarif", tmp_path / "r.sarif", "--junit", tmp_path / "r.xml",
    )  # fmt: skip
    coverage = json.loads((tmp_path / "r.json").read_text())["coverage"]
    assert coverage["doubts"]
    rows = list(csv.DictReader(io.StringIO((tmp_path / "r.csv").read_text(), newline="")))
    assert [row["message"] for row in rows if row["severity"] == "gap"] == coverage["doubts"]
    sarif = json.loads((tmp_path / "r.sarif").read_text())["runs"][0]
    assert sarif["invocations"][0]["executionSuccessful"] is False
    assert ET.parse(tmp_path / "r.xml").getroot().get("errors") == "1"


def test_package_that_cannot_be_opened_fails_whatever_fail_on_says(tmp_path: Path) -> None:
    (tmp_path / "junk.zip").write_bytes(b"PK\x03\x04 and no more")
    for fail_on in ("query", "hold", "never"):
        done = run("screen", tmp_path / "junk.zip", "--shop", "volume", "--fail-on", fail_on)
        assert (done.returncode, done.stdout) == (20, "")
        assert len(done.stderr.splitlines()) == 1


def test_package_that_cannot_be_opened_leaves_no_report_that_reads_as_passed(
    tmp_path: Path,
) -> None:
    names = {"--json": "r.json", "--csv": "r.csv", "--sarif": "r.sarif", "--junit": "r.xml"}
    reports = [word for option, name in names.items() for word in (option, name)]
    run("screen", CLEAN, "--shop", "volume", "--quiet", *reports, at=tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(names.values())
    (tmp_path / "junk.zip").write_bytes(b"PK\x03\x04 and no more")
    (tmp_path / "-").write_text("mine")
    (tmp_path / "kept.html").write_text("mine")
    (tmp_path / "link.html").symlink_to("kept.html")
    done = run("screen", "junk.zip", "--shop", "volume", "--html", "link.html", *reports,
               at=tmp_path)  # fmt: skip
    assert done.returncode == 20
    # those of the run before are gone
    left = sorted(p.name for p in tmp_path.iterdir())
    assert left == ["-", "junk.zip", "kept.html", "link.html", "r.sarif", "r.xml"]
    sentence = done.stderr.strip()
    (error,) = ET.parse(tmp_path / "r.xml").getroot().iter("error")
    assert error.get("message") == sentence
    (log,) = json.loads((tmp_path / "r.sarif").read_text())["runs"]
    assert (log["results"], log["invocations"][0]["executionSuccessful"]) == ([], False)
    (told,) = log["invocations"][0]["toolExecutionNotifications"]
    assert told["message"]["text"] == sentence


def test_tier_the_shop_does_not_have_is_one_sentence_before_anything_is_read(
    tmp_path: Path,
) -> None:
    (tmp_path / "junk.zip").write_bytes(b"no archive")
    for command in ("screen", "gate"):
        done = run(command, tmp_path / "junk.zip", "--shop", "volume", "--tier", "advancd")
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr == (
            "shop volume has no tier 'advancd'; expected one of economy, standard, advanced. "
            "Did you mean 'advanced'?\n"
        )


def test_all_reports_in_one_run_one_of_them_to_standard_output(
    kept: dict[str, Path], tmp_path: Path
) -> None:
    done = run(
        "judge", kept["hold"], "--shop", "volume", "--junit", "-", "--sarif", "r.sarif", "--json",
        "r.json", "--csv", "r.csv", "--html", "r.html", at=tmp_path,
    )  # fmt: skip
    assert done.returncode == 20
    assert ET.fromstring(done.stdout).tag == "testsuites"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.csv", "r.html", "r.json", "r.sarif"]
    prints = {f["fingerprint"] for f in json.loads((tmp_path / "r.json").read_text())["findings"]}
    results = json.loads((tmp_path / "r.sarif").read_text())["runs"][0]["results"]
    assert {r["partialFingerprints"]["findingFingerprint/v1"] for r in results} == prints
    assert all(one in done.stdout for one in prints)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--sarif", "-", "--junit", "-"), "standard output (-) is named twice"),
        (("--sarif", "r.x", "--junit", "./r.x"), "r.x is named twice"),
        (("--save", "-"), "--save is given standard output (-)"),
        (("--sarif", "none/r.sarif"), "none/r.sarif: its folder does not exist"),
    ],
)
def test_reports_that_cannot_go_where_they_shall_are_refused_before_measuring(
    tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    (tmp_path / "junk.zip").write_bytes(b"no archive")
    done = run("screen", "junk.zip", "--shop", "volume", *arguments, at=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert told in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_gate_takes_several_packages_and_leaves_with_the_worst(tmp_path: Path) -> None:
    (tmp_path / "junk.zip").write_bytes(b"no archive")
    alone = run("gate", CLEAN, "--shop", "volume")
    assert alone.returncode == 0
    assert alone.stdout.splitlines() == [f"RELEASE  {CLEAN}  (shop volume, tier standard)"]
    junk = tmp_path / "junk.zip"
    several = run("gate", PLANTED, junk, CLEAN, "--shop", "volume", "--fail-on", "never")
    assert several.returncode == 20  # what cannot be opened is held whatever is asked
    heads = [line for line in several.stdout.splitlines() if not line.startswith(" ")]
    assert [line.split()[0] for line in heads] == ["HOLD", "HOLD", "RELEASE"]
    assert f"dfmcheck screen {PLANTED} --shop volume" in several.stdout
