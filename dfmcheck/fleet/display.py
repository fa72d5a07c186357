"""How a fleet run shows its progress: a bar on a terminal, plain lines where piped."""

from __future__ import annotations

import time
from collections import Counter
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.text import Text

from dfmcheck.fleet.dataset import FAILURES, SCREENED, UNREADABLE, Known
from dfmcheck.report.look import ORANGE, SKY, Heading, hanging, inset, mark
from dfmcheck.report.text import plain, plural

if TYPE_CHECKING:
    from dfmcheck.fleet.tasks import Outcome

_EVERY = 10.0  # seconds between two lines where there is no bar
_LISTED = 50


class Display:
    """Counts what happens and shows it; afterwards prints what became of the packages."""

    def __init__(self, console: Console, errors: Console, *, quiet: bool = False) -> None:
        self.console, self.errors, self.quiet = console, errors, quiet
        self.total = self.already = self.judged = 0
        self.verdicts: Counter[str] = Counter()
        self.failures: list[tuple[str, str, str]] = []
        self.left_out: tuple[tuple[str, str], ...] = ()
        self.unmatched: tuple[tuple[str, str], ...] = ()
        self._start = self._told = time.monotonic()
        self._bar: Progress | None = None

    def __enter__(self) -> Display:
        if self.errors.is_terminal and not self.quiet:
            self._bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(complete_style=SKY, finished_style=SKY, pulse_style=ORANGE),
                MofNCompleteColumn(), TimeRemainingColumn(),
                console=self.errors, transient=True,
            )  # fmt: skip
            self._bar.start()
            self._line = self._bar.add_task("looking", total=None)
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    # -- what the run tells ------------------------------------------------------------

    def begun(self, total: int, left_out: tuple[tuple[str, str], ...]) -> None:
        self.total, self.left_out = total, left_out
        self._say(f"{plural(total, 'package')} found")
        self._show(0)

    def stated(self, file: str, packages: int, unmatched: tuple[tuple[str, int], ...]) -> None:
        self._say(f"{plain(file)} states something of {plural(packages, 'package')}")
        self.unmatched = tuple(
            (name, f"{file}, line {line}: no package has this name; nothing was changed by it")
            for name, line in unmatched
        )

    def working(self, workers: int) -> None:
        self._start = time.monotonic()
        self._say(f"screening on {plural(workers, 'worker')}")

    def kept(self, package: str, known: Known) -> None:
        self.already += 1
        if known.state == SCREENED:
            self.verdicts[known.verdict] += 1
        else:
            self.failures.append((package, known.state, known.reason))
        self._show(0)

    def ended(self, outcome: Outcome) -> None:
        if outcome.state == SCREENED:
            self.verdicts[outcome.verdict] += 1
            self.judged += not outcome.measured
        else:
            self.failures.append((outcome.identity.package, outcome.state, outcome.reason))
            name = plain(outcome.identity.package)
            self._say(f"{name}: {FAILURES[outcome.state]}: {plain(outcome.reason)}")
        self._show(_EVERY)

    @property
    def done(self) -> int:
        return sum(self.verdicts.values()) + len(self.failures)

    def _say(self, words: str) -> None:
        if self.quiet:
            return
        if self._bar is not None:
            self._bar.console.print(Text(words, "dim"))
        else:
            self.errors.print(Text(words), soft_wrap=True)

    def _show(self, every: float) -> None:
        """Move the bar; without one, a line now and then."""
        now = time.monotonic()
        if self._bar is not None:
            failed = f", {len(self.failures)} failed" if self.failures else ""
            self._bar.update(
                self._line, completed=self.done, total=self.total,
                description=f"screening{failed}",
            )  # fmt: skip
        elif every and now - self._told >= every:
            self._told = now
            self._say(
                f"{self.done} of {self.total} done, {len(self.failures)} failed, "
                f"{now - self._start:.0f} s, {self._rate(now):.2f} packages a second"
            )

    def _rate(self, now: float) -> float:
        return (self.done - self.already) / max(now - self._start, 1e-9)

    # -- afterwards --------------------------------------------------------------------

    def summary(self, folder: str, shop: str, tier: str, dataset: str) -> None:
        """What became of the packages, and which gave no measurements."""
        out, seconds = self.console, time.monotonic() - self._start
        new = self.done - self.already
        out.print(Heading(plural(self.total, "package"), f"shop {plain(shop)}, tier {plain(tier)}"))
        for name in ("release", "query", "hold"):
            if self.verdicts[name]:
                out.print(hanging(mark(name, out), f"{self.verdicts[name]:>5}  {name}"))
        if self.already:
            out.print(hanging(mark("none", out), f"{self.already:>5}  of these were done before"))
        unread = [one for one in self.failures if one[1] == UNREADABLE]
        broken = [one for one in self.failures if one[1] != UNREADABLE]
        if unread:
            out.print(hanging(mark("hold", out), f"{len(unread):>5}  cannot be opened: hold"))
        if broken:
            out.print(hanging(mark("query", out),
                              f"{len(broken):>5}  not screened: run the command again to try once "
                              "more"))  # fmt: skip
        if new:
            words = f"{plural(new, 'package')} in {seconds:.0f} s, {new / seconds:.2f} a second"
            if self.judged:
                words += f"; {self.judged} of them only judged anew"
            out.print(inset(Text(words, "dim")))
        self._list("packages without measurements", [
            (name, f"{FAILURES[state]}: {reason}") for name, state, reason in self.failures
        ])  # fmt: skip
        self._list("stated of no package", list(self.unmatched))
        self._list("left out of the folder", list(self.left_out))
        out.print()
        out.print(inset(Text(f"measurements in {plain(dataset)}; next:", "dim")))
        out.print(inset(Text(f"dfmcheck study {plain(dataset)} --shop {plain(shop)}")))

    def _list(self, title: str, rows: list[tuple[str, str]]) -> None:
        if not rows:
            return
        self.console.print()
        self.console.print(Heading(title, str(len(rows))))
        for name, why in sorted(rows)[:_LISTED]:
            self.console.print(
                hanging(mark("none", self.console), Text.assemble((plain(name), "bold"), "  ",
                                                                   plain(why)))
            )  # fmt: skip
        if len(rows) > _LISTED:
            self.console.print(inset(Text(f"… {len(rows) - _LISTED} more in the data set", "dim")))
