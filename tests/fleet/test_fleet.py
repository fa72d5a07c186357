"""Screening a folder: what is written, what is skipped, what is done anew."""

from __future__ import annotations

import shutil
from pathlib import Path

import pyarrow.parquet as parquet
import pytest

from dfmcheck import __version__
from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.errors import UsageError
from dfmcheck.fleet.content import digest
from dfmcheck.fleet.dataset import (
    Dataset,
    Identity,
    job_bytes,
    key_of,
    places_bytes,
    places_from,
    row_from,
    screening_of,
    screening_row,
)
from dfmcheck.fleet.discover import discover
from dfmcheck.judge import judge
from dfmcheck.measure.places import COLUMNS, Places
from dfmcheck.measure.rule import rules
from tests.fleet.conftest import COUNT, run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_boards" / "tide-logger-planted"


def test_every_package_is_there_once(packages: Path, screened: Path) -> None:
    rows = Dataset(screened).jobs().to_pylist()
    found = {one.name: one for one in discover(packages).packages}
    assert sorted(row["package"] for row in rows) == sorted(found)
    assert len(rows) == COUNT + 1
    for row in rows:
        one = found[row["package"]]
        assert (row["customer"], row["key"]) == (one.customer, key_of(one.name))
        assert (row["hash"], row["made_by"]) == (digest(one.path), __version__)


def test_what_cannot_be_opened_is_told_with_its_reason(screened: Path) -> None:
    torn = [r for r in Dataset(screened).jobs().to_pylist() if r["state"] != "screened"]
    assert [(row["package"], row["state"], row["verdict"]) for row in torn] == [
        ("Chapel Row School/torn.zip", "unreadable", "hold")
    ]
    assert "the archive is damaged" in torn[0]["reason"]
    assert torn[0]["places"] is None


def test_measurements_and_verdict_are_those_of_screen(packages: Path, screened: Path) -> None:
    shop = load_shop("volume")
    store = Dataset(screened)
    name = next(one for one in discover(packages).packages if one.path.is_dir())
    screening = orchestrator.screen(name.path, reach=shop.limit_reach(), workers=1)
    identity = Identity(name.name, name.customer, key_of(name.name), "")
    job, places = store.read(identity)
    row = row_from(job)
    kept = screening_of(row, places_from(places))
    assert len(kept.places) == len(screening.places) > 0
    for column in COLUMNS:
        assert list(map(str, kept.places[column])) == list(map(str, screening.places[column]))
    for part in ("facts", "reach", "measured", "gaps", "defects", "assumptions", "files"):
        assert getattr(kept, part) == getattr(screening, part)
    judgement = judge(screening, shop, rules=rules())
    assert row["verdict"] == judgement.verdict
    assert row["reasons"] == list(judgement.reasons)
    severities = [finding.severity for finding in judgement.findings]
    told = [row["holds"], row["queries"], row["notes"]]
    assert told == [severities.count(name) for name in ("hold", "query", "note")]


def test_all_places_are_one_table(screened: Path) -> None:
    import duckdb

    pattern = f"{screened}/places/*/*.parquet"
    columns = [row[0] for row in duckdb.sql(f"describe select * from '{pattern}'").fetchall()]
    assert columns == ["package", "customer", "key", "hash", "made_by", *COLUMNS]
    counted = duckdb.sql(f"select package, count(*) from '{pattern}' group by 1").fetchall()
    rows = Dataset(screened).jobs(["package", "places"]).to_pylist()
    assert dict(counted) == {r["package"]: r["places"] for r in rows if r["places"]}


def test_run_again_screens_nothing(packages: Path, own: Path) -> None:
    before = {file: file.stat().st_mtime_ns for file in own.rglob("*.parquet")}
    told = run("fleet", packages, "--shop", "volume", "--out", own)
    assert told.returncode == 10
    assert f"{COUNT + 1}  of these were done before" in told.stdout
    assert "screening on" not in told.stderr  # no worker was even started
    assert {file: file.stat().st_mtime_ns for file in own.rglob("*.parquet")} == before


def test_only_what_changed_is_screened(packages: Path, own: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(packages, tmp_path / "packages"))
    archive = sorted(folder.rglob("board-*.zip"))[0]
    archive.write_bytes(sorted(folder.rglob("board-*.zip"))[1].read_bytes())
    before = {file: file.stat().st_mtime_ns for file in own.rglob("*.parquet")}
    told = run("fleet", folder, "--shop", "volume", "--out", own, "--workers", "1")
    assert "1 package in" in told.stdout, told.stdout + told.stderr
    after = {file: file.stat().st_mtime_ns for file in own.rglob("*.parquet")}
    changed = {file.stem for file in after if after[file] != before.get(file)}
    assert changed == {key_of(str(archive.relative_to(folder)))}
    assert after.keys() == before.keys()


