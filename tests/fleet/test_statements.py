"""What the user states of packages: read, taken for each, kept, and part of what a run skips."""

from __future__ import annotations

import json
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.errors import UsageError
from dfmcheck.fleet.dataset import Dataset, Identity, places_from, row_from, screening_of
from dfmcheck.fleet.statements import STATED_FILE, Entry, Statement, Statements, parse
from dfmcheck.fleet.study import study
from dfmcheck.judge import judge
from dfmcheck.measure.places import COLUMNS
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from tests.fleet.conftest import ROOT, run

SAMPLE = ROOT / "sample_boards" / "tide-logger-clean"
THICK = 1.6  # mm, by the job file of the sample
FOLDER = """
[packages."*"]
copper = 35
thickness = 2.0

[packages."quay/*"]
thickness = 0.8
by = "order 4711"

[packages."quay/said.zip"]
thickness = 2.4
customer = "Quay Boards"
"""


def zipped(path: Path, *parts: Path, leave: str = "") -> None:
    """An archive of the files of folders; what ends in ``leave`` is left out. Where there are
    several folders, each is a folder of the archive too."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(path, "w") as archive:
        for part in parts:
            for file in sorted(part.iterdir()):
                if not leave or not file.name.endswith(leave):
                    name = f"{part.name}/{file.name}" if len(parts) > 1 else file.name
                    archive.write(file, name)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package whose data says how thick the board is, and one whose data does not."""
    out = tmp_path_factory.mktemp("stated")
    zipped(out / "quay" / "said.zip", SAMPLE)
    zipped(out / "quay" / "unsaid.zip", SAMPLE, leave=".gbrjob")
    return out


