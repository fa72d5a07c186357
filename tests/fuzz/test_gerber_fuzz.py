"""Random and damaged Gerber files: no crash, no hang, records that hold together.

The long run with coverage is benchmarks/fuzz_gerber.py; what it finds becomes a case here.
"""

from __future__ import annotations

import os
import signal
import tracemalloc
from datetime import timedelta

import pytest
from gerber_promises import LIST, keeps_promises
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dfmcheck.formats.gerber import read_gerber, setup
from dfmcheck.terms import Weight

CASES = int(os.environ.get("DFMCHECK_FUZZ_CASES", "150"))  # of each test; a few seconds in all
HEAD = b"%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2X0.1*%G01*G75*D10*"
bounded = settings(
    max_examples=CASES,
    deadline=timedelta(seconds=5),  # a hang fails
    suppress_health_check=[HealthCheck.too_slow],
)

numbers = st.integers(-(10**7), 10**7).map(str) | st.sampled_from(
    ["0", "+5", "-0", "00012", "1.5", ".5", "5.", "", "-", "99999999999999999999", "1" * 400, "1e5"]
)
codes = st.sampled_from(
    [
        "G00",
        "G01",
        "G02",
        "G03",
        "G36",
        "G37",
        "G54",
        "G55",
        "G70",
        "G71",
        "G74",
        "G75",
        "G90",
        "G91",
        "G04",
        "G10",
        "M00",
        "M01",
    ]
)
selects = st.sampled_from(
    ["D01", "D02", "D03", "D1", "D10", "D11", "D12", "D20", "D21", "D99", "D4", "D2147483648"]
)


@st.composite
def word_commands(draw: st.DrawFn) -> str:
    """A command such as ``G01X100Y-5D01*``."""
    text = draw(codes) if draw(st.booleans()) else ""
    for letter in draw(st.lists(st.sampled_from("XYIJN"), max_size=4)):
        text += letter + draw(numbers)
    return text + (draw(selects) if draw(st.booleans()) else "") + "*"


@st.composite
def extended_commands(draw: st.DrawFn) -> str:
    """Current and deprecated commands between % signs, with any number in them."""
    a, b, c, d = (draw(numbers) for _ in range(4))
    forms = (
        f"FSLAX{a[:2]}Y{b[:2]}", "FSTIX23Y23", "FSDAN2X25Y25", "MOMM", "MOIN", "LPC", "LPD",
        "LMX", "LMXY", f"LR{a}", f"LS{a}", f"SRX{a}Y{b}I{c}J{d}", "SRX2Y3I1J1", "SR", "ABD20",
        "ABD21", "AB", f"ADD12C,{a}", f"ADD12R,{a}X{b}X{c}", f"ADD13P,{a}X{b}X{c}X{d}",
        f"ADD20M,{a}X{b}", f"AMM*1,1,{a},$1,{b}*$3=$1/$2*21,1,$3,$2x{c},0,0,{d}",
        f"AMM*4,1,{a},{b},{c},0,0*5,1,{a},0,0,{b},{c}*7,0,0,{a},{b},{c},{d}",
        "TF.FileFunction,Copper,L1,Top", f"TO.N,\\u{a}", "TO.P,U1,2", "TA.AperFunction,ViaPad",
        "TD", f"MIA{a[:1]}B1", f"OFA{a}B{b}", f"SFA{a}B{b}", f"SFA2B{a}", f"IR{a}", "IR90",
        "IR270", "ASAYBX", "IPNEG", "IPPOS", "KOC", "IFa", "LNa", "INa", "QQ",
    )  # fmt: skip
    commands = draw(st.lists(st.sampled_from(forms), min_size=1, max_size=3))
    return "%" + "*".join(commands) + "*%"


files = st.lists(word_commands() | extended_commands(), max_size=30).map("".join)
rows = st.tuples(
    st.sampled_from(["D10", "D11", "12", "D99", "Units: mil", "mm", ""]),
    st.sampled_from(["ROUND", "RECT", "OVAL", "SQUARE", "THERMAL", "", "ROUNDED 1 1 0 LINE"]),
    st.lists(numbers, max_size=4).map(" ".join),
    st.sampled_from(["", "mm", "mil", "FLASH", "FLASH 45", "x"]),
).map(" ".join)


@bounded
@given(files, st.booleans())
def test_any_commands(text: str, ends: bool) -> None:
    keeps_promises(HEAD + text.encode() + (b"M02*" if ends else b""))


@bounded
@given(files, st.data())
def test_commands_with_damage(text: str, data: st.DataObject) -> None:
    whole = HEAD + text.encode()
    at = data.draw(st.integers(0, len(whole)))
    gone = data.draw(st.integers(0, 20))
    put = data.draw(st.binary(max_size=6) | st.sampled_from([b"%", b"*", b"G04", b"\r", b"\x00"]))
    keeps_promises(whole[:at] + put + whole[at + gone :])


