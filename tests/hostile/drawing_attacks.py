# ruff: noqa: E501 - one attack, one row
"""Gerber layers made to take time, memory or the reader's trust."""

from __future__ import annotations

from pathlib import Path

from registry import HARMLESS, Maker, attack, with_file
from soap_dish import copper

GROUP = "Gerber layers"
TOP = "Copper,L1,Top"


def simple(name: str, says: str, extra: bytes) -> Maker:
    """An attack that is a few commands more on the top copper."""

    def make(folder: Path, full: bool) -> Path:
        return with_file(folder, "dish-top.gtl", copper(TOP, extra))

    make.__name__ = name
    return attack(GROUP, says)(make)


def sized(name: str, says: str, extra: object) -> Maker:
    """An attack whose commands depend on the size asked for."""

    def make(folder: Path, full: bool) -> Path:
        return with_file(folder, "dish-top.gtl", copper(TOP, extra(full)))  # type: ignore[operator]

    make.__name__ = name
    return attack(GROUP, says)(make)


FLASH = b"D10*\nX1000000Y1000000D03*\n"

# ---- step and repeat, block apertures ----
simple("sr_billion", "repeats", b"%SRX999999999Y999999999I1J1*%\n" + FLASH + b"%SR*%\n")
simple("sr_ten_digits", "cannot be read", b"%SRX1000000000Y1I1J1*%\n" + FLASH + b"%SR*%\n")
simple(
    "sr_of_sr", "repeats",
    b"".join(b"%SRX1000Y1000I0.01J0.01*%\n" + FLASH + b"%SR*%\n" for _ in range(9)),
)  # fmt: skip


def _towers(levels: int, each: int) -> bytes:
    """Each block flashes the one before it ``each`` times."""
    out = b"%ABD100*%\n" + FLASH + b"%AB*%\n"
    for n in range(1, levels):
        out += b"%%ABD%d*%%\nD%d*\n" % (100 + n, 99 + n)
        out += b"".join(b"X%dY0D03*\n" % (k * 1000) for k in range(each)) + b"%AB*%\n"
    return out + b"D%d*\nX0Y0D03*\n" % (99 + levels)


simple("ab_exponential", "repeats", _towers(30, 10))
simple("ab_deep_chain", "blocks", _towers(60, 1))
simple("ab_deep_nest", "blocks", b"".join(b"%%ABD%d*%%\n" % n for n in range(100, 5100)) + FLASH
       + b"%AB*%\n" * 5000 + b"D100*X0Y0D03*\n")  # fmt: skip
simple(
    "ab_of_itself",
    "",
    b"%ABD100*%\n" + FLASH + b"D100*\nX10000000Y10000000D03*\n%AB*%\nD100*X0Y0D03*\n",
)
simple("ab_ten_million", "", _towers(8, 10))

# ---- macros ----
sized("macro_million_primitives", "",
      lambda full: b"%AMM*" + b"".join(b"1,1,1,%d,0*" % (n % 17) for n in
                                        range(1_000_000 if full else 150_000))
      + b"%\n%ADD20M*%\nD20*X5000000Y5000000D03*\n")  # fmt: skip
sized("macro_add_erase", "",
      lambda full: b"%AMM*" + b"".join(b"1,%d,1,%d.%d,%d*" % (n % 2, n % 17, n % 7, n % 13) for n in
                                        range(200_000 if full else 60_000))
      + b"%\n%ADD20M*%\nD20*X5000000Y5000000D03*\n")  # fmt: skip
