"""Runs of the watch, and a job in place of the screen."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from dfmcheck.watching import watch as watch_module
from dfmcheck.watching.watch import Settings, Watch
from tests.watch.made import Made

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
