"""Screens one package in this process and prints what it took, as JSON."""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path


def main(path: str, workers: int) -> None:
    from dfmcheck import screen as orchestrator
    from dfmcheck.capability import load_shop
    from dfmcheck.intake import open_package

    shop = load_shop("volume")
    names: tuple[str | None, ...] = open_package(Path(path)).boards or (None,)
    start, places, conductors = time.perf_counter(), 0, []
    for name in names:
        screening = orchestrator.screen(
            Path(path), board=name, reach=shop.limit_reach(), workers=workers
        )
        places += len(screening.places)
        conductors.append(screening.facts.conductors)
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    told = {
        "wall": time.perf_counter() - start,
        "cpu": sum(one.ru_utime + one.ru_stime for one in used),
        "memory_mb": used[0].ru_maxrss / 1000,
        "places": places,
        "conductors": conductors,
        "boards": len(names),
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
