"""The folder watch: what it takes for a package, where each ends, and what a crash leaves."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dfmcheck import cli
from dfmcheck.errors import UsageError
from dfmcheck.watching import watch as watch_module
from dfmcheck.watching.arrivals import arrivals, digest_of, signature_of
from dfmcheck.watching.locks import locked
from dfmcheck.watching.shelf import Shelf
from dfmcheck.watching.watch import Settings, Watch
from tests.watch.made import Made, files_of, results, ten, zipped

CRASH = """
import os, signal, time
from pathlib import Path
from dfmcheck.limited import serve_task

def task(given):
    name = Path(given["package"]).name
    (Path(given["folder"]) / "report.json").write_text("half a rep")
    if name == "abort.zip":
        os.abort()
    if name == "slow.zip":
        time.sleep(100)
    if name == "torn.zip":
        import dfmcheck.none_such
    if name == "raise.zip":
        raise ZeroDivisionError("division by zero")
    return {"unwritable": "No space left on device"}

if __name__ == "__main__":
    serve_task(task)
"""


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    place = tmp_path / "inbox"
    place.mkdir()
    return place


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def settings(**given: Any) -> Settings:
    return Settings("volume", settle=given.pop("settle", 0.0), **given)


def once(inbox: Path, out: Path, **given: Any) -> list[str]:
    told: list[str] = []
    Watch(inbox, out, settings(**given), told.append).run(once=True)
    return told


def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another job in place of the screen."""
    (tmp_path / "made_up_job.py").write_text(CRASH)
    path = os.pathsep.join((str(tmp_path), str(Path(__file__).parents[2])))
    monkeypatch.setenv("PYTHONPATH", path)
    monkeypatch.setattr(watch_module, "_JOB", "made_up_job")


def small(name: str, mark: bytes = b"") -> Made:
    return Made(name, "hold", data=b"not an archive " + mark)


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


# -- failures -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("abort.zip", "the screen failed: its process ended without a result (signal SIGABRT)"),
        ("raise.zip", "the screen failed: ZeroDivisionError: division by zero"),
        ("slow.zip", "the screen failed: it took longer than the 4 s allowed"),
    ],
)
def test_package_that_breaks_the_screen_is_put_aside_with_the_reason(
    inbox: Path, out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, told: str
) -> None:
    stand_in(tmp_path, monkeypatch)
    small(name).put(inbox)
    watching = Watch(inbox, out, settings(time_limit=4.0), lambda line: None)
    watching.run(once=True)
    (place,) = results(out)  # which asserts that the half-written report is not there
    assert place.parent.name == "aside"
    result = results(out)[place]
    assert (result["verdict"], result["reasons"], result["complete"]) == (None, [told], False)
    assert small(name).is_at(place / "package" / name)
    assert watching.failed == 1


def test_real_screen_is_held_to_its_memory(inbox: Path, out: Path) -> None:
    Made("logger", "release", files=files_of("clean")).put(inbox)
    once(inbox, out, memory_limit=60)
    (place,) = results(out)
    assert place.parent.name == "aside"
    assert results(out)[place]["reasons"] == [
        "the screen failed: it needs more than the 60 MB of memory allowed"
    ]


