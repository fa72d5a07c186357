"""What goes to a worker and what comes back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dfmcheck.fleet.content import Bundle
from dfmcheck.fleet.dataset import UNREADABLE, Identity, job_bytes, mark
from dfmcheck.fleet.statements import NOTHING, Statement

if TYPE_CHECKING:
    from dfmcheck.capability import Shop


@dataclass(frozen=True, slots=True)
class Limits:
    """What one package may use: seconds, and MB of memory (0: its share of the machine's)."""

    seconds: float
    memory: int


@dataclass(frozen=True, slots=True)
class Task:
    """One package to screen. ``source`` is its path where the worker sees it, its bytes where
    not, or the row and places kept of it where it only has to be judged again. ``statement``
    is what the user states of it."""

    identity: Identity
    source: Path | Bundle | tuple[bytes, bytes]
    shop: Shop
    tier: str
    made_by: str
    limits: Limits
    statement: Statement = NOTHING


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one package; ``places`` None where there are none, or none new.
    ``measured`` False: what was kept of it was only judged again."""

    identity: Identity
    state: str
    job: bytes
    places: bytes | None = None
    verdict: str = ""
    reason: str = ""
    seconds: float = 0.0
    measured: bool = True


def failed(task: Task, state: str, reason: str, seconds: float = 0.0) -> Outcome:
    """A package that gave no measurements. What cannot be opened is held, as `screen` does."""
    verdict = "hold" if state == UNREADABLE else ""
    row: dict[str, Any] = {
        "package": task.identity.package, "customer": task.identity.customer,
        "key": task.identity.key, "hash": task.identity.hash, "made_by": task.made_by,
        "state": state, "reason": reason, "seconds": seconds, "verdict": verdict or None,
        "shop": task.shop.name, "shop_mark": mark(task.shop), "tier": task.tier,
        "stated": task.statement.text(),
    }  # fmt: skip
    return Outcome(task.identity, state, job_bytes(row), None, verdict, reason, seconds)
