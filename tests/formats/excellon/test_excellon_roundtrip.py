"""Written in any stated format, hits are read back exactly."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon import read_excellon
from dfmcheck.formats.records import HitKind

PLACES = {"INCH": (2, 4, 25.4), "METRIC": (3, 3, 1.0)}


def write(number: int, integers: int, decimals: int, zeros: str, plus: bool) -> str:
    """A count of last-decimal steps as digits; our own words, not the reader's."""
    sign = "-" if number < 0 else "+" if plus else ""
    digits = str(abs(number)).rjust(integers + decimals, "0")
    if zeros == "TZ":
        digits = digits.lstrip("0") or "0"
    elif zeros == "LZ":
        digits = digits.rstrip("0") or "0"
    elif zeros == "point":
        digits = f"{digits[:integers]}.{digits[integers:]}"
    return sign + digits


steps = st.integers(-999_999, 999_999)


@settings(max_examples=150, deadline=None)
@given(
    unit=st.sampled_from(["INCH", "METRIC"]),
    zeros=st.sampled_from(["LZ", "TZ", "point"]),
    plus=st.booleans(),
    tools=st.lists(
        st.tuples(
            st.integers(1, 9000),
            st.lists(
                st.tuples(steps, steps, st.sampled_from(["hit", "slot", "rout"])), max_size=60
            ),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_round_trip(
    unit: str, zeros: str, plus: bool, tools: list[tuple[int, list[tuple[int, int, str]]]]
) -> None:
    integers, decimals, scale = PLACES[unit]
    kept = zeros if zeros != "point" else "LZ"
    pattern = "0" * integers + "." + "0" * decimals

    def xy(x: int, y: int) -> str:
        number = [write(n, integers, decimals, zeros, plus) for n in (x, y)]
        return f"X{number[0]}Y{number[1]}"

    text = f"M48\n{unit},{kept},{pattern}\n"
    for number, (size, _) in enumerate(tools, 1):
        text += f"T{number:02d}C{size / 10000:.4f}\n"
    text += "%\nG05\n"
    expected = []
    for number, (_, hits) in enumerate(tools):
        text += f"T{number + 1:02d}\n"
        for x, y, kind in hits:
            if kind == "hit":
                text += xy(x, y) + "\n"
                expected.append((HitKind.HIT, x, y, x, y, number))
            elif kind == "slot":
                text += f"{xy(x, y)}G85{xy(y, x)}\n"
                expected.append((HitKind.SLOT, x, y, y, x, number))
            else:
                text += f"G00{xy(x, y)}\nM15\nG01{xy(y, x)}\nM16\nG05\n"
                expected.append((HitKind.ROUT, x, y, y, x, number))
    text += "T00\nM30\n"
    drilling = read_excellon(text.encode(), "a.drl")
    h = drilling.hits
    step = scale / 10**decimals
    assert h.kind.tolist() == [e[0] for e in expected]
    assert h.tool.tolist() == [e[5] for e in expected]
    for column, place in (("x0", 1), ("y0", 2), ("x1", 3), ("y1", 4)):
        assert getattr(h, column).tolist() == pytest.approx(
            [e[place] * step for e in expected], abs=1e-9
        )
    assert [t.diameter for t in drilling.tools] == pytest.approx(
        [size / 10000 * scale for size, _ in tools]
    )
    assert drilling.assumptions == ()
    assert {d.rule for d in drilling.defects} <= {"data.tool-size", "data.empty-layer"}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([*"XYGMTRCAIJ%;,.+-0123456789 \n", "M48\n", "G85", "\nT1"])))
def test_any_text_gives_records_or_one_clear_error(parts: list[str]) -> None:
    text = "M48\nMETRIC\nT1C0.5\n%\nT1\n" + "".join(parts)
    try:
        drilling = read_excellon(text.encode(), "a.drl")
    except FormatError as error:
        assert str(error).startswith("a.drl")
        return
    assert len(drilling.tools) > int(drilling.hits.tool.max(initial=-1))
