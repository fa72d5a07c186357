"""What runs in the process of one job: screen, judge, write the results.

Everything that goes wrong ends as one sentence; nothing of the customer's data goes to a log.
"""

from __future__ import annotations

import os
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dfmcheck.durable import sync_folder, write_synced
from dfmcheck.errors import DfmcheckError, PackageError, UsageError, out_of_memory
from dfmcheck.intake.sniff import looks_archived
from dfmcheck.service.folder import PACKAGE
from dfmcheck.service.model import Order, Outcome
from dfmcheck.service.results import FILES, MEASUREMENTS
from dfmcheck.service.shops import Shops

Tell = Callable[[dict[str, Any]], None]
_HEAD = 1 << 16
_TOOL = (
    "the screen failed by an error of the tool, not of the data; the operator finds it in the "
    "log under the id of this job"
)


@dataclass(frozen=True, slots=True)
class Task:
    """One attempt: what to screen, how, and where the results go."""

    order: Order
    package: Path
    folder: Path
    processes: int
    memory_mb: int


def perform(task: Task, shops: Shops, tell: Tell) -> None:
    """Run the job; the last thing told is its outcome. Raises only BrokenExecutor."""
    try:
        outcome = _screened(task, shops, tell)
    except (PackageError, UsageError) as error:
        outcome = Outcome("failed", _named(error, task), "package")
    except MemoryError:
        outcome = memory_outcome(task.memory_mb)
    except BrokenExecutor:
        raise  # one of the screen's own processes was ended: not an error of this one
    except Exception as error:
        if out_of_memory(error):
            outcome = memory_outcome(task.memory_mb)
        else:
            tell({"trace": _trace(error)})
            outcome = Outcome("failed", _TOOL, "tool")
    tell({"outcome": outcome_json(outcome)})


def outcome_json(outcome: Outcome) -> dict[str, Any]:
    return {
        "state": outcome.state, "reason": outcome.reason, "kind": outcome.kind,
        "verdict": outcome.verdict, "counts": dict(outcome.counts), "folder": outcome.folder,
    }  # fmt: skip


def memory_outcome(limit_mb: int) -> Outcome:
    """The end of a job that would take more memory than allowed."""
    return Outcome(
        "failed", f"the screen needs more than the {limit_mb} MB of memory allowed", "memory"
    )


def time_outcome(limit_s: float) -> Outcome:
    """The end of a job that takes too long."""
    return Outcome("failed", f"the screen takes longer than the {limit_s:g} s allowed", "time")


def _screened(task: Task, shops: Shops, tell: Tell) -> Outcome:
    from dfmcheck.judge import judge
    from dfmcheck.measure import store
    from dfmcheck.measure.rule import rules
    from dfmcheck.screen import screen

    order, options = task.order, task.order.options
    shop = shops.load(order.shop)
    path = _with_name(task)
    screening = screen(
        path,
        roles=options.get("roles") or {},
        board=options.get("board"),
        thickness=options.get("thickness"),
        copper_um=options.get("copper"),
        reach=shop.limit_reach(),
        workers=task.processes,
        progress=lambda stage, done, total: tell({"progress": [stage, done, total]}),
        drawing=True,
    )
    screening = replace(screening, package=screening.package.replace(path.name, order.name, 1))
    tell({"progress": ["judging", 0, 0]})
    known = rules()
    judgement = judge(
        screening,
        shop,
        tier=order.tier,
        thickness=options.get("thickness"),
        copper_um=options.get("copper"),
        rules=known,
    )
    tell({"progress": ["writing the report", 0, 0]})
    for file in FILES.values():
        if file.made is not None:
            text = file.made(judgement, shop, known, options.get("copper"))
            write_synced(task.folder / file.name, text.encode("utf-8", "replace"))
    store.save(screening, task.folder / MEASUREMENTS)
    with (task.folder / MEASUREMENTS).open("rb") as written:
        os.fsync(written.fileno())
    if path != task.package:
        path.unlink()
    sync_folder(task.folder)
    counts = Counter(finding.severity for finding in judgement.findings)
    return Outcome(
        "done", verdict=str(judgement.verdict), counts=dict(counts), folder=task.folder.name
    )


def _with_name(task: Task) -> Path:
    """Where to read the package.

    A single file's name tells its role. It must not name anything on disk, so the file is put
    into an archive under it, where intake treats it as any name a customer chose.
    """
    with task.package.open("rb") as file:
        if looks_archived(file.read(_HEAD)):
            return task.package
    path = task.folder / PACKAGE
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        archive.write(task.package, task.order.name)
    return path


def _named(error: DfmcheckError, task: Task) -> str:
    """The sentence, with the package called as the client called it."""
    file = task.order.name if error.file in (PACKAGE, str(task.package)) else error.file
    return str(type(error)(error.found, error.expected, error.action, file, error.line))


def _trace(error: BaseException) -> str:
    """Where it happened, without the message: that may quote the customer's data."""
    frames = traceback.extract_tb(error.__traceback__)
    where = " < ".join(
        f"{Path(f.filename).name}:{f.lineno} {f.name}"
        for f in reversed(frames)
        if not f.filename.startswith("<")
    )
    return f"{type(error).__name__} at {where}"
