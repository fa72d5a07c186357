"""Packages that are odd rather than evil: broken on the way, in another code, misnamed."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

from archive_makers import tarred, write, zipped
from registry import HARMLESS, Maker, attack, fill
from soap_dish import END, copper, drill, package

TOP = "Copper,L1,Top"
LEGEND = copper("Legend,Top")
NOUGHT = bytes(5_000)
FILLED = b"G04 so that what follows lies behind what is looked at first*\n" * 2_000


def changed(name: str, group: str, says: str, **files: bytes) -> None:
    """An attack that is other content of some files; ``_`` in a name stands for a full stop."""

    def make(folder: Path, full: bool) -> Path:
        named = {key.replace("__", "-").replace("_", "."): data for key, data in files.items()}
        return fill(folder, {**package(), **named})

    make.__name__ = name
    attack(group, says)(make)


def _top(extra: bytes) -> bytes:
    return copper(TOP, extra)


GERBER, FILES = "Gerber layers", "Broken and misnamed files"
_SOUND = copper(TOP)

# ---- lost on the way ----
changed("noughts_for_a_layer", FILES, "no known kind", dish__top_gtl=bytes(len(_SOUND)))
changed("noughts_for_a_legend", FILES, "no known kind", dish_gto=NOUGHT)
changed(
    "noughts_in_a_layer", FILES, "5,000 bytes of nought",
    dish__top_gtl=_SOUND.replace(END, FILLED + NOUGHT + END),
)  # fmt: skip
changed(
    "noughts_at_the_end_of_a_layer", FILES, "M02 is missing",
    dish__top_gtl=_SOUND.replace(END, FILLED + NOUGHT),
)  # fmt: skip
changed("noughts_for_the_end_of_the_drill_file", FILES, "drill", dish_drl=drill()[:-20] + NOUGHT)
changed("high_bytes_for_a_layer", FILES, "no known kind",
        dish_gto=bytes(128 + n * n % 127 for n in range(4_000)))  # fmt: skip
changed("prose_for_a_layer", FILES, "plain text", dish_gto=b"The file was not found.\n")
changed("prose_for_a_drill_file", FILES, "plain text", dish__2_drl=b"The file was not found.\n")
changed("half_a_gzip", FILES, "damaged",
        dish__in1_gbr_gz=gzip.compress(random.Random(1).randbytes(90_000))[:4_000])  # fmt: skip
changed("half_a_tar", FILES, "damaged", more_tar=tarred({"a.gbr": _SOUND, "b.gbr": NOUGHT})[:3_000])
changed("an_empty_zip", FILES, "without a file in it", more_zip=zipped({}))
changed("three_zips_in_one_another", FILES, "archive inside an archive",
        more_zip=zipped({"b.zip": zipped({"c.zip": zipped({"dish.gto": LEGEND})})}))  # fmt: skip

# ---- in another code ----
changed("two_bytes_a_letter", FILES, HARMLESS, dish__top_gtl=_SOUND.decode().encode("utf-16"))
changed("two_bytes_unmarked", FILES, "no known kind",
        dish__top_gtl=_SOUND.decode().encode("utf-16-be"))  # fmt: skip
changed("four_bytes_a_letter", FILES, "no known kind",
        dish__top_gtl=_SOUND.decode().encode("utf-32"))  # fmt: skip
changed("a_job_file_of_two_bytes", FILES, "no JSON",
        dish_gbrjob=package()["dish.gbrjob"].decode().encode("utf-16"))  # fmt: skip


@attack(FILES, "control characters")
def name_turned_round(folder: Path, full: bool) -> Path:
    """A name that is shown other than it is: the writing turns round within it."""
    return fill(folder, {**package(), "dish\u202egbr.gto": LEGEND})


@attack(FILES, "leads outside")
def names_of_a_machine(folder: Path, full: bool) -> Path:
    more = {"/etc/dish.gto": LEGEND, "../../dish.gbo": LEGEND, "C:\\dish.gtp": LEGEND}
    return write(folder, "d.zip", zipped({**package(), **more}))


# ---- drawings ----
def _many(name: str, says: str, test: bytes, full_size: bytes) -> Maker:
    def make(folder: Path, full: bool) -> Path:
        extra = b"D10*X5000000Y5000000" + (full_size if full else test)
        return fill(folder, {**package(), "dish-top.gtl": _top(extra)})

    make.__name__ = name
    return attack(GERBER, says)(make)


_many("flashes_in_one_line", HARMLESS, b"D03*" * 9_000, b"D03*" * 10_000_000)
changed("sr_hundred_million", GERBER, "100,000,000", dish__top_gtl=_top(
    b"%SRX10000Y10000I0.001J0.001*%\nD10*\nX1000000Y1000000D03*\n%SR*%\n"))  # fmt: skip
changed("arc_of_a_thousand_kilometres", GERBER, HARMLESS, dish__top_gtl=_top(
    b"D11*G75*\nG02*\nX5000000Y5000000D02*\n"
    b"X6000000Y5000000I500000J-999999999999D01*\nG01*\n"))  # fmt: skip
changed("a_layer_behind_the_end", GERBER, "behind the end", dish__top_gtl=_SOUND + _SOUND)
changed("more_digits_than_the_format", GERBER, "more digits",
        dish__top_gtl=_top(b"D10*\nX0000000000015000000Y5000000D03*\n"))  # fmt: skip
changed("regions_in_one_another", GERBER, "inside a region", dish__top_gtl=_top(
    b"G36*\n" * 20_000 + b"X5000000Y5000000D02*X6000000Y5000000D01*X6000000Y6000000D01*"
    b"X5000000Y5000000D01*\n" + b"G37*\n" * 20_000))  # fmt: skip


# ---- more to find than anybody reads ----
@attack(GERBER, HARMLESS)
def a_grid_of_violations(folder: Path, full: bool) -> Path:
    """Square lands 80 µm apart: every one of them is too near to its neighbours."""
    side = 500 if full else 90
    rows = b"".join(
        b"X%dY%dD03*\n" % (1_000_000 + x * 200_000, 1_000_000 + y * 200_000)
        for y in range(side)
        for x in range(side)
    )
    extra = b"%ADD20R,0.12X0.12*%\nD20*\n" + rows
    return fill(folder, {**package(), "dish-top.gtl": _top(extra)})
