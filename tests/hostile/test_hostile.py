"""No package may hang a screen, fill the memory, fail it, or be released by being too much for it.

``attack_table.py`` runs the same attacks at full size and prints the table of docs/limits.md.
"""

from __future__ import annotations

import re
import subprocess
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import archive_attacks  # noqa: F401 - fills the registry
import archive_tar_attacks  # noqa: F401
import cage
import drawing_attacks  # noqa: F401
import odd_attacks  # noqa: F401
import pytest
import text_attacks  # noqa: F401
from registry import ATTACKS, HARMLESS, with_file
from soap_dish import copper

SECONDS, MEGABYTES = 12, 900  # of one attack at test size; nearly all stay below 2 s
KEPT = {"\n", "\r", "\t"}


@pytest.fixture(autouse=True)
def _swept(tmp_path: Path) -> Iterator[None]:
    """A folder 1500 deep is too deep for pytest, which sweeps old folders by recursion."""
    yield
    subprocess.run(["rm", "-rf", "--", str(tmp_path)], check=False)


@pytest.mark.parametrize("name", ATTACKS)
def test_attack(tmp_path: Path, name: str) -> None:
    case = ATTACKS[name]
    outcome = cage.run(case.make(tmp_path, False), seconds=SECONDS)
    assert outcome.verdict not in ("crash", "killed", "memory"), outcome.text
    assert outcome.peak < MEGABYTES
    for text in (*outcome.reports, *(s for s in outcome.said if outcome.verdict.endswith("Error"))):
        strange = {c for c in text if unicodedata.category(c) in ("Cc", "Cs") and c not in KEPT}
        assert not strange
    if case.says == HARMLESS:
        return
    assert outcome.verdict in ("query", "hold", "PackageError", "UsageError"), outcome.text
    assert re.search(case.says, outcome.text), outcome.text[:3000]
    assert all("; expected " in s for s in outcome.said if s[:1] == "d" and ": " in s[:40])


def test_the_board_is_released_when_nothing_is_wrong(tmp_path: Path) -> None:
    outcome = cage.run(ATTACKS["nothing"].make(tmp_path, False))
    assert outcome.verdict == "release", outcome.text


def test_no_markup_of_the_data_reaches_the_page(tmp_path: Path) -> None:
    outcome = cage.run(ATTACKS["zip-names-of-control-characters"].make(tmp_path, False))
    _, _, _, page = outcome.reports
    assert "alert(1)" in page and "<script>alert(1)" not in page


def test_memory_of_a_layer_is_bounded_by_its_points(tmp_path: Path) -> None:
    """What docs/limits.md says of the peak: so many bytes for each outline point drawn."""
    count, wide = 15_000, 150
    rows = b"".join(
        b"X%dY%dD02*X%dY%dD01*\n" % (x, y, x + 60_000, y)
        for n in range(count)
        for x, y in ((5_000_000 + n % wide * 66_000, 5_500_000 + n // wide * 90_000),)
    )
    path = with_file(
        tmp_path, "dish-top.gtl", copper("Copper,L1,Top", b"%ADD20C,0.04*%\nD20*\n" + rows)
    )
    outcome = cage.run(path)
    assert outcome.verdict in ("release", "query", "hold"), outcome.text
    points = count * 27  # two half circles of 12 chords, closed
    assert outcome.peak * cage.MEGABYTE / points < BYTES_PER_POINT


#: Bytes a layer takes at its peak, screened whole, for each outline point as drawn.
BYTES_PER_POINT = 1_000
