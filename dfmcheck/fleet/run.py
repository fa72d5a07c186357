"""Hands packages to Dask workers and writes what comes back, once each.

Workers measure and judge; only this process reads and writes the data set, so a task that Dask
runs twice, because a worker was lost in the middle, still ends in one place once.
"""

from __future__ import annotations

import logging
import queue
import signal
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from dfmcheck import __version__
from dfmcheck.errors import DfmcheckError, UsageError
from dfmcheck.fleet import content
from dfmcheck.fleet.dataset import FINAL, SCREENED, Dataset, Identity, Known, key_of, mark
from dfmcheck.fleet.discover import Found, discover
from dfmcheck.fleet.keeper import kept, memory_share, work
from dfmcheck.fleet.statements import Statement, Statements
from dfmcheck.fleet.tasks import Limits, Outcome, Task, failed

if TYPE_CHECKING:
    from dfmcheck.capability import Shop

    # Dask has hints for part of itself only
    Client = Any
    Future = Any

NONE_STATED = Statements()
_HERE = "127.0.0.1:0"  # any free port that only this machine reaches
_AHEAD = 2  # packages handed out per worker, so that none waits for the next
_EVERY = 3.0  # seconds between two looks at which workers are there
_CALM = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.admin.tick.interval": "500ms",
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}
"""Dask looks at itself a hundred times a second unless told not to: the cores are for packages."""
_PATIENCE = 60.0  # seconds without any worker before the run gives up


class LostError(DfmcheckError):
    """Nobody is left to screen; the same command goes on later."""


class Tell(Protocol):
    """Hears how the run goes."""

    def begun(self, total: int, left_out: tuple[tuple[str, str], ...]) -> None:
        """``total`` packages were found."""

    def stated(self, file: str, packages: int, unmatched: tuple[tuple[str, int], ...]) -> None:
        """A file states something of so many packages; names in it (with their line) that are
        those of no package."""

    def working(self, workers: int) -> None:
        """So many workers are there."""

    def kept(self, package: str, known: Known) -> None:
        """A package is done already."""

    def ended(self, outcome: Outcome) -> None:
        """A package has been screened, or has failed."""


@dataclass(frozen=True, slots=True)
class Options:
    """How packages are screened. ``shared``: remote workers see the folder under the same path;
    otherwise packages are sent to them, up to ``most_sent`` MB each."""

    workers: int = 1
    scheduler: str = ""
    shared: bool = False
    most_sent: int = 200
    limits: Limits = field(default_factory=lambda: Limits(1800.0, 0))


def screen_fleet(
    folder: Path, shop: Shop, tier: str, out: Path, options: Options, tell: Tell,
    statements: Statements = NONE_STATED,
) -> None:  # fmt: skip
    """Screen every package below ``folder`` into the data set ``out``.

    What the data set holds of the same content, measured by this version as far as ``shop``
    needs, is not measured again; it is judged again where it was judged for another shop or
    tier, or by other ``statements``, and measured again where those change what is measured.
    Packages that failed for a reason of the machine are tried again.

    Raises
    ------
    UsageError
        Folder, data set or scheduler cannot be used.
    LostError
        No worker is left, or no scheduler. What is done is kept.
    """
    search = discover(folder, leave=out)
    store = Dataset(out)
    with store.locked():
        known = store.known()
        tell.begun(len(search.packages), search.left_out)
        names = [found.name for found in search.packages]
        stated = {name: statements.of(name) for name in names}
        if statements.file:
            with_any = sum(statements.named(name) for name in names)
            tell.stated(statements.file, with_any, statements.unmatched(names))
        plan = _planned(search.packages, known, stated, store, shop, tier, options, tell)
        first = next(plan, None)
        if first is None:
            return
        with _stoppable() as stop, _client(options) as client:
            tell.working(len(client.nthreads()) if options.scheduler else options.workers)
            for outcome in _outcomes(client, first, plan, stop):
                identity, old = outcome.identity, known.get(outcome.identity.key)
                store.write(
                    identity, outcome.job, outcome.places, keep=not outcome.measured,
                    before=None if old is None else replace(identity, customer=old.customer),
                )  # fmt: skip
                tell.ended(outcome)


def _planned(
    packages: tuple[Found, ...], known: dict[str, Known], stated: dict[str, Statement],
    store: Dataset, shop: Shop, tier: str, options: Options, tell: Tell,
) -> Iterator[Task | Outcome]:  # fmt: skip
    """Tasks to be done; outcomes for packages that cannot even be read here."""
    limits = options.limits
    if not limits.memory and not options.scheduler:
        limits = Limits(limits.seconds, memory_share(options.workers))
    shop_mark, reach = mark(shop), shop.limit_reach()
    for found in packages:
        key, statement = key_of(found.name), stated[found.name]
        identity = Identity(found.name, statement.customer or found.customer, key, "")
        unread = ""
        try:
            identity = replace(identity, hash=content.digest(found.path))
        except OSError as error:
            unread = f"{error.filename or found.path}: it cannot be read ({error.strerror})"
        task = Task(identity, found.path.absolute(), shop, tier, __version__, limits, statement)
        if unread:
            yield failed(task, "unreadable", unread)
            continue
        before = known.get(key)
        if before is not None and _counts(before, task, reach):
            same = (before.shop, before.tier, before.stated) == (shop_mark, tier, statement)
            if same or before.state != SCREENED:
                tell.kept(found.name, before)
                continue
            yield replace(task, source=store.read(replace(identity, customer=before.customer)))
        elif options.scheduler and not options.shared:
            yield _sent(task, found.path, options)
        else:
            yield task


