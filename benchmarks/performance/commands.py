"""Whole commands from the start of the process, as someone at a terminal waits for them."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks.performance.section import (
    BOARDS,
    ENVIRONMENT,
    ROOT,
    Section,
    apart,
    middle,
    ms,
    timed,
)  # fmt: skip

SMALL = ("school-board", "hobby-top")
JUDGED = "sbc-10-layer"
AIM_SMALL, AIM_JUDGED = 1.2, 0.3


def commands(folder: Path = BOARDS, rounds: int = 9) -> Section:
    """Medians over processes of their own, taking turns; the first round is left out."""
    out = Section(
        "commands", "Whole commands",
        "`dfmcheck screen BOARD --shop volume` of small boards, and `dfmcheck judge` of the "
        f"saved measurements of {JUDGED} for another shop, each in a process of its own, from its "
        "start to its end, with modules compiled as an installation leaves them. Taking turns; "
        "medians. Beside it what loading and judging them takes in a process that runs already, "
        "such as a server's.",
        ["command", "wall", "CPU"],
    )  # fmt: skip
    again: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as kept:
        runs = {f"screen {name}": ["screen", str(folder / name)] for name in SMALL}
        aims = dict.fromkeys(runs, AIM_SMALL)
        if (folder / JUDGED).is_dir():
            saved = Path(kept) / "saved"
            _run(["screen", str(folder / JUDGED), "--save", str(saved)], "volume")
            runs[f"judge {JUDGED}"] = ["judge", str(saved)]
            aims[f"judge {JUDGED}"] = AIM_JUDGED
            again = apart("benchmarks.performance.again", saved)
        took: dict[str, list[tuple[float, float]]] = {name: [] for name in runs}
        for n in range(rounds + 1):
            for name, arguments in runs.items():
                shop = "prototype" if arguments[0] == "judge" else "volume"
                one = timed(lambda arguments=arguments, shop=shop: _run(arguments, shop))
                if n:
                    took[name].append(one)
    for name, each in took.items():
        wall, cpu = (middle([one[k] for one in each]) for k in (0, 1))
        out.add(name, ms(wall), ms(cpu))
        out.chart.append((name, [("release", round(wall * 1000))]))
        out.aims.append((f"{name} within {aims[name]:g} s: {wall:.2f} s", wall <= aims[name]))
    if again:
        wall = again["wall"]
        out.add(f"judging {JUDGED} in a running process", ms(wall), ms(again["cpu"]))
        words = f"judging {JUDGED} in a running process within {AIM_JUDGED:g} s: {wall:.2f} s"
        out.aims.append((words, wall <= AIM_JUDGED))
    out.chart_words = "milliseconds, wall"
    return out


def _run(arguments: list[str], shop: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dfmcheck.cli", *arguments, "--shop", shop],
        cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL, check=False,
    )  # fmt: skip
    if done.returncode not in (0, 10, 20):
        raise SystemExit(f"dfmcheck {' '.join(arguments)} ended with {done.returncode}")