@bounded
@given(
    st.binary(max_size=300)
    | st.text("XYIJDGM0123456789*%LPCSRAF,.-+\n", max_size=300).map(str.encode)
)
def test_any_bytes(data: bytes) -> None:
    keeps_promises(data)
    keeps_promises(HEAD + data)


@bounded
@given(st.lists(rows, max_size=8).map("\n".join))
def test_any_aperture_list(listed: str) -> None:
    keeps_promises(b"G71*D10*X1Y1D03*D11*D03*D12*D03*M02*" + LIST + listed.encode())


@pytest.mark.parametrize(
    ("data", "most"),
    [
        (HEAD + b"%SRX999Y999I1J1*%X0Y0D03*%SR*%" * 3 + b"M02*", 600e6),
        (HEAD + b"%SRX99999Y99999I1J1*%X0Y0D03*%SR*%M02*", 20e6),
        (
            HEAD
            + b"".join(
                b"%%ABD%d*%%D%d*" % (k, k - 1) + b"X0Y0D03*" * 9 + b"%AB*%" for k in range(12, 40)
            )
            + b"D39*X0Y0D03*M02*",
            20e6,
        ),
        (HEAD + b"%AMM*1,1," + b"(" * 5000 + b"1" + b")" * 5000 + b",0,0*%%ADD12M*%M02*", 200e6),
        (HEAD + b"%AMM*1,1," + b"-" * 5000 + b"1,0,0*%%ADD12M*%M02*", 200e6),
        (HEAD + b"%AMM*" + b"$1=$1x$1*" * 500 + b"1,1,$1,0,0*%%ADD12M,9*%M02*", 20e6),
        (HEAD + b"%" * 20_000 + b"M02*", 100e6),
        (HEAD + b"G04" * 20_000 + b"M02*", 100e6),
        (HEAD + b"%LPC*" * 5000 + b"M02*", 100e6),
        (HEAD + b"X" + b"9" * 100_000 + b"D03*M02*", 50e6),
        (HEAD + b"Q1*" * 20_000 + b"X0Y0D03*" * 30_000 + b"M02*", 100e6),
    ],
    ids=[
        "many repeats", "too many repeats", "blocks in blocks", "deep brackets", "many signs",
        "growing number", "percent signs", "comments in comments", "no closing percent",
        "a long number", "many unknown",
    ],
)  # fmt: skip
def test_memory_and_time_are_bounded(data: bytes, most: float) -> None:
    tracemalloc.start()
    try:
        keeps_promises(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < most, f"{peak / 1e6:.0f} MB"


# each of these took longer than ten seconds, or for ever, or raised ValueError
FOUND = {
    "whole numbers in a macro": HEAD
    + b"%AMM*4,1,20," + b"10," * 42 + b"$1*%%ADD12M,1*%M02*",
    "whole numbers in an aperture": HEAD + b"%ADD12C," + b"10X" * 40 + b"10Q*%M02*",
    "digits and a sign": HEAD + b"X" + b"9" * 100_000 + b"-D03*M02*",
    "digits in a repeat": HEAD + b"%SRX2Y2I" + b"9" * 50_000 + b"Q*%M02*",
    "digits in a scale": HEAD + b"%LS" + b"9" * 50_000 + b"Q*%M02*",
    "a variable of 5000 digits": HEAD + b"%AMM*1,1,$" + b"1" * 5000 + b",0,0*%%ADD12M,1*%M02*",
    "line ends in a comment": HEAD + b"G04 " + b"\n" * 60_000 + b"*M02*",
    "codes without end": HEAD + b"".join(b"G%d*" % k for k in range(100, 99_000)) + b"M02*",
    "undefined apertures": HEAD + b"".join(b"D%d*D3*" % k for k in range(100, 70_000)) + b"M02*",
    "unknown after unreadable": HEAD
    + b"".join(b"%%ADD%dZ*%%" % k for k in range(20, 10_020))
    + b"".join(b"%%QQ%d*%%" % k for k in range(10_000))
    + b"M02*",
}  # fmt: skip


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no timer on this system")
@pytest.mark.parametrize("data", FOUND.values(), ids=FOUND)
def test_found_cases_stay_quick(data: bytes) -> None:
    def stop(*_: object) -> None:
        pytest.fail("still reading after 8 s of processor time")

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, 8.0)
    try:
        keeps_promises(data)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


def test_numbers_of_macros_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup, "MOST_MACRO_NUMBERS", 1000)
    macro = b"%AMM*" + b"1,1,1,0,0*" * 50 + b"%"
    uses = b"".join(b"%%ADD%dM*%%" % k for k in range(20, 40)) + b"%ADD50C,1*%D50*X0Y0D03*M02*"
    art = read_gerber(HEAD + macro + uses, "a.gbr")
    assert [a.code for a in art.apertures] == [10, 11, 20, 21, 22, 23, 24, 50]
    (defect,) = art.defects
    assert "too many primitives (15 times)" in defect.found and defect.weight is Weight.HOLD
