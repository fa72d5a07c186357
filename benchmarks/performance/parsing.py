"""Gerber text to records: ours, other open readers, and the floor of cutting the text at '*'."""

from __future__ import annotations

import warnings
from pathlib import Path

from benchmarks.parse import count_operations, gerbonara, made_up, measure, ours, pygerber, split
from benchmarks.performance.section import BOARDS, Section, ms

LARGE = (
    "radio-14-layer/Gerber/LimeSDR-QPCIe_1v2.GTL",
    "sbc-10-layer/MinnowMax_RevA1_GAF_Gerber/MinnowMax_lyr1_GAF.art",
    "wifi-devkit-job/esp-rust-board-F_Cu.gbr",
)
SMALL = 1500
TARGET = 6.0
PYGERBER_MOST = 60_000  # bytes; it needs about 16 s for a layer of the radio board


def parsing(boards: Path = BOARDS, rounds: int = 5) -> Section:
    """The files that are there, and a made-up one; all readers take turns in every round."""
    out = Section(
        "parsing", "Gerber text to records",
        "Every reader gets the same bytes in memory and they take turns in every round, so that "
        "a busy machine slows all alike; the best of the rounds. `split` is `bytes.split(b'*')`, "
        "the floor: it only cuts the text. gerbonara and pygerber are open readers of the same "
        "format; each gives its own kind of objects, not our records. pygerber takes about 16 s "
        "for a copper layer of the radio board, so it reads the small file only.",
        ["file", "bytes", "operations", "ours", "gerbonara", "pygerber", "split",
         "gerbonara ÷ ours", "pygerber ÷ ours", "ours ÷ split"],
    )  # fmt: skip
    warnings.simplefilter("ignore")
    files = [(name.split("/")[0], boards / name) for name in LARGE if (boards / name).is_file()]
    texts = [(name, path.read_bytes()) for name, path in files]
    texts.append((f"made up, {SMALL} operations", made_up(SMALL)))
    if not files:
        texts.insert(0, ("made up, 50,000 operations", made_up(50_000)))
    for name, data in texts:
        readers = {"ours": ours, "gerbonara": gerbonara, "split": split}
        small = len(data) <= PYGERBER_MOST
        if small:
            readers["pygerber"] = pygerber
        seconds = {k: min(v) for k, v in measure(data, readers, 2 if small else rounds).items()}
        mine, operations = seconds["ours"], count_operations(data)
        ratio = seconds["gerbonara"] / mine
        slow = seconds.get("pygerber")
        out.add(
            name, f"{len(data):,}", f"{operations:,}", ms(mine), ms(seconds["gerbonara"]),
            ms(slow) if slow else "–", ms(seconds["split"]), f"{ratio:.1f}",
            f"{slow / mine:.0f}" if slow else "–", f"{mine / seconds['split']:.1f}",
        )  # fmt: skip
        out.chart.append((f"{name}, ours", [("release", round(mine * 1e6 / operations, 2))]))
        out.chart.append(
            (f"{name}, gerbonara", [("none", round(seconds["gerbonara"] * 1e6 / operations, 2))])
        )
    out.chart_words = "µs per operation"
    first = float(out.rows[0][7])
    out.aims.append((f"at least {TARGET:g} times as fast as gerbonara on the largest file: "
                     f"{first:.1f}", first >= TARGET))  # fmt: skip
    return out
