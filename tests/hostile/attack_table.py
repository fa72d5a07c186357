"""Runs the attacks and prints a row of docs/limits.md for each.

    python tests/hostile/attack_table.py [--full] [WORD …]

With words, only attacks whose name or group holds one of them; with ``--full`` at full size.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import archive_attacks  # noqa: F401 - fills the registry
import archive_tar_attacks  # noqa: F401
import cage
import drawing_attacks  # noqa: F401
import odd_attacks  # noqa: F401
import text_attacks  # noqa: F401
from registry import ATTACKS


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    folder = tempfile.mkdtemp()
    try:
        yield Path(folder)
    finally:
        subprocess.run(["rm", "-rf", "--", folder], check=True)  # deeper than Python can go


def main(words: list[str]) -> None:
    full = "--full" in words
    wanted = [w.lower().replace("_", "-") for w in words if not w.startswith("--")]
    for name, case in ATTACKS.items():
        if wanted and not any(w in name or w in case.group.lower() for w in wanted):
            continue
        with scratch() as folder:
            got = cage.run(case.make(folder, full))
        told = next(iter(got.said), "")[:160].replace("|", "/")
        print(f"| {name} | {got.verdict} | {got.cpu:.1f} | {got.peak:.0f} | {told} |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