def test_another_shop_is_judged_without_measuring(packages: Path, own: Path) -> None:
    before = {file: file.stat().st_mtime_ns for file in own.glob("places/*/*.parquet")}
    told = run("fleet", packages, "--shop", "volume", "--tier", "advanced", "--out", own)
    assert f"{COUNT} of them only judged anew" in told.stdout, told.stdout + told.stderr
    assert {f: f.stat().st_mtime_ns for f in own.glob("places/*/*.parquet")} == before
    shop = load_shop("volume")
    for row in Dataset(own).jobs().to_pylist():
        if row["state"] == "screened":
            identity = Identity(row["package"], row["customer"], row["key"], row["hash"])
            screening = screening_of(row, places_from(Dataset(own).read(identity)[1]))
            assert row["verdict"] == judge(screening, shop, tier="advanced", rules=rules()).verdict
            assert row["tier"] == "advanced"


def test_a_data_set_is_written_by_one_run_only(tmp_path: Path) -> None:
    first, second = Dataset(tmp_path), Dataset(tmp_path)
    with first.locked(), pytest.raises(UsageError, match="another run"), second.locked():
        pass
    with second.locked():
        pass


def test_left_over_parts_are_cleared(tmp_path: Path) -> None:
    part = tmp_path / "places" / "customer=a" / "x.parquet.part"
    part.parent.mkdir(parents=True)
    part.write_bytes(b"half")
    with Dataset(tmp_path).locked():
        assert not part.exists()


def test_newer_places_never_stand_beside_an_older_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, identity = Dataset(tmp_path), Identity("a/b.zip", "a", key_of("a/b.zip"), "1")
    row = {"package": "a/b.zip", "key": identity.key, "state": "screened", "hash": "1"}
    store.write(identity, job_bytes(row), places_bytes(Places.empty(), identity, "0"))
    assert store.known()[identity.key].hash == "1"
    put = Dataset._put

    def killed(self: Dataset, kind: str, who: Identity, content: bytes) -> None:
        if kind == "jobs":
            raise KeyboardInterrupt
        put(self, kind, who, content)

    monkeypatch.setattr(Dataset, "_put", killed)
    with pytest.raises(KeyboardInterrupt):
        store.write(identity, job_bytes(row), places_bytes(Places.empty(), identity, "0"))
    assert store.known() == {}


def test_a_row_keeps_a_screening_whole() -> None:
    screening = orchestrator.screen(SAMPLE, workers=1)
    row = row_from(job_bytes({"package": screening.package, **screening_row(screening)}))
    places = places_from(places_bytes(screening.places, Identity("p", "c", "k", "h"), "0"))
    kept = screening_of(row, places)
    for part in ("package", "files", "facts", "reach", "measured", "gaps", "defects",
                 "assumptions", "made_by"):  # fmt: skip
        assert getattr(kept, part) == getattr(screening, part), part


def test_names_that_are_no_text_are_kept_readable() -> None:
    places = Places.of(value=[0.1], x=[0.0], y=[0.0], rule="etch.notch", file_a="caf\udce9.gbr")
    content = places_bytes(places, Identity("caf\udce9", "", "k", "h"), "0")
    assert places_from(content)["file_a"][0] == "caf?.gbr"
    assert job_bytes({"package": "caf\udce9"})


def test_a_damaged_file_of_the_data_set_is_named(own: Path) -> None:
    bad = next(own.glob("jobs/*/*.parquet"))
    bad.write_bytes(b"PAR1 no more")
    told = run("study", own, "--shop", "volume")
    assert told.returncode == 2
    assert bad.name in told.stderr and "run `dfmcheck fleet` again" in told.stderr
    assert "Traceback" not in told.stderr


def test_lost_places_are_noticed(own: Path) -> None:
    from dfmcheck.fleet.study import study

    lost = max(own.glob("places/*/*.parquet"), key=lambda file: file.stat().st_size)
    parquet.write_table(parquet.read_table(lost).slice(1), lost)
    with pytest.raises(UsageError, match="its row tells"):
        study(own, load_shop("volume"), rules())


def test_places_of_a_package_gone_are_noticed(own: Path) -> None:
    from dfmcheck.fleet.study import study

    max(own.glob("places/*/*.parquet"), key=lambda file: file.stat().st_size).unlink()
    with pytest.raises(UsageError, match="not there"):
        study(own, load_shop("volume"), rules())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--shop", "nowhere"), "nowhere"),
        (("--shop", "volume", "--tier", "finest"), "no tier 'finest'"),
        (("--shop", "volume", "--scheduler", "tcp://127.0.0.1:9"), "does not answer"),
        (("--shop", "volume", "--scheduler", "nonsense://x"), "does not answer"),
    ],
)
def test_wrong_use_is_one_sentence(
    packages: Path, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    told = run("fleet", packages, *arguments, "--out", tmp_path / "out")
    assert told.returncode == 2, told.stderr
    assert words in told.stderr and "Traceback" not in told.stderr


def test_help_loads_none_of_it() -> None:
    import subprocess
    import sys

    code = (
        "import sys, dfmcheck.cli; heavy = {'dask', 'distributed', 'duckdb', 'numpy', 'pyarrow', "
        "'rich'} & set(sys.modules); assert not heavy - {'rich'}, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