def test_disk_without_room_stops_the_watch_and_puts_nothing_aside(
    inbox: Path, out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(tmp_path, monkeypatch)
    small("any.zip").put(inbox)
    with pytest.raises(UsageError, match="results cannot be written"):
        once(inbox, out)
    assert results(out) == {}
    assert small("any.zip").is_at(inbox / "any.zip")


def test_torn_installation_stops_the_watch_and_puts_nothing_aside(
    inbox: Path, out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(tmp_path, monkeypatch)
    small("torn.zip").put(inbox)
    arguments = ["watch", str(inbox), "--shop", "volume", "--out", str(out), "--settle", "0"]
    done = CliRunner().invoke(cli.app, arguments)
    assert done.exit_code == 1
    assert "No module named 'dfmcheck.none_such'" in done.stderr
    assert results(out) == {}
    assert small("torn.zip").is_at(inbox / "torn.zip")


def test_limits_that_change_under_way_stop_the_watch(inbox: Path, out: Path) -> None:
    shop = inbox.parent / "mine.toml"
    source = Path(__file__).parents[2] / "rulesets" / "volume.toml"
    shop.write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    watching = Watch(inbox, out, Settings(str(shop), settle=0.0), lambda line: None)
    small("a.zip").put(inbox)
    watching.run(once=True)
    text = shop.read_text(encoding="utf-8")
    changed = text.replace("standard = 125", "standard = 126")
    assert changed != text
    shop.write_text(changed, encoding="utf-8")
    small("b.zip").put(inbox)
    with pytest.raises(UsageError, match="judged with another limits"):
        Watch(inbox, out, Settings(str(shop), settle=0.0), lambda line: None).run(once=True)
    with pytest.raises(UsageError, match="limits have changed since the watch began"):
        watching._screened(arrivals(inbox)[0], "0" * 64)
    assert (inbox / "b.zip").exists()


def test_package_that_changes_while_it_is_screened_is_looked_at_anew(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small("a.zip", b"one").put(inbox)
    real = watch_module.run_limited

    def slow(*given: Any, **named: Any) -> Any:
        ended = real(*given, **named)
        (inbox / "a.zip").write_bytes(small("a.zip", b"two").data)
        return ended

    monkeypatch.setattr(watch_module, "run_limited", slow)
    told = once(inbox, out)
    assert told == ["a.zip: changed while it was screened; looked at anew"]
    assert results(out) == {}
    monkeypatch.setattr(watch_module, "run_limited", real)
    once(inbox, out)
    (place,) = results(out)
    assert small("a.zip", b"two").is_at(place / "package" / "a.zip")


def test_file_that_cannot_be_read_is_told_once_and_left(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small("a.zip").put(inbox)

    def refused(path: Path) -> str:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(watch_module, "digest_of", refused)
    told: list[str] = []
    looks = iter([False] * 40 + [True] * 1000)
    watching = Watch(inbox, out, settings(every=0.1), told.append, lambda: next(looks))
    watching.run()
    assert told == ["a.zip: cannot be read (Permission denied); left where it is"]
    assert small("a.zip").is_at(inbox / "a.zip")


def test_folder_that_cannot_be_walked_does_not_keep_the_others_waiting(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Made("locked", "hold", files=(("x.txt", b"no"),)).put(inbox)
    small("a.zip").put(inbox)
    real = os.scandir

    def refused(path: Any) -> Any:
        if str(path).endswith("locked"):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", refused)
    told = once(inbox, out)
    assert "locked: cannot be read (Permission denied); left where it is" in told
    assert len(results(out)) == 1


def test_names_of_any_bytes_come_through(inbox: Path, out: Path) -> None:
    name = os.fsdecode(b"r\xe9v\n\x1b[2J.zip")
    small(name).put(inbox)
    told = once(inbox, out)
    (place,) = results(out)
    assert small(name).is_at(place / "package" / name)
    assert place.name.isprintable()
    assert all(line.isprintable() for line in told)


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


# -- crashes, at the moments that matter --------------------------------------------------


class Killed(BaseException):
    """Stands for kill -9: nothing catches it."""


def killed(*given: Any, **named: Any) -> Any:
    raise Killed


@pytest.mark.parametrize("moment", ["publish", "take", "rename", "sync"])
def test_killed_at_a_moment_that_matters_each_package_ends_once(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    small("a.zip").put(inbox)
    with monkeypatch.context() as patch:
        if moment in ("publish", "take"):
            patch.setattr(Shelf, moment, killed)
        else:
            real_rename, real_sync = Path.rename, Shelf.take

            def rename(path: Path, target: Path) -> Path:
                if path.parent == inbox:
                    if moment == "sync":
                        real_rename(path, target)
                    raise Killed
                return real_rename(path, target)

            patch.setattr(Path, "rename", rename)
            assert real_sync is Shelf.take
        with pytest.raises(Killed):
            once(inbox, out)
    before = {p: (p / "result.json").stat().st_mtime_ns for p in results(out)}
    assert len(before) == (moment != "publish")
    once(inbox, out)
    (place,) = found = results(out)
    assert found[place]["verdict"] == "hold"
    assert small("a.zip").is_at(place / "package" / "a.zip")
    assert list(inbox.iterdir()) == []
    assert list((out / ".work").iterdir()) == []
    if before:  # it was not screened again
        assert before == {place: (place / "result.json").stat().st_mtime_ns}


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_out_on_another_file_system(
    inbox: Path, out: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    one = small("a.zip") if kind == "file" else Made("a", "hold", files=(("x.txt", b"no"),))
    one.put(inbox)
    real = Path.rename

    def rename(path: Path, target: Path) -> Path:
        if path.parent == inbox:
            raise OSError(errno.EXDEV, "Invalid cross-device link")
        return real(path, target)

    monkeypatch.setattr(Path, "rename", rename)
    once(inbox, out)
    (place,) = results(out)
    assert one.is_at(place / "package" / one.name)
    assert list(inbox.iterdir()) == []
    assert list((out / ".work").iterdir()) == []


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