@pytest.fixture(scope="module")
def first(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their data set, nothing stated."""
    out = tmp_path_factory.mktemp("first") / "measured"
    fleet(folder, out)
    return out


@pytest.fixture
def own(first: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(first, tmp_path / "measured"))


def fleet(folder: Path, out: Path, *more: str | Path) -> str:
    told = run("fleet", folder, "--shop", "volume", "--out", out, "--workers", "1", *more)
    assert told.returncode == 0, told.stdout + told.stderr
    return told.stdout + told.stderr


def rows(store: Path) -> dict[str, dict[str, Any]]:
    return {row["package"]: row for row in Dataset(store).jobs().to_pylist()}


def kept(store: Path, package: str) -> Screening:
    row = rows(store)[package]
    identity = Identity(package, row["customer"], row["key"], row["hash"])
    job, places = Dataset(store).read(identity)
    return screening_of(row_from(job), places_from(places))


def assumed(screening: Screening, subject: str) -> list[tuple[str, str]]:
    return [(one.value, one.evidence) for one in screening.assumptions if one.subject == subject]


def same_places(one: Screening, other: Screening) -> bool:
    return all(list(map(str, one.places[c])) == list(map(str, other.places[c])) for c in COLUMNS)


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


# -- the file ----------------------------------------------------------------------------


def test_own_entry_then_first_pattern_then_option() -> None:
    read = parse(FOLDER, "s.toml")
    whole = replace(read, options=Entry(thickness=3.2, copper=70))
    said, unsaid, other = (whole.of(n) for n in ("quay/said.zip", "quay/unsaid.zip", "mill/a.zip"))
    assert (said.thickness, said.own, said.copper, said.customer) == (2.4, True, 35, "Quay Boards")
    # "*" stands before "quay/*" in the file
    assert (unsaid.thickness, unsaid.own, unsaid.customer) == (2.0, False, "")
    assert (other.thickness, other.copper) == (2.0, 35)
    assert said.evidence["copper"] == "stated by the user, in s.toml for '*'"
    bare = Statements(options=Entry(thickness=3.2)).of("mill/a.zip")
    assert bare == Statement(3.2, evidence={"thickness": "stated by the user for all packages"})


def test_a_name_of_a_package_is_no_pattern() -> None:
    read = parse('[packages."a[1].zip"]\nthickness = 1.0\n', "s.toml")
    assert read.of("a[1].zip").thickness == 1.0
    assert read.of("a1.zip").own is False  # as a pattern it holds for this one as well
    assert read.unmatched(["b.zip"]) == (("a[1].zip", 1),)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (
            '\n[packages."a.zip"]\nthickness = 16000',
            3,
            "thickness = 16000; expected a number of mm",
        ),
        ('[packages."a.zip"]\nthickness = nan', 2, "thickness = nan; expected a number of mm"),
        ('[packages."a.zip"]\nthickness = "1.6"', 2, "expected a number of mm from 0.05 to 20"),
        ('[packages."a.zip"]\n\ncopper = 0.035', 3, "a number of µm from 1 to 1000"),
        ('[packages."a.zip"]\nboard = ""', 2, "a text of at least 1 character"),
        ('[packages."a.zip"]\nthick = 1.6', 2, "one of thickness, copper, board, roles"),
        ('[packages."a.zip"]\nroles = { "x.gbr" = "copper-9" }', 2, "'copper-9' is not a role"),
        ("[packages]\na.zip = { thickness = 1.6 }", 2, "needs quotes"),
        ("[packages]\na = 1.6", 2, "Write a table for each name"),
        ("\n[package]\n", 2, "below [packages]"),
        ("packages = 1", 1, "expected tables"),
        ('[packages."a.zip"]\nthickness = 1,6', 2, "not TOML"),
    ],
)
def test_what_is_wrong_is_told_with_file_and_line(text: str, line: int, words: str) -> None:
    with pytest.raises(UsageError) as told:
        parse(text, "stated.toml")
    assert str(told.value).startswith(f"stated.toml, line {line}: ")
    assert words in str(told.value)


def test_a_wrong_value_ends_the_run_before_anything_is_screened(
    folder: Path, tmp_path: Path
) -> None:
    bad = write(tmp_path / "bad.toml", '[packages."*"]\nthickness = 16\ncopper = -1\n')
    told = run("fleet", folder, "--shop", "volume", "--out", tmp_path / "out", "--stated", bad)
    assert told.returncode == 2 and not (tmp_path / "out").exists()
    assert told.stderr.startswith(f"{bad}, line 3: copper = -1; expected a number of µm")
    assert told.stderr.count("\n") == 1
    gone = run("fleet", folder, "--shop", "volume", "--out", tmp_path / "out", "--stated",
               tmp_path / "none.toml")  # fmt: skip
    assert gone.returncode == 2 and "cannot be read" in gone.stderr


# -- what is screened --------------------------------------------------------------------


def test_a_thickness_for_all_holds_where_the_data_does_not_say(folder: Path, own: Path) -> None:
    assert kept(own, "quay/unsaid.zip").facts.thickness is None
    said_before = {file: file.stat().st_mtime_ns for file in own.glob("places/*/*.parquet")}
    told = fleet(folder, own, "--thickness", "1.0")
    assert "2 packages in" in told and "1 of them only judged anew" in told
    unsaid = kept(own, "quay/unsaid.zip")
    assert assumed(unsaid, "board thickness") == [("1 mm", "stated by the user for all packages")]
    shop = load_shop("volume")
    alone = orchestrator.screen(
        folder / "quay" / "unsaid.zip", thickness=1.0, reach=shop.limit_reach(), workers=1
    )
    assert same_places(unsaid, alone) and unsaid.facts == alone.facts
    assert rows(own)["quay/unsaid.zip"]["verdict"] == judge(alone, shop, rules=rules()).verdict
    said = kept(own, "quay/said.zip")
    assert said.facts.thickness == THICK
    assert assumed(said, "board thickness") == [("1.6 mm", "stated by the job file")]
    key = rows(own)["quay/said.zip"]["key"]
    same = [file for file, time in said_before.items() if file.stat().st_mtime_ns == time]
    assert [file.stem for file in same] == [key]  # its places were not even written again


def test_a_thickness_of_its_own_outweighs_the_data_and_says_so(folder: Path, own: Path) -> None:
    text = FOLDER.replace("thickness = 2.4", 'thickness = 2.4\nby = "drawing 12"')
    stated = write(own.parent / "s.toml", text)
    fleet(folder, own, "--stated", stated)
    said = kept(own, "quay/said.zip")
    assert said.facts.thickness == 2.4
    assert assumed(said, "board thickness") == [
        ("2.4 mm", "stated by drawing 12, in s.toml for 'quay/said.zip'; its data says 1.6 mm")
    ]
    assert assumed(said, "finished copper") == [("35 µm", "stated by the user, in s.toml for '*'")]
    assert (said.facts.outer_copper_um, said.facts.inner_copper_um) == (35, 35)
    assert assumed(said, "customer") == [
        ("Quay Boards", "stated by drawing 12, in s.toml for 'quay/said.zip'")
    ]


def test_copper_is_judged_by_without_measuring(folder: Path, own: Path) -> None:
    before = {file: file.stat().st_mtime_ns for file in own.glob("places/*/*.parquet")}
    told = fleet(folder, own, "--copper", "105")
    assert "2 of them only judged anew" in told
    assert {f: f.stat().st_mtime_ns for f in own.glob("places/*/*.parquet")} == before
    shop = load_shop("volume")
    alone = orchestrator.screen(
        folder / "quay" / "said.zip", copper_um=105, reach=shop.limit_reach(), workers=1
    )
    judgement = judge(alone, shop, copper_um=105, rules=rules())
    row = rows(own)["quay/said.zip"]
    assert row["reasons"] == list(judgement.reasons)
    plain = judge(alone, shop, copper_um=35, rules=rules())
    assert list(plain.reasons) != row["reasons"], "the sample shows nothing of copper"
    answers = study(own, shop, rules())
    assert answers.verdicts[str(judgement.verdict)] == 2
    fleet(folder, own)  # and taken back
    assert kept(own, "quay/said.zip").facts.outer_copper_um is None
    assert assumed(kept(own, "quay/said.zip"), "finished copper") == []


def test_board_and_roles_are_stated_of_single_packages(tmp_path: Path) -> None:
    folder, out = tmp_path / "packages", tmp_path / "out"
    lamp, bell = (Path(shutil.copytree(SAMPLE, tmp_path / name)) for name in ("lamp", "bell"))
    zipped(folder / "mill" / "two.zip", lamp, bell)
    bottom = next(file.name for file in SAMPLE.iterdir() if file.name.endswith("copper-4.gbr"))
    fleet(folder, out)
    assert "several boards" in kept(out, "mill/two.zip").gaps[0].reason
    (fact,) = [f for f in study(out, load_shop("volume"), rules()).facts if f.fact == "which board"]
    assert (fact.stated, fact.missing) == (0, 1)

    stated = folder / STATED_FILE
    write(stated, '[packages."mill/two.zip"]\nboard = "lamp/"\n'
                  f'roles = {{ "lamp/{bottom}" = "conductor-4" }}\n')  # fmt: skip
    assert "1 package in" in fleet(folder, out)  # a changed statement: screened again
    two = kept(out, "mill/two.zip")
    assert two.gaps == () and two.facts.conductors == 4
    evidence = f"stated by the user, in {STATED_FILE} for 'mill/two.zip'"
    assert assumed(two, "board of the package") == [("lamp/", evidence)]
    assert assumed(two, "roles of files") == [(f"lamp/{bottom} is conductor-4", evidence)]
    (fact,) = [f for f in study(out, load_shop("volume"), rules()).facts if f.fact == "which board"]
    assert (fact.stated, fact.missing) == (1, 0)

    write(stated, '[packages."mill/two.zip"]\nboard = "lantern"\n')
    told = run("fleet", folder, "--shop", "volume", "--out", out, "--workers", "1")
    assert told.returncode == 10 and "no board 'lantern'" in told.stdout
    assert f"(board {evidence})" in " ".join(told.stdout.split())
    stated.unlink()  # what was wrong is gone: tried again, though the package is the same
    assert "1 package in" in fleet(folder, out)


# -- a run again -------------------------------------------------------------------------


def test_only_what_a_changed_statement_touches_is_done_again(folder: Path, own: Path) -> None:
    stated = write(own.parent / "s.toml", FOLDER)
    assert "2 packages in" in fleet(folder, own, "--stated", stated)
    again = fleet(folder, own, "--stated", stated)
    assert "2  of these were done before" in again and "packages in" not in again

    write(stated, "# a remark more\n\n" + FOLDER)
    assert "packages in" not in fleet(folder, own, "--stated", stated)

    write(stated, FOLDER.replace("thickness = 2.4", "thickness = 3.2"))
    told = fleet(folder, own, "--stated", stated)
    assert "1 package in" in told and "1  of these were done before" in told
    assert "judged anew" not in told
    assert kept(own, "quay/said.zip").facts.thickness == 3.2

    write(stated, FOLDER.replace("thickness = 2.4", 'thickness = 3.2\nby = "order 9"'))
    told = fleet(folder, own, "--stated", stated)  # another to answer for it, the same board
    assert "1 of them only judged anew" in told
    assert assumed(kept(own, "quay/said.zip"), "board thickness")[0][1].startswith(
        "stated by order 9"
    )


def test_another_customer_leaves_nothing_behind(folder: Path, own: Path) -> None:
    stated = write(own.parent / "s.toml", '[packages."quay/said.zip"]\ncustomer = "Ebb & Co"\n')
    told = fleet(folder, own, "--stated", stated)
    assert "1 of them only judged anew" in told and "1  of these were done before" in told
    for kind in ("jobs", "places"):
        files = list(own.glob(f"{kind}/*/*.parquet"))
        assert len(files) == 2 == len({file.stem for file in files})
        assert {file.parent.name for file in files} == {"customer=quay", "customer=Ebb %26 Co"}
    assert rows(own)["quay/said.zip"]["customer"] == "Ebb & Co"
    answers = study(own, load_shop("volume"), rules())
    assert [(row.customer, row.jobs) for row in answers.customers] == [("Ebb & Co", 1), ("quay", 1)]


def test_a_name_of_no_package_is_told(folder: Path, own: Path) -> None:
    stated = write(own.parent / "s.toml", FOLDER + '\n[packages."quay/sad.zip"]\nthickness = 1\n')
    told = " ".join(fleet(folder, own, "--stated", stated).split())
    assert "states something of 2 packages" in told
    line = FOLDER.count("\n") + 2
    assert f"quay/sad.zip {stated}, line {line}: no package has this name" in told


def test_a_package_that_can_no_longer_be_opened_leaves_no_places(
    folder: Path, own: Path, tmp_path: Path
) -> None:
    mine = Path(shutil.copytree(folder, tmp_path / "packages"))
    (mine / "quay" / "said.zip").write_bytes(b"PK\x03\x04 torn off")
    told = run("fleet", mine, "--shop", "volume", "--out", own, "--workers", "1")
    assert told.returncode == 10
    assert len(list(own.glob("places/*/*.parquet"))) == 1
    assert study(own, load_shop("volume"), rules()).unopened == 1


# -- the study ---------------------------------------------------------------------------


def test_the_study_counts_what_is_not_stated(folder: Path, own: Path) -> None:
    shop = load_shop("volume")

    def counts() -> dict[str, tuple[int, int, int]]:
        known = study(own, shop, rules()).facts
        return {one.fact: (one.data, one.stated, one.missing) for one in known}

    assert counts() == {"board thickness": (1, 0, 1), "finished copper": (0, 0, 2)}
    told = run("study", own, "--shop", "volume", "--json", own.parent / "study.json").stdout
    assert "board thickness" in told and "without it" in told
    (thick, _) = json.loads((own.parent / "study.json").read_text())["facts"]
    assert (thick["fact"], thick["missing"]) == ("board thickness", 1)
    fleet(folder, own, "--thickness", "1.6", "--copper", "35")
    assert counts() == {"board thickness": (1, 1, 0), "finished copper": (0, 2, 0)}


def test_rows_from_before_statements_are_taken(folder: Path, own: Path) -> None:
    import pyarrow.parquet as parquet

    for file in own.glob("jobs/*/*.parquet"):
        table = parquet.ParquetFile(file).read()
        parquet.write_table(table.drop_columns(["stated"]), file)
    assert "2  of these were done before" in fleet(folder, own)
    assert study(own, load_shop("volume"), rules()).facts[0].missing == 1
