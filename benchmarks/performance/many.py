"""A fleet at one and two workers, and all its packages judged again for another shop."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.fleet.make_packages import write
from benchmarks.performance.section import ENVIRONMENT, ROOT, Section, ms, timed

AIM_RATIO, AIM_SECONDS = 1.8, 10.0


def throughput(packages: int, workers: tuple[int, ...] = (1, 2)) -> Section:
    """Packages a second of `dfmcheck fleet` with local processes."""
    out = Section(
        "throughput", "Packages a second",
        f"`dfmcheck fleet` over {packages} made-up packages (benchmarks/fleet/make_packages.py), "
        "from the start of the command to its end, start-up of the workers included. The data set "
        "is empty at the start of each run.",
        ["workers", "wall", "packages a second", "÷ one worker"],
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "packages"
        write(source, packages)
        first = 0.0
        for count in workers:
            start = time.perf_counter()
            _fleet(source, Path(folder) / f"out-{count}", count)
            seconds = time.perf_counter() - start
            rate = packages / seconds
            first = first or rate
            out.add(count, f"{seconds:.1f} s", f"{rate:.2f}", f"{rate / first:.2f}")
            out.chart.append((f"{count} workers", [("release", round(rate, 2))]))
            if count == 2 and packages >= 50:  # below, it is the start-up that is measured
                out.aims.append((f"two workers at least {AIM_RATIO} times one: {rate / first:.2f}",
                                 rate / first >= AIM_RATIO))  # fmt: skip
    out.chart_words = "packages a second"
    return out


def _fleet(source: Path, out: Path, workers: int) -> None:
    subprocess.run(
        [sys.executable, "-m", "dfmcheck.cli", "fleet", str(source), "--shop", "volume", "--out",
         str(out), "--workers", str(workers), "--quiet"],
        cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL, check=False,
    )  # fmt: skip


def rejudging(dataset: Path | None, packages: int) -> Section:
    """A study for another shop than the one the packages were screened for."""
    from dfmcheck.capability import load_shop
    from dfmcheck.fleet.dataset import Dataset
    from dfmcheck.fleet.study import study
    from dfmcheck.measure.rule import rules

    out = Section(
        "rejudging", "All packages judged again for another shop",
        "`dfmcheck study` of a data set screened for shop volume: every package judged for each "
        "shop, and the cost of every limit worked out, without reading artwork. One process; "
        "beside it, `judge` of every package in turn with what it needs read before.",
        ["shop", "packages", "places", "study, wall", "study, CPU", "judging each, CPU"],
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        if dataset is None:
            source, dataset = Path(folder) / "packages", Path(folder) / "out"
            write(source, packages)
            _fleet(source, dataset, os.cpu_count() or 1)
        rows = Dataset(dataset).jobs(["package", "places"]).to_pylist()
        places = sum(row["places"] or 0 for row in rows)
        study(dataset, load_shop("volume"), rules())  # modules loaded
        each = _each(dataset)
        for name in ("prototype", "published", "volume"):
            shop = load_shop(name)
            wall, cpu = timed(lambda shop=shop: study(dataset, shop, rules()))
            out.add(name, f"{len(rows):,}", f"{places:,}", f"{wall:.2f} s", f"{cpu:.2f} s",
                    ms(each) if name == "volume" else "")  # fmt: skip
            out.chart.append((name, [("release", round(wall, 2))]))
            if len(rows) >= 1000 and name == "prototype":
                out.aims.append((f"1,000 packages for another shop within {AIM_SECONDS:g} s: "
                                 f"{wall:.1f} s", wall <= AIM_SECONDS))  # fmt: skip
    out.chart_words = "seconds, wall"
    return out


def _each(dataset: Path) -> float:
    """CPU seconds of judging each package, scaled up from at most 100 of them."""
    from dfmcheck.capability import load_shop
    from dfmcheck.fleet import dataset as kept
    from dfmcheck.judge import judge
    from dfmcheck.measure.rule import rules

    store, shop, known = kept.Dataset(dataset), load_shop("volume"), rules()
    screenings = []
    rows = [r for r in store.jobs().to_pylist() if r["state"] == kept.SCREENED]
    for row in rows[:100]:
        who = kept.Identity(row["package"], row["customer"], row["key"], row["hash"])
        screenings.append(kept.screening_of(row, kept.places_from(store.read(who)[1])))

    def all_() -> None:
        for screening in screenings:
            judge(screening, shop, rules=known)

    return timed(all_)[1] * len(rows) / max(len(screenings), 1)
