"""How fast a Gerber file becomes records, side by side with other open readers, in one run.

python benchmarks/parse.py [FILE] [--rounds 7] [--small 2000]

FILE is the large file; left out, the top copper of radio-14-layer in the folder DFMCHECK_BOARDS
(default ../shared/boards), or a made-up file of the same size where that is absent. All readers
get the same bytes in memory and take turns in every round, so that a busy machine slows all alike.
An operation is a D01, D02 or D03 command, coordinates without a code included. `bytes.split` is the
floor: it only cuts the text at every '*'. pygerber reads a small made-up file only.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import statistics
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", ROOT.parent / "shared" / "boards"))
LARGE = BOARDS / "radio-14-layer" / "Gerber" / "LimeSDR-QPCIe_1v2.GTL"
TARGET = 6.0  # times gerbonara, on the large file

Reader = Callable[[bytes], object]


def made_up(operations: int) -> bytes:
    """Tracks, lands and pours of a made-up board; the same bytes on every run."""
    dice = random.Random(operations)
    lines = ["%FSLAX46Y46*%", "%MOMM*%", "G75*", "G01*"]
    lines += [f"%ADD{k}{'C,' if k % 2 else 'R,1.2X'}{k / 100}*%" for k in range(10, 60)]
    done = 0

    def point() -> str:
        return f"X{dice.randrange(10**8)}Y{dice.randrange(10**8)}"

    while done < operations:
        lines.append(f"D{dice.randrange(10, 60)}*")
        kind = dice.random()
        if kind < 0.4:
            lines += [f"{point()}D03*" for _ in range(8)]
            done += 8
        elif kind < 0.8:
            lines += [f"{point()}D02*", *(f"{point()}D01*" for _ in range(7))]
            done += 8
        else:
            lines += [
                "G36*",
                "X0Y0D02*",
                *(f"{point()}D01*" for _ in range(14)),
                "X0Y0D01*",
                "G37*",
            ]
            done += 16
    return "\n".join([*lines, "M02*", ""]).encode()


def ours(data: bytes) -> object:
    from dfmcheck.formats.gerber import read_gerber

    return read_gerber(data, "benchmark")


def gerbonara(data: bytes) -> object:
    from gerbonara.rs274x import GerberFile

    return GerberFile.from_string(data.decode())


def pygerber(data: bytes) -> object:
    from pygerber.gerberx3.parser.parser import Parser
    from pygerber.gerberx3.tokenizer.tokenizer import Tokenizer

    return Parser().parse(Tokenizer().tokenize(data.decode()))


def forget() -> None:
    """Drop what our reader remembers from file to file, so that every round reads a new file."""
    from dfmcheck.formats.gerber.macros import read_block

    read_block.cache_clear()


def split(data: bytes) -> object:
    return data.split(b"*")


def count_operations(data: bytes) -> int:
    """Operations of a file, counted by our reader's own stages."""
    import numpy as np

    from dfmcheck.formats.gerber.notes import Notes
    from dfmcheck.formats.gerber.scan import scan
    from dfmcheck.formats.gerber.words import read_words

    notes = Notes("benchmark")
    words = read_words(scan(data, notes), notes)
    codes = words.d.command[(words.d.value >= 1) & (words.d.value <= 3)]
    return len(np.unique(np.concatenate([words.x.command, words.y.command, codes])))


def measure(data: bytes, readers: dict[str, Reader], rounds: int) -> dict[str, list[float]]:
    """Seconds of every reader in every round."""
    seconds: dict[str, list[float]] = {name: [] for name in readers}
    for reader in readers.values():
        reader(data)  # loads modules and grammars
    for _ in range(rounds):
        for name, reader in readers.items():
            forget()
            gc.collect()
            start = time.perf_counter()
            reader(data)
            seconds[name].append(time.perf_counter() - start)
    return seconds


def show(title: str, data: bytes, readers: dict[str, Reader], rounds: int) -> dict[str, float]:
    """Measure and print one file; how many times faster ours is than each, by medians."""
    operations = count_operations(data)
    seconds = measure(data, readers, rounds)
    print(f"\n{title}: {len(data):,} bytes, {operations:,} operations, {rounds} rounds")
    print(f"{'':12}{'median':>11}{'best':>11}{'operations/s':>15}{'ours is':>12}{'by best':>10}")
    ratios = {}
    for name, times in seconds.items():
        middle, best = statistics.median(times), min(times)
        ratios[name] = middle / statistics.median(seconds["ours"])
        by_best = best / min(seconds["ours"])
        print(
            f"{name:12}{middle * 1000:>8.1f} ms{best * 1000:>8.1f} ms{operations / middle:>15,.0f}"
            f"{ratios[name]:>10.2f} x{by_best:>8.2f} x"
        )
    return ratios


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", nargs="?", type=Path)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--small", type=int, default=2000, help="operations of the small file")
    options = parser.parse_args(arguments)
    sys.path.insert(0, str(ROOT))  # this checkout, whatever is installed
    warnings.simplefilter("ignore")

    path = options.file or (LARGE if LARGE.is_file() else None)
    large = path.read_bytes() if path else made_up(50_000)
    everyone: dict[str, Reader] = {"ours": ours, "gerbonara": gerbonara, "split": split}
    title = path.name if path else f"made up (no boards in {BOARDS})"
    ratios = show(title, large, everyone, options.rounds)
    met = ratios["gerbonara"] >= TARGET
    print(f"target, at least {TARGET:g} x gerbonara: {'met' if met else 'NOT met'}")
    small = made_up(options.small)
    show("small, made up", small, {**everyone, "pygerber": pygerber}, min(options.rounds, 3))
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
