"""Clues one file of the package gives about others: job file, netlist head, reports, notes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import PurePosixPath

from dfmcheck.intake import limits
from dfmcheck.intake.content import function_clue, habit_clue
from dfmcheck.intake.habits import read_words
from dfmcheck.intake.package import FABRICATION, Clue, Source, Stack
from dfmcheck.intake.sniff import text_head
from dfmcheck.terms import Defect, Function, Weight

_PAIRS = re.compile(r"(?mi)^.*?DrillFile=([^|\n]+)\|DrillLayers=([^|\n]+)")
_CREATED = re.compile(r"(?mi)^\s*'([^'\n]+)'\s+created for holes connecting (.+?) and (.+?)\s*$")
_PAIR_OR_FILE = re.compile(
    r"(?mi)^\s*Layer Pair\s*:\s*(.+?)\s+to\s+(.+?)\s*$|^[^\n:]*\bFile\s*:\s*(\S[^\n]*?)\s*$"
)
_GENERATED = re.compile(r"(?mi)^\s*Generating\s*:\s*(\S[^\n]*?)\s*\n\s*File\s*:\s*(\S[^\n]*?)\s*$")
_STACK_ROW = re.compile(
    r"(?m)^C\s+(\S(?:.*?\S)?)\s{2,}\S+\s+(?:CONDUCTOR|PLANE)\s+\S+\s+(\d{1,4})\s*$"
)


class Listings:
    """Everything the package's own texts say about its files.

    Attributes
    ----------
    clues : dict
        By file name.
    stacks : list of Stack
        Stated orders of the conductors, most trusted first.
    endings : Stack or None
        Order of the conductors by the ending of their file names.
    defects : list of Defect
    """

    def __init__(self, files: Mapping[str, tuple[bytes, str]]) -> None:
        self.clues: dict[str, list[Clue]] = {}
        self.stacks: list[Stack] = []
        self.endings: Stack | None = None
        self.defects: list[Defect] = []
        self._by_base: dict[str, list[str]] = {}
        for name in files:
            self._by_base.setdefault(PurePosixPath(name).name.casefold(), []).append(name)
        for name, (data, kind) in files.items():
            if kind == "job":
                self._job(name, data)
            elif kind == "ipc-d-356":
                self._netlist(name, text_head(data))
            elif kind in ("listing", "text"):
                text = text_head(data)
                if not self._reports(name, text):
                    self._lines(name, text)

    def _find(self, said: str, beside: str) -> list[str]:
        """Files of this base name; those in the same folder when there are several."""
        base = re.split(r"[/\\]", said.strip())[-1].casefold()
        found = self._by_base.get(base, [])
        near = [f for f in found if PurePosixPath(f).parent == PurePosixPath(beside).parent]
        return near or found

    def _give(self, target: str, beside: str, clue: Clue | None) -> bool:
        names = self._find(target, beside)
        if clue is not None:
            for name in names:
                self.clues.setdefault(name, []).append(clue)
        return bool(names)

    def _job(self, name: str, data: bytes) -> None:
        if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{"):
            return  # the older Gerber form lists no files
        if len(data) > limits.MAX_JOB:
            return  # its reader says so
        try:
            job = json.loads(data.decode("utf-8-sig", "replace"))
        except (ValueError, RecursionError) as error:
            line = getattr(error, "lineno", None)
            deep = isinstance(error, RecursionError)
            beyond = "nested too deep" if deep else "a number of thousands of digits"
            self.defects.append(
                Defect(
                    "data.unreadable-file",
                    Weight.QUERY,
                    f"the job file is not valid JSON ({getattr(error, 'msg', beyond)})",
                    "JSON as the Gerber Job Format Specification asks",
                    "Export the job file again; the screen goes on without it",
                    file=name,
                    line=line,
                )
            )
            return
        entries = job.get("FilesAttributes") if isinstance(job, dict) else None
        if isinstance(entries, list) and len(entries) > limits.MAX_LISTED:
            self.defects.append(
                Defect(
                    "data.illegal-construct",
                    Weight.HOLD,
                    f"the job file lists {len(entries):,} files",
                    f"at most {limits.MAX_LISTED:,}",
                    "Those behind were not looked at; ask for a sensible job file",
                    file=name,
                )
            )
            entries = entries[: limits.MAX_LISTED]
        for entry in entries if isinstance(entries, list) else []:
            if not isinstance(entry, dict) or not isinstance(entry.get("Path"), str):
                continue
            function = entry.get("FileFunction")
            fields = tuple(function.split(",")) if isinstance(function, str) else ()
            clue = function_clue(fields, Source.JOB, f"the job file {PurePosixPath(name).name}")
            if not self._give(entry["Path"], name, clue):
                self.defects.append(
                    Defect(
                        "data.job-contradiction",
                        Weight.QUERY,
                        f"the job file lists {entry['Path'][:200]}, which is not in the package",
                        "every listed file",
                        "Send the missing file or a job file that fits the package",
                        file=name,
                    )
                )

    def _netlist(self, name: str, text: str) -> None:
        rows = sorted((int(number), label) for label, number in _STACK_ROW.findall(text))
        if len(rows) > 1 and [n for n, _ in rows] == list(range(1, len(rows) + 1)):
            said = f"the layer table in {PurePosixPath(name).name}"
            self.stacks.append(Stack(tuple(label for _, label in rows), said, 0.95))

    def _reports(self, name: str, text: str) -> bool:
        """Reports with a fixed form; False when the text is of no such form."""
        base = PurePosixPath(name).name
        known = False
        for target, layers in _PAIRS.findall(text):
            ends = [e.strip() for e in layers.split(",") if e.strip()]
            known = True
            if len(ends) > 1:
                said = f"{base} says it joins {ends[0]} to {ends[-1]}"
                span = (ends[0], ends[-1])
                self._give(target, name, Clue(Source.LISTING, said, 0.9, Function.DRILL, span=span))
                if self.endings is None or len(ends) > len(self.endings.names):
                    self.endings = Stack(
                        tuple(ends), f"{base} lists the conductors as {', '.join(ends)}", 0.92
                    )
        for target, first, last in _CREATED.findall(text):
            known = True
            said = f"{base} says its holes join {first} and {last}"
            clue = Clue(Source.LISTING, said, 0.9, Function.DRILL, span=(first, last))
            self._give(target, name, clue)
        heading = None
        for match in _PAIR_OR_FILE.finditer(text):
            if match[1]:
                heading, known = (match[1], match[2]), True
            elif heading:
                said = f"{base} says its holes join {heading[0]} and {heading[1]}"
                clue = Clue(Source.LISTING, said, 0.9, Function.DRILL, span=heading)
                self._give(match[3], name, clue)
        for layer, target in _GENERATED.findall(text):
            known = True
            said = f"{base} says it holds layer '{layer}'"
            self._give(target, name, habit_clue(read_words(layer), Source.LISTING, said, 0.8))
        return known

    def _lines(self, name: str, text: str) -> None:
        """Notes such as ``board.l2  inner layer 2, ground``: one file name and words beside it."""
        base = PurePosixPath(name).name
        for line in text.split("\n")[:400]:
            if not 4 < len(line) < 300:
                continue
            pieces = re.findall(r"[^\s\"'(),;:=|<>\[\]]+", line)
            hits = {
                p
                for p in pieces
                if p.casefold() in self._by_base and p.casefold() != base.casefold()
            }
            if len(hits) != 1:
                continue
            (hit,) = hits
            rest = line.replace(hit, " ").strip(" \t-:=|.*")
            if len(rest.split()) > 8:
                continue
            if not line.strip(" \t-*|").startswith(hit) and not line.rstrip(" \t.|").endswith(hit):
                continue
            habit = read_words(rest)
            if habit is None or habit.function not in FABRICATION | {Function.DOCUMENT}:
                continue
            said = f"{base} says '{' '.join(line.split())}'"
            self._give(hit, name, habit_clue(habit, Source.LISTING, said, 0.75))
