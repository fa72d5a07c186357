"""Looks into the inbox again and again, and deals with what has arrived."""

from __future__ import annotations

import hashlib
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import dfmcheck
from dfmcheck.capability import load_shop
from dfmcheck.errors import UsageError
from dfmcheck.judge.judging import tier_of
from dfmcheck.limited import End, Ended, run_limited
from dfmcheck.report.text import plain, plural
from dfmcheck.watching.arrivals import Arrival, Signature, arrivals, digest_of, signature_of
from dfmcheck.watching.locks import locked
from dfmcheck.watching.shelf import ASIDE, Shelf, unwritable

_STEP = 0.1  # seconds between looks at whether to stop
_JOB = "dfmcheck.watching.job"
_BROKEN = ("ImportError", "ModuleNotFoundError", "SyntaxError")
"""Errors of an installation that is not whole."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How packages are screened; lengths mm, copper µm, memory MB, times seconds."""

    shop: str
    tier: str | None = None
    thickness: float | None = None
    copper: float | None = None
    workers: int = 1
    time_limit: float = 900.0
    memory_limit: int = 4000
    settle: float = 5.0
    every: float = 2.0


@dataclass(slots=True)
class Watch:
    """Screens every package that arrives in ``inbox`` once.

    ``tell`` is given one line for each thing that happens, ``stop`` is asked whether to leave.
    """

    inbox: Path
    out: Path
    settings: Settings
    tell: Callable[[str], None]
    stop: Callable[[], bool] = lambda: False
    failed: int = 0  # packages put aside, or that could not be dealt with
    _shelf: Shelf = field(init=False)
    _judged: dict[str, Any] = field(init=False, default_factory=dict)
    _seen: dict[str, tuple[Signature, float]] = field(init=False, default_factory=dict)
    _troubled: dict[str, Signature] = field(init=False, default_factory=dict)

    def run(self, *, once: bool = False) -> None:
        """Watch until told to stop; with ``once``, deal with what is there and leave.

        Raises
        ------
        UsageError
            Shop, tier or a folder is wrong, or results can no longer be written.
        """
        _check_folders(self.inbox, self.out)
        self._judged = self._judged_with()
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(self.out, error) from error
        with locked(self.inbox, self.out):
            self._shelf = Shelf.opened(self.out, self._judged)
            if once:
                self._once()
                return
            while not self.stop():
                for arrival in self._settled():
                    if self.stop():
                        break
                    self._deal(arrival)
                self._wait(self.settings.every)

    def _judged_with(self) -> dict[str, Any]:
        given = self.settings
        shop = load_shop(given.shop)
        limits = hashlib.sha256(shop.content().encode()).hexdigest()
        return {
            "shop": shop.name, "limits": limits, "tier": tier_of(shop, given.tier),
            "thickness": given.thickness, "copper": given.copper,
        }  # fmt: skip

    # -- what has arrived ----------------------------------------------------------------

    def _once(self) -> None:
        first = {one.name: one.signature for one in self._look()}
        if first:
            self._wait(self.settings.settle)
        for arrival in self._look():
            if arrival.name not in first or self.stop():
                continue
            if arrival.signature == first[arrival.name]:
                self._deal(arrival)
            else:
                self._tell(arrival, "still arriving; left for the next run")

    def _settled(self) -> list[Arrival]:
        """What has not changed for as long as it must, and gave no trouble as it is."""
        now = time.monotonic()
        here = self._look()
        before, self._seen = self._seen, {}
        out = []
        for one in here:
            signature, since = before.get(one.name, (one.signature, now))
            if signature != one.signature:
                since = now
            self._seen[one.name] = (one.signature, since)
            if now - since >= self.settings.settle:
                out.append(one)
        names = {one.name for one in here}
        self._troubled = {n: s for n, s in self._troubled.items() if n in names}
        return [one for one in out if self._troubled.get(one.name) != one.signature]

    def _look(self) -> list[Arrival]:
        try:
            return arrivals(self.inbox)
        except OSError as error:
            raise UsageError(
                f"cannot be looked into ({error.strerror or error})", "a folder of packages",
                "Check the folder.", file=str(self.inbox),
            ) from error  # fmt: skip

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self.stop() and (left := until - time.monotonic()) > 0:
            time.sleep(min(left, _STEP))

    # -- one package ---------------------------------------------------------------------

    def _deal(self, arrival: Arrival) -> None:
        """Screen a package, unless there is a result of it, and move it to its result."""
        try:
            digest = digest_of(arrival.path)
        except FileNotFoundError:
            return  # whoever put it there took it away again
        except OSError as error:
            self._trouble(arrival, f"cannot be read ({error.strerror or error}); left where it is")
            return
        before = self._shelf.find(arrival.name, digest)
        place = before or self._screened(arrival, digest)
        if place is None:
            return
        try:
            at = self._shelf.take(place, arrival.path, arrival.signature)
        except OSError as error:
            self._trouble(arrival, f"cannot be moved ({error.strerror or error}); its result is in "
                          f"{self._shown(place)}")  # fmt: skip
            return
        if at is None:
            self._tell(arrival, "changed after it was screened; looked at anew")
        elif before is not None:
            self._tell(arrival, f"was screened before; moved to {self._shown(at.parent)}")

    def _screened(self, arrival: Arrival, digest: str) -> Path | None:
        """The published result; None where there is none to publish."""
        self._check_shop()
        try:
            part = self._shelf.part()
            began = time.monotonic()
            ended = self._run(arrival, part)
            taken = time.monotonic() - began
            if ended.end is End.STOPPED or not self._same(arrival, digest):
                shutil.rmtree(part)
                if ended.end is not End.STOPPED:
                    self._tell(arrival, "changed while it was screened; looked at anew")
                return None
            if "unwritable" in ended.answer:
                raise OSError(ended.answer["unwritable"])
            if ended.error in _BROKEN:  # no package's fault: none is put aside for it
                raise RuntimeError(ended.reason)
            if ended.end is not End.DONE:  # reports of a screen that failed later are no reports
                shutil.rmtree(part)
                part = self._shelf.part()
            self._shelf.keep_roles(part, arrival.path)
            kind, result = self._result(arrival, digest, ended)
            place = self._shelf.publish(part, kind, arrival.name, result)
        except OSError as error:
            raise unwritable(self.out, error) from error
        self.failed += kind == ASIDE
        self._tell(arrival, f"{_outcome(kind, result)}, {taken:.1f} s: {self._shown(place)}")
        return place

    def _run(self, arrival: Arrival, part: Path) -> Ended:
        given = self.settings
        return run_limited(
            _JOB,
            {
                "package": str(arrival.path.absolute()), "folder": str(part.absolute()),
                "shop": given.shop, "tier": given.tier, "thickness": given.thickness,
                "copper": given.copper, "workers": given.workers,
            },
            seconds=given.time_limit,
            megabytes=given.memory_limit,
            processes=given.workers,
            stop=self.stop,
        )  # fmt: skip

    def _same(self, arrival: Arrival, digest: str) -> bool:
        try:
            return (
                signature_of(arrival.path) == arrival.signature
                and digest_of(arrival.path) == digest
            )
        except OSError:
            return False

    def _result(self, arrival: Arrival, digest: str, ended: Ended) -> tuple[str, dict[str, Any]]:
        """Where the package belongs, and what ``result.json`` says."""
        answer = ended.answer
        verdict = answer.get("verdict")
        reasons = answer.get("reasons", [])
        if ended.end is not End.DONE:
            # What cannot be opened is held, as the screen command does with exit code 20.
            verdict = "hold" if ended.error == "PackageError" else None
            reasons = [ended.reason if verdict else f"the screen failed: {ended.reason}"]
        result = {
            "package": plain(arrival.name),
            "sha256": digest,
            "verdict": verdict,
            "ended": str(ended.end),
            "reasons": reasons,
            "complete": bool(answer.get("complete", False)),
            "findings": answer.get("findings"),
            "files": answer.get("files", []),
            "shop": self._judged["shop"],
            "tier": self._judged["tier"],
            "tool": {"name": "dfmcheck", "version": dfmcheck.__version__},
        }
        if verdict is None and ended.trace:
            result["last_words"] = plain(ended.trace)
        return verdict or ASIDE, result

    def _check_shop(self) -> None:
        if self._judged_with() != self._judged:
            raise UsageError(
                "the shop's limits have changed since the watch began",
                "one set of limits for all results of a folder",
                "Start again with another --out.",
                file=self.settings.shop,
            )

    # -- telling -------------------------------------------------------------------------

    def _trouble(self, arrival: Arrival, text: str) -> None:
        """Tell once, and leave the package alone until it changes or the watch starts again."""
        self._troubled[arrival.name] = arrival.signature
        self.failed += 1
        self._tell(arrival, text)

    def _tell(self, arrival: Arrival, text: str) -> None:
        self.tell(f"{plain(arrival.name)}: {plain(text)}")

    def _shown(self, place: Path) -> str:
        return f"{place.relative_to(self.out).as_posix()}/"


def _outcome(kind: str, result: dict[str, Any]) -> str:
    counts = result["findings"]
    if counts is None:
        reason = str(result["reasons"][0])
        return f"{kind} ({reason})"
    told = [plural(counts["hold"], "hold"), plural(counts["query"], "query", "queries")]
    partial = "" if result["complete"] else ", partial screen"
    return f"{kind} ({', '.join(told)}{partial})"


def _check_folders(inbox: Path, out: Path) -> None:
    if not os.access(inbox, os.R_OK | os.W_OK | os.X_OK):
        raise UsageError(
            "this user may not move packages out of it", "a folder this user may write to",
            "Change its rights, or run as its owner.", file=str(inbox),
        )  # fmt: skip
    a, b = inbox.resolve(), out.resolve()
    if a == b or a in b.parents or b in a.parents:
        raise UsageError(
            f"--out {out} and {inbox} lie in one another", "two folders apart",
            "Give another --out.",
        )  # fmt: skip
