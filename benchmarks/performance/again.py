"""Loads saved measurements and judges them for another shop; prints what that took, as JSON."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path


def main(path: str) -> None:
    from dfmcheck.capability import load_shop
    from dfmcheck.judge import judge
    from dfmcheck.measure.rule import rules
    from dfmcheck.measure.store import load

    took = []
    for _ in range(5):
        start = time.perf_counter(), time.process_time()
        screening = load(Path(path), drawing=False)
        judge(screening, load_shop("prototype"), rules=rules())
        took.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    wall, cpu = min(took)
    print(json.dumps({"wall": wall, "cpu": cpu, "places": len(screening.places)}))


if __name__ == "__main__":
    main(sys.argv[1])
