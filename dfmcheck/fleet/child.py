"""The process that screens: one package after another, told by its standard input.

A worker starts it (:mod:`dfmcheck.fleet.keeper`), so that a package that brings the process down
takes nothing else with it. Each message, both ways, is a length in eight bytes and a pickle.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import resource
import struct
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from dfmcheck.fleet.content import Bundle
from dfmcheck.fleet.tasks import Outcome, Task, failed
from dfmcheck.processes import die_with_parent

if TYPE_CHECKING:
    from dfmcheck.measure.screening import Screening

HEAD = struct.Struct("<Q")


def main() -> None:
    """Screen what is asked for until the input ends."""
    die_with_parent()
    wanted = sys.stdin.buffer
    # what any library prints must not end up between the messages
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    while (message := read(wanted)) is not None:
        task: Task = pickle.loads(message)
        send(answers, done(task))


def read(stream: BinaryIO) -> bytes | None:
    """One message; None at the end."""
    head = stream.read(HEAD.size)
    return stream.read(HEAD.unpack(head)[0]) if len(head) == HEAD.size else None


def send(stream: BinaryIO, value: object) -> None:
    """Write one message."""
    content = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(HEAD.pack(len(content)))
    stream.write(content)
    stream.flush()


def done(task: Task) -> Outcome:
    """Screen or judge one package; whatever goes wrong is its outcome."""
    from dfmcheck.errors import PackageError, UsageError, out_of_memory

    start = time.perf_counter()
    if task.limits.memory:
        most = task.limits.memory * 1_000_000
        resource.setrlimit(
            resource.RLIMIT_DATA, (most, resource.getrlimit(resource.RLIMIT_DATA)[1])
        )
    try:
        return _screened(task, start)
    except Exception as error:
        if out_of_memory(error):
            state, reason = "memory", f"it needed more than {task.limits.memory} MB"
        elif isinstance(error, PackageError):
            state, reason = "unreadable", str(error)
        elif isinstance(error, UsageError):  # a wrong file of roles, or a wrong statement
            told = [f"{key} {task.statement.evidence[key]}" for key in ("board", "roles")
                    if key in task.statement.evidence]  # fmt: skip
            state = "unreadable"
            reason = f"{error} ({'; '.join(told)})" if told else str(error)
        else:
            state, reason = "error", f"{type(error).__name__}: {' '.join(str(error).split())}"
    return failed(task, state, reason, time.perf_counter() - start)


def _screened(task: Task, start: float) -> Outcome:
    from dfmcheck.fleet import dataset
    from dfmcheck.judge import judge
    from dfmcheck.measure.rule import rules

    places: bytes | None = None
    screening, row = _measured(task)
    measured = not isinstance(task.source, tuple)
    if measured or row["customer"] != task.identity.customer:
        places = dataset.places_bytes(screening.places, task.identity, task.made_by)
    if measured:
        row["seconds"] = time.perf_counter() - start
        # of the process so far, whichever package it was that needed most
        row["memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    judgement = judge(screening, task.shop, tier=task.tier, rules=rules())
    weights = Counter(finding.severity for finding in judgement.findings)
    row |= {
        "package": task.identity.package, "customer": task.identity.customer,
        "key": task.identity.key, "hash": task.identity.hash, "made_by": task.made_by,
        "state": dataset.SCREENED, "verdict": str(judgement.verdict),
        "shop": task.shop.name, "shop_mark": dataset.mark(task.shop), "tier": task.tier,
        "fits": next((fit.tier for fit in judgement.tier_fit if fit.fits), ""),
        "holds": weights["hold"], "queries": weights["query"], "notes": weights["note"],
        "reasons": list(judgement.reasons), "stated": task.statement.text(),
    }  # fmt: skip
    return Outcome(
        task.identity, dataset.SCREENED, dataset.job_bytes(row), places,
        str(judgement.verdict), "", time.perf_counter() - start, measured,
    )  # fmt: skip


def _measured(task: Task) -> tuple[Screening, dict[str, Any]]:
    """The screening, and its columns of the row."""
    from dfmcheck import screen as orchestrator
    from dfmcheck.fleet import dataset, statements

    stated = task.statement
    if isinstance(task.source, tuple):
        kept, places = task.source
        row = dataset.row_from(kept)
        screening = dataset.screening_of(row, dataset.places_from(places))
        screening = statements.recorded(screening, stated)
        return screening, row | dataset.screening_row(screening)
    with contextlib.ExitStack() as stack:
        if isinstance(task.source, Bundle):
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="dfmcheck-"))
            path = task.source.unfold(Path(folder))
        else:
            path = task.source
        screening = orchestrator.screen(
            path, roles=stated.roles, board=stated.board or None,
            thickness=stated.thickness if stated.own else None,
            thickness_otherwise=stated.thickness, copper_um=stated.copper,
            reach=task.shop.limit_reach(), workers=1,
        )  # fmt: skip
    screening = statements.recorded(screening, stated)
    return screening, dataset.screening_row(screening)


if __name__ == "__main__":
    main()
