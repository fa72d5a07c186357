"""The folder watch: what it takes for a package, where each ends, and what a crash leaves."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dfmcheck import cli
from dfmcheck.errors import UsageError
from dfmcheck.watching import watch as watch_module
from dfmcheck.watching.arrivals import arrivals, digest_of, signature_of
from dfmcheck.watching.locks import locked
from dfmcheck.watching.watch import Watch
from tests.watch.made import Made, files_of, results, ten, zipped
from tests.watch.runs import once, settings, small, stand_in

# -- what is a package --------------------------------------------------------------------


def test_files_and_folders_are_packages_and_what_is_unfinished_or_belongs_to_one_is_not(
    inbox: Path,
) -> None:
    for name in (
        "a.zip", "b.GBR", ".hidden.zip", "c.zip.part", "d.zip.tmp", "e.FILEPART",
        "a.roles.toml", "a.waivers.toml",
    ):  # fmt: skip
        (inbox / name).write_bytes(b"x")
    (inbox / "folder").mkdir()
    (inbox / "empty").mkdir()
    (inbox / "folder" / "top.gbr").write_bytes(b"x")
    (inbox / "link.zip").symlink_to(inbox / "a.zip")
    os.mkfifo(inbox / "pipe.zip")
    assert {one.name for one in arrivals(inbox)} == {"a.zip", "b.GBR", "folder"}


def test_first_come_first_served(inbox: Path) -> None:
    for n, name in enumerate(("z", "m", "a")):
        (inbox / name).write_bytes(b"x")
        os.utime(inbox / name, (1000 + n, 1000 + n))
    assert [one.name for one in arrivals(inbox)] == ["z", "m", "a"]


def test_digest_is_of_name_content_and_roles_and_of_nothing_else(tmp_path: Path) -> None:
    def digest(change: Callable[[Path], object] = lambda p: None, name: str = "board") -> str:
        base = tmp_path / os.urandom(8).hex()
        place = base / name
        (place / "drill").mkdir(parents=True)
        (place / "top.gbr").write_bytes(b"copper")
        (place / "drill" / "a.drl").write_bytes(b"holes")
        change(place)
        return digest_of(place)

    assert digest() == digest(lambda p: os.utime(p / "top.gbr", (5, 5)))
    different = [
        digest(),
        digest(name="board-2"),
        digest(lambda p: (p / "top.gbr").write_bytes(b"coppeR")),
        digest(lambda p: (p / "top.gbr").rename(p / "top2.gbr")),
        digest(lambda p: (p / "drill" / "a.drl").rename(p / "a.drl")),
        digest(lambda p: (p / "more").write_bytes(b"")),
        digest(lambda p: (p.parent / "board.roles.toml").write_bytes(b"[roles]\n")),
    ]
    assert len(set(different)) == len(different)


def test_signature_changes_with_every_write(inbox: Path) -> None:
    (inbox / "b").mkdir()
    assert signature_of(inbox / "b") is None
    (inbox / "b" / "x").write_bytes(b"1")
    seen = [signature_of(inbox / "b")]
    (inbox / "b" / "y").write_bytes(b"1")
    seen.append(signature_of(inbox / "b"))
    (inbox / "b" / "x").write_bytes(b"22")
    seen.append(signature_of(inbox / "b"))
    assert len(set(seen)) == 3
    assert signature_of(inbox / "gone") is None


# -- where it ends ------------------------------------------------------------------------


def test_packages_end_by_verdict_with_their_results(inbox: Path, out: Path) -> None:
    packages = [ten()[n] for n in (0, 1, 3, 7)]
    for one in packages:
        one.put(inbox)
    told = once(inbox, out)
    assert list(inbox.iterdir()) == []
    assert len(told) == len(packages)
    found = results(out)
    assert len(found) == len(packages)
    for one in packages:
        (place,) = [p for p in found if (p / "package" / one.name).exists()]
        assert place.parent.name == one.verdict == found[place]["verdict"]
        assert one.is_at(place / "package" / one.name)
        assert found[place]["reasons"]
    partial = next(r for r in found.values() if r["verdict"] == "query")
    assert partial["complete"] is False
    assert "partial screen" in next(line for line in told if line.startswith("harbour.zip"))


def test_same_name_with_other_contents_is_kept_apart(inbox: Path, out: Path) -> None:
    for mark in (b"one", b"two"):
        small("kettle.zip", mark).put(inbox)
        once(inbox, out)
    found = results(out)
    assert len(found) == 2
    assert {(p / "package" / "kettle.zip").read_bytes()[-3:] for p in found} == {b"one", b"two"}


def test_same_bytes_again_are_not_screened_again_and_not_lost(inbox: Path, out: Path) -> None:
    for _ in range(3):
        small("kettle.zip").put(inbox)
        told = once(inbox, out)
    (place,) = results(out)
    assert told == [f"kettle.zip: was screened before; moved to hold/{place.name}/again-2/"]
    assert all(
        small("kettle.zip").is_at(place / below / "kettle.zip")
        for below in ("package", "again-1", "again-2")
    )


def test_contents_made_to_share_a_folder_name_are_kept_apart(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    alike = {b"one": "ab" * 32, b"two": "ab" * 6 + "cd" * 26}
    monkeypatch.setattr(watch_module, "digest_of", lambda path: alike[path.read_bytes()[-3:]])
    for mark in alike:
        small("kettle.zip", mark).put(inbox)
        once(inbox, out)
    found = results(out)
    assert {told["sha256"] for told in found.values()} == set(alike.values())
    for place, told in found.items():
        assert alike[(place / "package" / "kettle.zip").read_bytes()[-3:]] == told["sha256"]


def test_roles_beside_a_package_count_and_are_kept_with_it(inbox: Path, out: Path) -> None:
    Made("logger", "hold", files=files_of("clean")).put(inbox)
    roles = '[roles]\n"tide-logger-legend-top.gbr" = "nothing"\n'
    (inbox / "logger.roles.toml").write_text(roles)
    once(inbox, out)
    (place,) = results(out)
    assert place.parent.name == "aside"
    assert "is not a role" in results(out)[place]["reasons"][0]
    assert (place / "package" / "logger.roles.toml").read_text() == roles
    assert [p.name for p in inbox.iterdir()] == ["logger.roles.toml"]


def test_waivers_in_the_inbox_do_not_count(inbox: Path, out: Path) -> None:
    """Whoever may send packages must not accept findings."""
    Made("logger", "query", files=files_of("clean", without=".gbrjob")).put(inbox)
    (inbox / "logger.waivers.toml").write_text("this is not even TOML [")
    once(inbox, out)
    (place,) = results(out)
    assert place.parent.name == "query"


# -- arriving -----------------------------------------------------------------------------


def test_upload_under_way_is_left_alone(inbox: Path, out: Path) -> None:
    data = zipped(files_of("clean"))
    done = threading.Event()

    def upload() -> None:
        with (inbox / "slow.zip").open("wb") as file:
            for start in range(0, len(data), 2000):
                file.write(data[start : start + 2000])
                file.flush()
                time.sleep(0.15)
        done.set()

    thread = threading.Thread(target=upload)
    thread.start()
    while not (inbox / "slow.zip").exists():
        time.sleep(0.01)
    assert once(inbox, out, settle=0.6) == ["slow.zip: still arriving; left for the next run"]
    assert results(out) == {}
    told: list[str] = []
    watching = Watch(
        inbox, out, settings(settle=0.6, every=0.1), told.append,
        lambda: bool(told),
    )  # fmt: skip
    watching.run()
    thread.join()
    assert done.is_set()
    (place,) = results(out)
    assert place.parent.name == "release"
    assert (place / "package" / "slow.zip").read_bytes() == data


# -- the command --------------------------------------------------------------------------


def test_two_watches_do_not_share_a_folder(inbox: Path, out: Path, tmp_path: Path) -> None:
    once(inbox, out)
    with locked(inbox), pytest.raises(UsageError, match="another watch works on this folder"):
        once(inbox, tmp_path / "out2")
    with locked(out), pytest.raises(UsageError, match="another watch"):
        once(inbox, out)
    once(inbox, out)  # and let go again


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("{inbox}", "--shop", "volume", "--out", "{inbox}/out"), "lie in one another"),
        (("{inbox}", "--shop", "volume", "--out", "{inbox}/.."), "lie in one another"),
        (("{inbox}", "--shop", "nowhere", "--out", "{out}"), "nowhere"),
        (("{inbox}", "--shop", "volume", "--tier", "x", "--out", "{out}"), "has no tier 'x'"),
        (("{inbox}/none", "--shop", "volume", "--out", "{out}"), "does not exist"),
        (("{inbox}", "--shop", "prototype", "--out", "{judged}"), "judged with another shop"),
    ],
)
def test_wrong_usage_is_code_2(
    inbox: Path, out: Path, tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    once(inbox, tmp_path / "judged")
    given = [a.format(inbox=inbox, out=out, judged=tmp_path / "judged") for a in arguments]
    done = CliRunner().invoke(cli.app, ["watch", *given, "--once"], env={"COLUMNS": "200"})
    assert done.exit_code == 2
    assert told in done.stderr


def test_once_leaves_with_1_where_something_was_put_aside(
    inbox: Path, out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = ["watch", str(inbox), "--shop", "volume", "--out", str(out), "--once",
                 "--settle", "0"]  # fmt: skip
    small("junk.zip").put(inbox)
    assert CliRunner().invoke(cli.app, arguments).exit_code == 0  # a hold is no failure
    stand_in(tmp_path, monkeypatch)
    small("abort.zip").put(inbox)
    done = CliRunner().invoke(cli.app, arguments)
    assert done.exit_code == 1
    assert "abort.zip: aside (the screen failed: its process ended" in done.stdout
