"""Times the stages side by side and writes docs/performance.md.

    python -m benchmarks.performance [--boards FOLDER] [--only parsing,growth] [--quick]

Sections: parsing, boards, spacing, growth, startup, commands, throughput, rejudging. Results are
kept in benchmarks/performance/results.jsonl, so that a run of some sections leaves the others on
the page as they were. --quick measures little of each and writes no page. Run it on a quiet
machine.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchmarks.performance import boards, commands, growth, many, parsing, report, spacing, startup
from benchmarks.performance.section import BOARDS, Section

RESULTS = Path(__file__).with_name("results.jsonl")


def main(arguments: list[str]) -> int:
    words = (__doc__ or "").strip()
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.performance", description=words.splitlines()[0]
    )
    parser.add_argument("--boards", type=Path, default=BOARDS, help="folder of the open boards")
    parser.add_argument("--only", default="", help="sections, with commas between")
    parser.add_argument("--quick", action="store_true", help="a smoke run; writes no page")
    parser.add_argument("--packages", type=int, default=200, help="of the fleet's throughput")
    parser.add_argument("--dataset", type=Path, help="data set to judge again; made when left out")
    given = parser.parse_args(arguments)
    quick = given.quick
    sections: dict[str, Callable[[], Section]] = {
        "parsing": lambda: parsing.parsing(given.boards, 1 if quick else 7),
        "boards": lambda: boards.boards(
            given.boards, ("tide-logger-clean", "school-board") if quick else ()
        ),
        "spacing": lambda: spacing.spacing((100, 400) if quick else spacing.COUNTS),
        "growth": lambda: growth.growth((1, 4) if quick else growth.COPIES),
        "startup": lambda: startup.startup(2 if quick else 9),
        "commands": lambda: commands.commands(given.boards, 1 if quick else 9),
        "throughput": lambda: many.throughput(6 if quick else given.packages),
        "rejudging": lambda: many.rejudging(given.dataset, 6 if quick else 1000),
    }
    wanted = given.only.split(",") if given.only else list(sections)
    unknown = [name for name in wanted if name not in sections]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(sections)}")
    print(report.machine())
    kept = _kept()
    for name in wanted:
        when, load = datetime.datetime.now().astimezone(), os.getloadavg()[0]
        section = sections[name]()
        section.when, section.load = f"{when:%Y-%m-%d %H:%M}", load
        section.show()
        kept[name] = section
        if not quick:
            _keep(kept)
    if not quick:
        order = [kept[name] for name in sections if name in kept]
        print(f"\n{report.write(order)}")
    return 0


def _kept() -> dict[str, Section]:
    if not RESULTS.is_file():
        return {}
    read = [Section(**json.loads(line)) for line in RESULTS.read_text().splitlines()]
    return {section.name: section for section in read}


def _keep(sections: dict[str, Section]) -> None:
    with tempfile.NamedTemporaryFile("w", dir=RESULTS.parent, delete=False) as part:
        part.write("".join(f"{section.to_json()}\n" for section in sections.values()))
    Path(part.name).replace(RESULTS)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
