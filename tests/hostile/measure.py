"""Runs the attacks and prints what became of each: python tests/hostile/measure.py [--full] [NAME]"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import tempfile
from pathlib import Path

import cage
import archive_attacks  # noqa: F401
import drawing_attacks  # noqa: F401
import text_attacks  # noqa: F401
from registry import ATTACKS


@contextlib.contextmanager
def scratch():
    folder = tempfile.mkdtemp()
    try:
        yield folder
    finally:
        subprocess.run(["rm", "-rf", "--", folder], check=True)  # deeper than Python can go


def main(words: list[str]) -> None:
    full = "--full" in words
    table = "--table" in words
    seconds = 12
    names = [w for w in words if not w.startswith("--")]
    for name, item in ATTACKS.items():
        if names and not any(n in (name, item.group) or n in name.replace("-", "_") for n in names):
            continue
        with scratch() as folder:
            path = item.make(Path(folder), full)
            got = cage.run(path, seconds=seconds)
        said = next(
            (s for s in got.said if item.says and item.says in s), got.said[0] if got.said else ""
        )
        print(
            f"{name:34} {got.verdict:12} {got.cpu:6.1f} s {got.peak:7.0f} MB  {len(got.said):3} {said[:230]!r}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
