"""Where reports go, and the progress display while they are being made."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from dfmcheck.errors import PackageError, UsageError


def check_outputs(*paths: Path | None) -> None:
    """Refuse, before hours of work, a path that cannot be written."""
    given = [path for path in paths if path is not None]
    places = ["-" if str(path) == "-" else os.path.realpath(path) for path in given]
    for n, place in enumerate(places):
        if place in places[:n]:
            named = "standard output (-)" if place == "-" else str(given[n])
            raise UsageError(
                f"{named} is named twice", "one place for each report", "Give another path."
            )
    for path in paths:
        if path is None or str(path) == "-":
            continue
        if path.is_dir() or not path.absolute().parent.is_dir():
            raise UsageError(
                "a folder" if path.is_dir() else "its folder does not exist",
                "a file that can be written",
                "Give another path.",
                file=str(path),
            )


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn a failure to write into a UsageError that names the path."""
    try:
        yield
    except OSError as error:
        raise UsageError(
            f"cannot be written ({error.strerror or error})",
            "a file that can be written",
            "Give another path.",
            file=str(path),
        ) from error
    except PackageError as error:  # from saving a screening; here the path is to blame
        raise UsageError(
            error.found, error.expected, error.action, error.file, error.line
        ) from error


def write(path: Path, text: str) -> None:
    """Write a report as UTF-8; ``-`` is standard output."""
    if str(path) == "-":
        sys.stdout.write(text)
        return
    with writing(path):
        path.write_text(text, encoding="utf-8", newline="")


@contextmanager
def progress(*, shown: bool) -> Iterator[Callable[[str, int, int], None] | None]:
    """A progress display on standard error, only when that is a terminal."""
    if not shown:
        yield None
        return
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn

    from dfmcheck.report.look import ORANGE, SKY
    from dfmcheck.report.text import plain

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(complete_style=SKY, finished_style=SKY, pulse_style=ORANGE),
        MofNCompleteColumn(),
    )
    with Progress(*columns, console=console, transient=True) as display:
        tasks: dict[str, TaskID] = {}

        def show(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = display.add_task(plain(what), total=total or None)
            display.update(tasks[what], completed=done, total=total or None)

        yield show