simple(
    "macro_parentheses",
    "macro",
    b"%AMM*1,1,"
    + b"(" * 100_000
    + b"1"
    + b")" * 100_000
    + b",0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_long_sum",
    "macro",
    b"%AMM*1,1," + b"1+" * 100_000 + b"1,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
sized(
    "macro_ten_megabyte_sum",
    "macro",
    lambda full: (
        b"%AMM*1,1,"
        + b"1+" * (5_000_000 if full else 1_000_000)
        + b"1,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n"
    ),
)
simple(
    "macro_minus_signs",
    "macro",
    b"%AMM*1,1," + b"-" * 100_000 + b"1,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
sized("macro_variable_chain", "macro",
      lambda full: b"%AMM*$1=1*" + b"".join(b"$%d=$%dx$%d*" % (n + 1, n, n) for n in
                                   range(1, 100_000 if full else 20_000))
      + b"1,1,$20000,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n")  # fmt: skip
simple(
    "macro_doubling",
    "macro",
    b"%AMM*$1=2*" + b"$1=$1x$1*" * 3000 + b"1,1,$1,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_division_by_zero",
    "macro",
    b"%AMM*1,1,1/0,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_huge_circle",
    "",
    b"%AMM*1,1,1" + b"0" * 300 + b",0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple("macro_negative_circle", "", b"%AMM*1,1,-3,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n")
simple(
    "macro_polygon_billion",
    "",
    b"%AMM*5,1,1000000000,0,0,2,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_polygon_negative", "", b"%AMM*5,1,-5,0,0,2,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n"
)
simple(
    "macro_outline_billion",
    "macro",
    b"%AMM*4,1,1000000000,0,0,1,0,1,1,0,0,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_moire_billion",
    "",
    b"%AMM*6,0,0,5,0,0,1000000000,.1,3,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_moire_negative",
    "",
    b"%AMM*6,0,0,5,-1,-1,1000000000,.1,3,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
simple(
    "macro_thermal_huge",
    "",
    b"%AMM*7,0,0,1000000000000,1,1,0*%\n%ADD20M*%\nD20*X10000000Y10000000D03*\n",
)
sized("macro_apertures", "", lambda full: b"%AMM*1,1,$1,0,0*1,1,$2,1,0*%\n" + b"".join(
    b"%%ADD%dM,1X%d*%%\n" % (n + 100, n) for n in range(200_000 if full else 40_000)))  # fmt: skip

# ---- apertures ----
simple("aperture_megametre", "", b"%ADD20C,1000000000*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_1e30", "", b"%ADD20C,1" + b"0" * 30 + b"*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_1e300_oval", "", b"%ADD20O,1" + b"0" * 300 + b"X1*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_hundred_metres", "", b"%ADD20R,100000X100000*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_negative", "impossible", b"%ADD20C,-1*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_nan", "cannot be read", b"%ADD20C,nan*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_inf", "cannot be read", b"%ADD20C,inf*%\nD20*X10000000Y10000000D03*\n")
simple("aperture_exponent", "cannot be read", b"%ADD20C,1e3*%\nD20*X10000000Y10000000D03*\n")
simple(
    "aperture_polygon_billion",
    "impossible",
    b"%ADD20P,5X1000000000*%\nD20*X10000000Y10000000D03*\n",
)
simple("aperture_number_huge", "", b"%ADD99999999999999999999C,1*%\nD20*X10000000Y10000000D03*\n")
simple(
    "aperture_parameters",
    "",
    b"%AMM*1,1,$1,0,0*%\n%ADD20M,1" + b"X1" * 1_000_000 + b"*%\nD20*X10000000Y10000000D03*\n",
)
sized("apertures_ten_million", "", lambda full: b"".join(
    b"%%ADD%dC,1*%%\n" % (n + 100) for n in range(5_000_000 if full else 30_000)))  # fmt: skip
sized("apertures_all_used", "", lambda full: b"".join(
    b"%%ADD%dC,0.%d*%%\nD%d*X10000000Y10000000D03*\n" % (n + 100, n + 1000, n + 100)
    for n in range(100_000 if full else 10_200)))  # fmt: skip
sized("apertures_selected_undefined", "", lambda full: b"".join(
    b"D%d*X10000000Y10000000D03*\n" % (n + 100) for n in range(1_000_000 if full else 100_000)))  # fmt: skip
simple("scale_million", "", b"%LS999999*%\n" + FLASH + b"%LS1*%\n")
simple("scale_tower", "", b"%LS900000*%\n" + _towers(12, 1))

# ---- coordinates and arcs ----
simple("coordinate_thirty_digits", "unknown command", b"D10*X1" + b"0" * 30 + b"Y0D03*\n")
simple("coordinate_million_digits", "unknown command", b"D10*X" + b"9" * 1_000_000 + b"Y0D03*\n")
simple("coordinate_int64", "unknown command", b"D10*X9223372036854775808Y0D03*\n")
simple("coordinate_nan", "unknown command", b"D10*XnanYinfD03*\n")
simple("coordinate_exponent", "unknown command", b"D10*X1e9Y0D03*\n")
simple("coordinate_megametre", "", b"D10*X999999999999999Y0D03*\n")
simple("draw_across_a_kilometre", "", b"D11*X0Y0D02*X999999999999Y5D01*\n")
simple(
    "arc_absurd_radius",
    "",
    b"D11*X0Y0D02*G02*X1000000Y0I999999999999999J999999999999999D01*\nG01*\n",
)
simple("arc_full_circle_megametre", "", b"D11*X0Y0D02*G02*X0Y0I999999999999999J0D01*\nG01*\n")
sized("arcs_many_wide", "", lambda full: b"D11*X0Y0D02*G02*\n" + b"X0Y0I8000000000J0D01*\n"
      * (300_000 if full else 20_000) + b"G01*\n")  # fmt: skip
sized("region_arcs_many_wide", "", lambda full: b"G36*\nX0Y0D02*G02*\n" + b"X0Y0I8000000000J0D01*\n"
      * (300_000 if full else 20_000) + b"G01*\nG37*\n")  # fmt: skip
simple("incremental_runaway", "", b"G91*D10*\n" + b"X999999999999999Y999999999999999D03*\n" * 1000)
simple("old_scale_runaway", "", b"%SFA999B999*%\n" + FLASH)

# ---- text ----
sized(
    "line_without_end",
    "",
    lambda full: b"X" + b"1" * (200_000_000 if full else 20_000_000) + b"D03*\n",
)
sized(
    "blank_without_end",
    HARMLESS,
    lambda full: b"X" + b" " * (200_000_000 if full else 20_000_000) + b"1D03*\n",
)
sized(
    "letters_without_end", "", lambda full: b"X" * (100_000_000 if full else 10_000_000) + b"D03*\n"
)
sized("stars_without_end", "",
      lambda full: b"*" * (100_000_000 if full else 17_000_000))  # fmt: skip
sized(
    "percents_without_end", "", lambda full: b"%" * (100_000_000 if full else 10_000_000) + b"*\n"
)
sized(
    "comment_without_end",
    "M02",
    lambda full: b"G04 " + b"la la " * (30_000_000 if full else 3_000_000),
)
sized("comments_without_end", "", lambda full: b"G04*\n" * (20_000_000 if full else 2_000_000))
sized(
    "command_without_end",
    "",
    lambda full: b"%AMX*" + b"la la " * (30_000_000 if full else 3_000_000),
)
sized(
    "attributes_without_end",
    "",
    lambda full: b"".join(b"%%TO.N,n%d*%%\n" % n for n in range(3_000_000 if full else 1_050_000)),
)
sized(
    "net_name_of_megabytes",
    "",
    lambda full: b"%TO.N," + b"n" * (50_000_000 if full else 10_000_000) + b"*%\n" + FLASH,
)
sized(
    "unknown_commands",
    "unknown",
    lambda full: b"".join(b"Q%d*\n" % n for n in range(10_000_000 if full else 500_000)),
)
simple("format_of_99_digits", "format", b"%FSLAX" + b"9" * 99 + b"Y" + b"9" * 99 + b"*%\n")
simple("format_contradiction", "format", b"%FSLAX99Y99*%\n" + FLASH)
simple("escape_sequences", "", b"%TO.N,\x1b]0;owned\x07\x1b[2J*%\nQ\x1b[31mX*\n" + FLASH)

# ---- many features ----
sized("draws_in_plenty", "", lambda full: b"D11*\n" + b"".join(
    b"X%dY%dD02*X%dY%dD01*\n" % (n % 1000 * 19000, n // 1000 * 19000, n % 1000 * 19000 + 9000,
                                n // 1000 * 19000)
    for n in range(3_000_000 if full else 200_000)))  # fmt: skip
sized("mesh", "", lambda full: b"%ADD20C,0.001*%\nD20*\n" + b"".join(
    b"X0Y%dD02*X20000000Y%dD01*\nX%dY0D02*X%dY20000000D01*\n" % ((n * 20000000 // k,) * 4)
    for k in [20_000 if full else 4_000] for n in range(k)))  # fmt: skip
sized("star", "", lambda full: b"%ADD20C,0.001*%\nD20*\n" + b"".join(
    b"X%dY0D02*X%dY20000000D01*\n" % (n * 20000000 // k, 20000000 - n * 20000000 // k)
    for k in [20_000 if full else 4_000] for n in range(k)))  # fmt: skip
sized("dust", "", lambda full: b"%ADD20C,0.001*%\nD20*\n" + b"".join(
    b"X%dY%dD03*\n" % (n % 1000 * 2000, n // 1000 * 2000)
    for n in range(1_000_000 if full else 100_000)))  # fmt: skip
sized("same_place", "", lambda full: FLASH * (1_000_000 if full else 100_000))
sized("region_zigzag", "", lambda full: b"G36*\nX0Y0D02*\n" + b"".join(
    b"X%dY%dD01*\n" % (n * 7919 % 20000 * 1000, n * 104729 % 20000 * 1000)
    for n in range(20_000 if full else 3_000)) + b"X0Y0D01*\nG37*\n")  # fmt: skip
sized("clear_upon_dark", "", lambda full: b"".join(
    b"%%LPD*%%\nG36*\nX0Y0D02*X20000000D01*Y20000000D01*X0D01*Y0D01*G37*\n%%LPC*%%\nD10*X%dY%dD03*\n"
    % (n * 7919 % 20000 * 1000, n * 104729 % 20000 * 1000)
    for n in range(10_000 if full else 1_500)) + b"%LPD*%\n")  # fmt: skip
