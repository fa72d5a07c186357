"""Runs one screen in a process of its own, with bounded memory and time, and says what came of it.

The process is forked with everything imported, so that a case costs what its data costs.
"""

from __future__ import annotations

import contextlib
import io
import os
import pickle
import re
import resource
import select
import signal
import time
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console

from dfmcheck.capability import load_shop
from dfmcheck.errors import DfmcheckError
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.report.csv_report import to_csv
from dfmcheck.report.html import to_html
from dfmcheck.report.json_report import dumps
from dfmcheck.report.terminal import render
from dfmcheck.screen import screen

MEGABYTE = 1 << 20
#: The one limit of the shop that judges: a package is released unless its data is at fault.
_KEPT = "etch.conductor-width"


@dataclass(frozen=True)
class Outcome:
    """What became of one package.

    ``verdict`` is release, query or hold; the name of an error dfmcheck raises on purpose; or
    ``crash``, ``killed`` (out of time), ``memory`` where it broke a promise. ``said`` holds the
    sentences of defects, gaps and errors, ``reports`` what a person or program would read.
    ``peak`` is what the process grew by, MB; ``cpu`` user and system seconds.
    """

    verdict: str
    said: tuple[str, ...]
    seconds: float = 0.0
    cpu: float = 0.0
    peak: float = 0.0
    reports: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def run(path: Path, *, seconds: int = 60, gigabytes: float = 2.0) -> Outcome:
    """Screen and judge ``path`` and write every report of it, in a caged child process.

    ``seconds`` of processor time are allowed; a process that sleeps is ended after ten times that.
    """
    load_shop("volume"), rules()  # imported and cached before the fork
    start = time.perf_counter()
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        _child(path, write, seconds, gigabytes)
    os.close(write)
    data, late = b"", False
    while True:
        left = start + 10 * seconds - time.perf_counter()
        if left <= 0 or not select.select([read], [], [], left)[0]:
            late = True
            os.kill(child, signal.SIGKILL)
            break
        chunk = os.read(read, MEGABYTE)
        if not chunk:
            break
        data += chunk
    os.close(read)
    _, status, usage = os.wait4(child, 0)
    took = time.perf_counter() - start
    cpu = usage.ru_utime + usage.ru_stime
    if late or (os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)):
        return Outcome("killed", (), took, cpu, usage.ru_maxrss / 1024)
    if status or not data:
        return Outcome("crash", (f"exit status {status}",), took, cpu, usage.ru_maxrss / 1024)
    outcome: Outcome = pickle.loads(data)
    return replace(outcome, seconds=took, cpu=cpu, peak=usage.ru_maxrss / 1024 - outcome.peak)


def _child(path: Path, pipe: int, seconds: int, gigabytes: float) -> None:
    try:
        before = _kilobytes("VmRSS")
        limit = _kilobytes("VmSize") * 1024 + int(gigabytes * (1 << 30))
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 2)
        outcome = replace(_screen(path), peak=before / 1024)
        with os.fdopen(pipe, "wb") as out:
            out.write(pickle.dumps(outcome))
    finally:
        os._exit(0)


def _kilobytes(name: str) -> int:
    found = re.search(rf"{name}:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1])


def _screen(path: Path) -> Outcome:
    try:
        whole = load_shop("volume")
        shop = replace(whole, limits={_KEPT: whole.limits[_KEPT]})
        screening = screen(path, reach=shop.limit_reach(), workers=1, drawing=True)
        judgement = judge(screening, shop, rules=rules())
        out = io.StringIO()
        render(judgement, Console(file=out, width=120, highlight=False), limit=None, rules=rules())
        reports = [out.getvalue(), dumps(judgement), to_csv(judgement)]
        with contextlib.suppress(DfmcheckError):  # nothing to draw
            reports.append(to_html(judgement, shop, rules(), None))
        said = [d.sentence for d in screening.defects if d.weight]
        said += [gap.reason for gap in screening.gaps]
        shown = tuple(r if len(r) < 3 * MEGABYTE else r[:MEGABYTE] for r in reports)
        return Outcome(str(judgement.verdict), tuple(said[:500]), reports=shown)
    except DfmcheckError as error:
        return Outcome(type(error).__name__, (str(error),))
    except MemoryError:
        return Outcome("memory", ())
    except BaseException as error:
        import traceback

        frames = traceback.extract_tb(error.__traceback__)
        where = [f"{Path(f.filename).name}:{f.lineno}" for f in frames[-4:]]
        return Outcome("crash", (f"{type(error).__name__}: {str(error)[:300]} at {where}",))
