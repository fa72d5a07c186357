"""What both fuzz drivers share: run a target for a while, keep each new failure once.

Needs atheris (coverage-guided fuzzing); it is no dependency of dfmcheck itself.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

import atheris

Target = Callable[[bytes], None]


def fuzz(target: Target, name: str) -> None:
    """Run a target until the time is over; exit code 1 when something was found.

    A failure is kept once for each place in the code at which it is raised. A hang (one
    input for longer than ``--slow`` seconds) or memory above ``--memory`` MB ends the run.
    """
    options = argparse.ArgumentParser(description=f"Fuzz {name}.")
    options.add_argument("--seconds", type=int, default=600)
    options.add_argument("--slow", type=int, default=10, help="seconds one input may take")
    options.add_argument("--memory", type=int, default=1024, help="MB resident")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--found", type=Path, default=Path(f"/tmp/fuzz_{name}"))
    chosen = options.parse_args()
    chosen.found.mkdir(parents=True, exist_ok=True)
    seen: set[str] = set()

    def one(data: bytes) -> None:
        try:
            target(data)
        except Exception as error:
            frames = traceback.extract_tb(error.__traceback__)
            ours = [f for f in frames if "dfmcheck" in f.filename] or list(frames)
            place = f"{type(error).__name__} at {ours[-1].filename}:{ours[-1].lineno}"
            if place not in seen:
                seen.add(place)
                sign = hashlib.sha256(place.encode()).hexdigest()[:12]
                (chosen.found / f"{sign}.bin").write_bytes(data)
                (chosen.found / f"{sign}.txt").write_text(
                    f"{place}\n{error}\n" + "".join(traceback.format_exception(error))
                )
                print(f"found {sign}: {place}: {error}", flush=True)

    atheris.Setup(
        [
            sys.argv[0],
            f"-max_total_time={chosen.seconds}",
            f"-timeout={chosen.slow}",
            f"-rss_limit_mb={chosen.memory}",
            f"-seed={chosen.seed}",
            f"-artifact_prefix={chosen.found}/",
            "-max_len=4096",
            "-print_final_stats=1",
            "-verbosity=1",
        ],
        one,
    )
    atheris.Fuzz()
