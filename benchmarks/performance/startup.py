"""How long the command line takes to say what it can do."""

from __future__ import annotations

import subprocess
import sys

from benchmarks.performance.section import ENVIRONMENT, ROOT, Section, middle, ms, timed

AIM = 0.25
COMMANDS = (
    ("python -c pass (floor)", ["-c", "pass"]),
    ("python -c 'import typer'", ["-c", "import typer"]),
    ("dfmcheck --version", ["-m", "dfmcheck.cli", "--version"]),
    ("dfmcheck --help", ["-m", "dfmcheck.cli", "--help"]),
    ("dfmcheck fleet --help", ["-m", "dfmcheck.cli", "fleet", "--help"]),
)


def startup(rounds: int = 7) -> Section:
    """Medians over processes of their own, taking turns."""
    out = Section(
        "startup", "Start-up",
        "Each command in a process of its own, taking turns; medians.",
        ["command", "wall", "CPU"],
    )  # fmt: skip
    walls: dict[str, list[float]] = {name: [] for name, _ in COMMANDS}
    cpus: dict[str, list[float]] = {name: [] for name, _ in COMMANDS}
    for _ in range(rounds):
        for name, arguments in COMMANDS:
            wall, cpu = timed(
                lambda arguments=arguments: subprocess.run(
                    [sys.executable, *arguments],
                    cwd=ROOT,
                    env=ENVIRONMENT,
                    stdout=subprocess.DEVNULL,
                    check=True,
                )
            )
            walls[name].append(wall)
            cpus[name].append(cpu)
    for name, _ in COMMANDS:
        out.add(name, ms(middle(walls[name])), ms(middle(cpus[name])))
        out.chart.append((name, [("release", round(middle(cpus[name]) * 1000))]))
    used = middle(cpus["dfmcheck --help"])
    out.chart_words = "CPU milliseconds"
    out.aims.append((f"--help within {AIM:g} s of CPU: {used:.2f} s", used <= AIM))
    return out
