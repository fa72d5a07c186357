"""The watch when something breaks: packages, disks, installations, the watch itself."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dfmcheck import cli
from dfmcheck.errors import UsageError
from dfmcheck.watching import watch as watch_module
from dfmcheck.watching.arrivals import arrivals
from dfmcheck.watching.shelf import Shelf
from dfmcheck.watching.watch import Settings, Watch
from tests.watch.made import Made, files_of, results
from tests.watch.runs import once, settings, small, stand_in

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
    once(inbox, out, memory_limit=20)
    (place,) = results(out)
    assert place.parent.name == "aside"
    assert results(out)[place]["reasons"] == [
        "the screen failed: it needs more than the 20 MB of memory allowed"
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
