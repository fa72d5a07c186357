"""``dfmcheck watch`` as a process that is ended at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.watch.made import Made, files_of, results, ten

SEEDS = [int(word) for word in os.environ.get("DFMCHECK_KILL_SEEDS", "20261125").split()]
KILLS = 12


def start(inbox: Path, out: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            sys.executable, "-m", "dfmcheck.cli", "watch", str(inbox), "--shop", "volume",
            "--out", str(out), "--settle", "0", "--every", "0.1", "--workers", "1", *more,
        ],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def places(one: Made, inbox: Path, out: Path) -> int:
    """In how many places a package lies, byte for byte."""
    found = [inbox / one.name, *out.glob(f"*/*/package/{one.name}")]
    return sum(one.is_at(path) for path in found)


def wait_for_moment(draw: random.Random, out: Path) -> None:
    """Some time, or the moment at which a result is being written or has just appeared."""
    kind = draw.choice(["time", "writing", "appeared", "appeared"])
    until = time.monotonic() + draw.uniform(0.2, 4.0) + (6.0 if kind != "time" else 0.0)
    before = {p for p in out.glob("*/*/") if p.parent.name != ".work"}
    while time.monotonic() < until:
        if kind == "writing" and any(out.glob(".work/*/report.*")):
            break
        if kind == "appeared" and any(
            p not in before for p in out.glob("*/*/") if p.parent.name != ".work"
        ):
            break
        time.sleep(0.0005)
    time.sleep(draw.choice([0.0, 0.0, 0.001, 0.005]))


@pytest.mark.parametrize("seed", SEEDS)
def test_killed_again_and_again_each_package_ends_once_with_its_verdict(
    tmp_path: Path, seed: int
) -> None:
    draw = random.Random(seed)
    inbox, out = tmp_path / "inbox", tmp_path / "out"
    inbox.mkdir()
    packages = ten()
    coming = packages[:]
    draw.shuffle(coming)
    present: list[Made] = []
    first: dict[Path, bytes] = {}  # the first result seen in each place
    for _ in range(KILLS):
        while coming and not (inbox / coming[-1].name).exists() and draw.random() < 0.8:
            present.append(coming.pop())
            present[-1].put(inbox)
        process = start(inbox, out)
        wait_for_moment(draw, out)
        assert process.poll() is None, process.communicate()[0]
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        for place in results(out):  # each is whole at every moment
            kept = first.setdefault(place, (place / "result.json").read_bytes())
            assert (place / "result.json").read_bytes() == kept
        assert [places(one, inbox, out) for one in present] == [1] * len(present)
    while coming:
        for one in coming[:]:
            if not (inbox / one.name).exists():
                coming.remove(one)
                one.put(inbox)
        process = start(inbox, out, "--once")
        told, _ = process.communicate(timeout=300)
        assert process.returncode == 0, told
    process = start(inbox, out, "--once")
    told, _ = process.communicate(timeout=300)
    assert process.returncode == 0, told

    found = results(out)
    assert list(inbox.iterdir()) == []
    assert list((out / ".work").iterdir()) == []
    assert list((out / "aside").iterdir()) == []
    assert len(found) == len(packages)
    for one in packages:
        (place,) = [p for p in found if one.is_at(p / "package" / one.name)]
        assert place.parent.name == one.verdict
    for place, kept in first.items():
        assert (place / "result.json").read_bytes() == kept
    assert Counter(r["sha256"] for r in found.values()).most_common(1)[0][1] == 1


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_stop_it_leaves_at_once_and_clean(tmp_path: Path, number: int) -> None:
    inbox, out = tmp_path / "inbox", tmp_path / "out"
    inbox.mkdir()
    one = Made("logger", "release", files=files_of("clean"))
    one.put(inbox)
    process = start(inbox, out)
    until = time.monotonic() + 60
    while not any(out.glob(".work/*/")):
        assert time.monotonic() < until
        time.sleep(0.01)
    process.send_signal(number)
    told, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    assert told.rstrip().endswith("Z stopped")
    assert results(out) == {}
    assert list((out / ".work").iterdir()) == []
    assert one.is_at(inbox / "logger")