def _counts(known: Known, task: Task, reach: dict[str, float]) -> bool:
    """Whether what the data set holds need not be measured again."""
    if (known.hash, known.made_by) != (task.identity.hash, __version__):
        return False
    if known.state != SCREENED:  # a wrong statement may be why it could not be opened
        return known.state in FINAL and known.stated == task.statement
    same = task.statement.measures_as(known.stated, known.data_thickness)
    return same and all(known.reach.get(id_, far) >= far for id_, far in reach.items())


def _sent(task: Task, path: Path, options: Options) -> Task | Outcome:
    size = content.size(path) / 1e6
    if size > options.most_sent:
        reason = (
            f"its {size:.0f} MB are more than the {options.most_sent} MB sent to a worker; raise "
            "--send-limit, or use --shared where the workers see the folder"
        )
        return failed(task, "too-large", reason)
    return replace(task, source=content.pack(path))


def _outcomes(
    client: Client, first: Task | Outcome, rest: Iterator[Task | Outcome], stop: threading.Event
) -> Iterator[Outcome]:
    """Every outcome once, in the order they come; few packages are read ahead."""
    ended: queue.SimpleQueue[Future] = queue.SimpleQueue()
    out: dict[Any, Task] = {}
    ahead: Task | Outcome | None = first
    idle, asked, workers = 0.0, -_EVERY, 0
    while ahead is not None or out:
        if stop.is_set():
            raise KeyboardInterrupt
        if time.monotonic() - asked > _EVERY:  # workers may come and go
            asked, workers = time.monotonic(), _threads(client)
        while ahead is not None and len(out) < _AHEAD * max(workers, 1):
            if isinstance(ahead, Outcome):
                yield ahead
            else:
                future = client.submit(work, ahead, key=f"screen-{ahead.identity.key}", pure=False)
                out[future.key] = ahead
                future.add_done_callback(ended.put)
            ahead = next(rest, None)
        if not out:
            continue
        try:
            future = ended.get(timeout=1.0)
        except queue.Empty:
            idle = 0.0 if workers else idle + 1.0
            if idle > _PATIENCE or client.status in ("closed", "closing"):
                raise LostError(
                    "no worker is left", "at least one worker",
                    "Start workers and run the same command again: what is done is kept.",
                ) from None  # fmt: skip
            continue
        idle = 0.0
        yield _outcome(future, out.pop(future.key))


def _threads(client: Client) -> int:
    """Packages that can be screened at a time."""
    try:
        return sum(client.nthreads().values())
    except (OSError, RuntimeError, TimeoutError) as error:
        raise _scheduler_lost() from error


def _scheduler_lost() -> LostError:
    return LostError(
        "the scheduler was lost", "a scheduler that stays",
        "Start it and run the same command again: what is done is kept.",
    )  # fmt: skip


def _outcome(future: Future, task: Task) -> Outcome:
    if future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    if future.status == "cancelled":
        raise _scheduler_lost()
    error = future.exception()
    told = " ".join(str(error).split())
    if type(error).__name__ == "KilledWorker":
        return failed(task, "crash", "every worker that had it was lost")
    return failed(task, "error", f"{type(error).__name__}: {told}")


@contextmanager
def _client(options: Options) -> Iterator[Client]:
    """A cluster of local processes, or the scheduler named."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise UsageError(
            "Dask is not installed", "the extra 'fleet'", "Run pip install 'dfmcheck[fleet]'."
        ) from error
    warnings.filterwarnings("ignore", message="Sending large graph")
    for name in (*logging.root.manager.loggerDict, "asyncio"):
        if name.split(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
    if not options.scheduler:
        with import_module("dask").config.set(_CALM):
            # Threads are enough: each has a process of its own that screens.
            cluster = distributed.LocalCluster(
                n_workers=1,
                threads_per_worker=options.workers,
                processes=False,
                # without an address both would listen on every interface
                dashboard_address=_HERE,
                worker_dashboard_address=_HERE,
                memory_limit=None,  # what is measured is held by the processes that screen
                silence_logs=logging.CRITICAL,
            )
        with cluster, distributed.Client(cluster) as client, kept():
            yield client
        return
    try:
        client = distributed.Client(options.scheduler, timeout=15)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"the scheduler {options.scheduler} does not answer",
            "the address of a Dask scheduler, such as tcp://10.0.0.5:8786",
            "Start it with `dask scheduler`, or correct the address.",
        ) from error
    with client:
        _check(client, options)
        yield client


@contextmanager
def _stoppable() -> Iterator[threading.Event]:
    """Ctrl-C sets the event; asked for by the loop, it is lost in no callback of a library.

    The second one ends the run wherever it is.
    """
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return

    def heard(*_: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = signal.signal(signal.SIGINT, heard)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


def _check(client: Client, options: Options) -> None:
    """Every worker must run this version, or one data set would hold two kinds of measurements."""
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
        versions: dict[str, Any] = client.run(_version, on_error="return")
    except TimeoutError as error:
        raise UsageError(
            f"the scheduler {options.scheduler} has no worker",
            "at least one worker",
            f"Start workers with `dask worker {options.scheduler}`.",
        ) from error
    for address, version in versions.items():
        if version != __version__:
            found = version if isinstance(version, str) else "no dfmcheck at all"
            raise UsageError(
                f"the worker at {address} has {found}",
                f"dfmcheck {__version__}, as here",
                "Install the same version on every worker.",
            )


def _version() -> str:
    from dfmcheck import __version__

    return __version__
