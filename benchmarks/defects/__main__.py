"""``python -m benchmarks.defects``: plant, screen, score, and write the page.

The open boards lie in the folder DFMCHECK_BOARDS names, or in ../shared/boards. Only a run of
all kinds on all the usual boards writes docs/planted-defects.md; what a smaller one found is
shown, or written where --page says.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from benchmarks.defects.planters import planters
from benchmarks.defects.run import load_results, run
from benchmarks.defects.score import Result
from benchmarks.defects.site import BOARDS, HERE, boards_folder
from benchmarks.defects.table import page

DEFAULT_RESULTS = HERE / "results.jsonl"
PAGE = HERE.parents[1] / "docs" / "planted-defects.md"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.defects", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--repeats", type=int, default=1, help="plants per kind, size and board")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--boards", nargs="*", default=list(BOARDS))
    parser.add_argument("--kinds", nargs="*", help="kinds of plants (names or rule ids); all")
    parser.add_argument("--results", type=Path, default=DEFAULT_RESULTS)
    parser.add_argument("--redo", action="store_true", help="do again what is done")
    parser.add_argument("--list", action="store_true", help="list the kinds and stop")
    parser.add_argument("--table", action="store_true", help="plant nothing, tell what was found")
    parser.add_argument("--page", type=Path, help="write the page here")
    parser.add_argument("--verbose", action="store_true", help="tell every miss and false finding")
    given = parser.parse_args(arguments)
    kinds = planters()
    names = [
        name
        for name, kind in kinds.items()
        if not given.kinds or name in given.kinds or kind.rule in given.kinds
    ]
    if given.list:
        for name in names:
            print(f"{kinds[name].rule:28} {name:32} {kinds[name].says}")
        return 0
    if given.table:
        known = load_results(given.results).values()
        results = [r for r in known if r.planter in names and r.board in given.boards]
    else:
        if not boards_folder().is_dir():
            print(f"there are no boards in {boards_folder()}: set DFMCHECK_BOARDS")
            return 2
        results = run(given.boards, names, given.seed, given.repeats, given.results,
                      given.workers, given.redo)  # fmt: skip
        if given.verbose:
            _tell(results)
    every = len(names) == len(kinds)
    text = "\n".join(page(results, given.seed, given.repeats, every)) + "\n"
    if given.page or (every and set(given.boards) == set(BOARDS)):
        (given.page or PAGE).write_text(text)
    else:
        print(text)
    return 0


def _tell(results: Sequence[Result]) -> None:
    for r in results:
        if r.missed or r.false or r.error:
            said = "MISSED" if r.missed else ""
            print(f"-- {r.board} {r.planter} #{r.number} {r.size} {r.truth} {said}")
            for text in r.false[:4]:
                print(f"     false: {text}")
            if r.error:
                print(r.error)


if __name__ == "__main__":
    sys.exit(main())
