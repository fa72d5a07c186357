"""Spacing by voltage: closed forms, asked for only, judged with the published figures."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.board.voltages import Stated, Voltages, net_volts
from dfmcheck.capability import Shop, load_shop
from dfmcheck.errors import UsageError
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement, Verdict
from dfmcheck.measure import store
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from dfmcheck.screen import screen
from dfmcheck.voltage_file import load_voltages, parse_voltages
from tests.measure.laid import TURNS, Laid
from tests.measure.packages import Sheet, write_board

RULE = "etch.voltage-spacing"
WIDE = 0.5  # conductor width of every run, mm

Run = tuple[str, float]  # net and height of the run's centre


def runs(sheet: Sheet, nets: list[Run]) -> None:
    """Level runs 10 mm long with a land at either end; a net "" has no name."""
    pen, land = sheet.circle(WIDE), sheet.circle(WIDE)
    for net, y in nets:
        sheet.body.append(f"%TO.N,{net}*%" if net else "%TD*%")
        for x in (-5.0, 5.0):
            sheet.flash(land, x, y)
        sheet.draw(pen, -5.0, y, 5.0, y)
    sheet.body.append("%TD*%")


def measured(
    folder: Path, nets: list[Run], volts: dict[str, float] | None, board: Laid | None = None,
    shop: str = "published",
) -> Screening:  # fmt: skip
    board = board or Laid()
    runs(board.top, nets)
    board.drill([(15.0, 15.0, 0.5)])
    package = write_board(folder / "job", board.files())
    stated = None
    if volts is not None:
        stated = Voltages(
            "v.toml", tuple(Stated(k, v, 2 + n) for n, (k, v) in enumerate(volts.items()))
        )
    reach = load_shop(shop).limit_reach()
    return screen(package, workers=1, thickness=1.6, reach=reach, voltages=stated)


def judged(screening: Screening, shop: Shop | None = None) -> Judgement:
    return judge(screening, shop or load_shop("published"), rules=rules())


def told(judgement: Judgement) -> list[float]:
    return [f.measured or 0.0 for f in judgement.findings if f.rule == RULE]


@pytest.mark.parametrize(("unit", "angle"), TURNS)
def test_gap_and_voltage_in_closed_form(tmp_path: Path, unit: str, angle: float) -> None:
    nets = [("BUS", 0.0), ("AUX", 2.0), ("OUT", 3.0)]
    s = measured(tmp_path, nets, {"BUS": 325, "AUX": -24}, Laid(unit, angle))
    p = s.places
    p = p.take(p["rule"] == RULE)
    assert len(p) > 5  # all along, not at one point
    assert set(zip(p["net_a"], p["net_b"], strict=True)) <= {("BUS", "AUX"), ("AUX", "BUS")}
    assert p["volts"] == pytest.approx(349.0)  # signed values: the difference, not the larger
    assert p["value"].min() == pytest.approx(2.0 - WIDE, abs=1e-5)
    assert set(p["position"]) == {"outer"} and set(p["layer"]) == {"conductor-1"}
    assert np.hypot(p["x2"] - p["x"], p["y2"] - p["y"]) == pytest.approx(p["value"], abs=1e-6)


def test_lands_face_each_other_slantwise(tmp_path: Path) -> None:
    board = Laid()
    disc = board.top.circle(1.0)
    for net, x, y in (("A", 0.0, 0.0), ("B", 1.2, 1.6)):
        board.top.body.append(f"%TO.N,{net}*%")
        board.top.flash(disc, x, y)
    board.top.body.append("%TD*%")
    p = measured(tmp_path, [], {"A": 100, "B": 0}, board).places
    p = p.take(p["rule"] == RULE)
    assert p["value"].min() == pytest.approx(math.hypot(1.2, 1.6) - 1.0, abs=1e-5)


def test_nets_of_one_voltage_have_no_gap(tmp_path: Path) -> None:
    s = measured(tmp_path, [("A", 0.0), ("B", 0.7)], {"A": 325, "B": 325})
    assert not (s.places["rule"] == RULE).any()
    assert (RULE, "conductor-1") in s.measured
    assert told(judged(s)) == []


def test_it_is_measured_only_where_asked_for(tmp_path: Path) -> None:
    s = measured(tmp_path, [("BUS", 0.0), ("GND", 0.8)], None)
    assert RULE not in s.reach and RULE not in {id_ for id_, _ in s.measured}
    assert not (s.places["rule"] == RULE).any()
    j = judged(s)
    assert not any("voltage" in reason for reason in j.reasons)
    assert RULE not in dict(j.not_judged)
    # what says so is the rule's own mark: without it the limit would be lacking
    unmarked = rules() | {RULE: replace(rules()[RULE], opt_in=False)}
    reasons = judge(s, load_shop("published"), rules=unmarked).reasons
    assert any(RULE in reason and "not measured" in reason for reason in reasons)


# IPC-2221B table 6-1, column B2 (values from memory)
@pytest.mark.parametrize(
    ("volts", "limit"),
    [(30, 0.1), (31, 0.6), (50, 0.6), (100, 0.6), (150, 0.6), (151, 1.25), (300, 1.25), (301, 2.5),
     (500, 2.5)],
)  # fmt: skip
def test_published_figures_on_an_outer_layer(tmp_path: Path, volts: float, limit: float) -> None:
    for n, (off, fails) in enumerate([(-0.01, True), (0.01, False)]):
        nets = [("BUS", 0.0), ("GND", limit + off + WIDE)]
        j = judged(measured(tmp_path / str(n), nets, {"BUS": volts, "GND": 0}))
        assert bool(told(j)) is fails
        if fails:
            finding = next(f for f in j.findings if f.rule == RULE)
            assert finding.measured == pytest.approx(limit + off, abs=1e-5)
            assert finding.limit == pytest.approx(limit)
            assert (finding.severity, finding.nets) == ("query", ("BUS", "GND"))
            assert f"({volts:g} V)" in finding.message
        assert not any("no limit" in reason and RULE in reason for reason in j.reasons)


@pytest.mark.parametrize(
    ("volts", "limit"), [(30, 0.05), (50, 0.1), (100, 0.1), (300, 0.2), (500, 0.25)]
)
def test_published_figures_on_an_inner_layer(tmp_path: Path, volts: float, limit: float) -> None:
    for n, (off, fails) in enumerate([(-0.01, True), (0.01, False)]):
        files = Laid().files()
        inner = Sheet()
        runs(inner, [("BUS", 0.0), ("GND", limit + off + WIDE)])
        files["b.gbr"] = files["b.gbr"].replace("L2,Bot", "L3,Bot")
        files["i.gbr"] = inner.text("Copper,L2,Inr")
        stated = Voltages("v.toml", (Stated("BUS", volts), Stated("GND", 0.0)))
        s = screen(
            write_board(tmp_path / str(n), files), workers=1, voltages=stated,
            reach=load_shop("published").limit_reach(),
        )  # fmt: skip
        assert bool(told(judged(s))) is fails


@pytest.mark.parametrize("apart", [1.0, 3.5, 12.0])
def test_above_the_table_nothing_is_judged_and_the_verdict_says_so(
    tmp_path: Path, apart: float
) -> None:
    """However far apart: what lies beyond the reach is not listed, and not judged either."""
    s = measured(tmp_path, [("BUS", 0.0), ("GND", apart)], {"BUS": 501, "GND": 0})
    j = judged(s)
    assert told(j) == []
    assert j.verdict != Verdict.RELEASE
    (reason,) = [r for r in j.reasons if RULE in r]
    assert "501 V" in reason and "conductor-1" in reason and "not judged" in reason
    # kept and judged again it says the same
    store.save(s, tmp_path / "kept")
    assert judged(store.load(tmp_path / "kept")).reasons == j.reasons


def test_only_pairs_above_the_table_are_left_out(tmp_path: Path) -> None:
    nets = [("TOP", 0.0), ("MID", 2.0), ("GND", 4.0)]
    j = judged(measured(tmp_path, nets, {"TOP": 400, "MID": 0, "GND": -400}))
    found = [f for f in j.findings if f.rule == RULE]
    assert {f.nets for f in found} == {("MID", "TOP"), ("GND", "MID")}
    assert [f.measured for f in found] == pytest.approx([1.5] * len(found), abs=1e-5)
    assert any("800 V" in r and "400" not in r for r in j.reasons if "no limit" in r)


def test_a_shop_without_a_limit_says_so(tmp_path: Path) -> None:
    s = measured(tmp_path, [("BUS", 0.0), ("GND", 9.0)], {"BUS": 100, "GND": 0})
    j = judged(s, load_shop("volume"))
    assert j.verdict != Verdict.RELEASE
    assert any(RULE in r and "asked for" in r for r in j.reasons)


def test_a_name_no_net_has_is_a_query_that_names_its_like(tmp_path: Path) -> None:
    nets = [("HV_BUS", 0.0), ("GND", 3.5)]
    j = judged(measured(tmp_path, nets, {"HV_BSU": 325, "GND": 0, "X?Y*": 5}))
    found = [f for f in j.findings if f.rule == "data.unknown-net-voltage"]
    assert [f.severity for f in found] == ["query", "query"]
    assert "v.toml, line 2" in found[0].message and "mean HV_BUS?" in found[0].message
    assert "pattern 'X?Y*'" in found[1].message


def test_names_that_differ_in_digits_are_told_each(tmp_path: Path) -> None:
    j = judged(measured(tmp_path, [("GND", 0.0)], {"TAP1": 1, "TAP2": 1, "GND": 0}))
    assert sum(f.rule == "data.unknown-net-voltage" for f in j.findings) == 2


def test_no_name_fits_at_all(tmp_path: Path) -> None:
    s = measured(tmp_path, [("A", 0.0), ("B", 0.7)], {"C": 100})
    assert RULE not in {id_ for id_, _ in s.measured}
    j = judged(s)
    assert any(RULE in r and "no net of the board" in r for r in j.reasons)


def test_a_stated_conductor_between_parts_the_gap(tmp_path: Path) -> None:
    nets = [("A", 0.0), ("M", 1.0), ("B", 2.0)]
    p = measured(tmp_path, nets, {"A": 300, "M": 150, "B": 0}).places
    p = p.take((p["rule"] == RULE) & (np.abs(p["value"] - 0.5) < 1e-4))
    pairs = {frozenset(pair) for pair in zip(p["net_a"], p["net_b"], strict=True)}
    assert pairs == {frozenset("AM"), frozenset("MB")}
    assert set(p["volts"]) == {150.0}


def test_copper_beside_the_line_does_not_hide_it(tmp_path: Path) -> None:
    """A disc between two lands, a little off their line, that stands at half the voltage."""
    board = Laid()
    land, small = board.top.circle(1.0), board.top.circle(0.2)
    for net, code, x, y in (("A", land, 0, 0), ("B", land, 2.2, 0), ("M", small, 1.1, 0.3)):
        board.top.body.append(f"%TO.N,{net}*%")
        board.top.flash(code, x, y)
    board.top.body.append("%TD*%")
    p = measured(tmp_path, [], {"A": 300, "M": 150, "B": 0}, board).places
    p = p.take((p["rule"] == RULE) & (p["volts"] == 300))
    assert p["value"].min() == pytest.approx(1.2, abs=1e-5)


def test_copper_of_no_stated_voltage_does_not_insulate(tmp_path: Path) -> None:
    nets = [("A", 0.0), ("", 1.0), ("B", 2.0)]  # 1.5 mm apart, 0.5 mm of it copper
    s = measured(tmp_path, nets, {"A": 300, "B": 0})
    j = judged(s)
    assert told(j)[0] == pytest.approx(1.0, abs=1e-4)
    assert "across copper of no stated voltage" in next(
        f.message for f in j.findings if f.rule == RULE
    )
    assert any(a.subject == "voltages of nets" for a in s.assumptions)


@pytest.mark.parametrize(("first", "second", "fails"), [(1.0, 1.4, True), (1.2, 1.4, False)])
def test_floating_copper_does_not_insulate_however_wide_it_is(
    tmp_path: Path, first: float, second: float, fails: bool
) -> None:
    """A and B are 3 mm further apart than any limit looks, but 3 mm of that is copper."""
    board = Laid()
    edge = WIDE / 2
    runs(board.top, [("A", 0.0), ("B", edge + first + 3.0 + second + edge)])
    y = edge + first + 1.5
    board.top.draw(board.top.circle(3.0), -5.0, y, 5.0, y)
    s = measured(tmp_path, [], {"A": 500, "B": 0}, board)
    p = s.places.take(s.places["rule"] == RULE)
    across = p.take(np.array([" across " in kind for kind in p["kind"].tolist()], dtype=bool))
    assert bool(told(judged(s))) is fails
    assert (across["value"] < 2.5).sum() == fails
    if fails:
        assert across["value"].min() == pytest.approx(first + second, abs=1e-4)


def test_the_way_over_several_floating_conductors_is_added_up(tmp_path: Path) -> None:
    nets = [("A", 0.0), ("", 0.8), ("", 1.7), ("B", 2.7)]  # 0.3, 0.4 and 0.5 mm of laminate
    s = measured(tmp_path, nets, {"A": 500, "B": 0})
    assert told(judged(s))[0] == pytest.approx(1.2, abs=1e-4)


# -- names and the file ------------------------------------------------------------------


def test_exact_names_come_before_patterns_and_the_first_pattern_wins() -> None:
    entries = [Stated("HV*", 325.0), Stated("*", 0.0), Stated("HV_RET", 12.0)]
    volts, unknown = net_volts(["HV1", "GND", "HV_RET"], entries)
    assert volts.tolist() == [325.0, 0.0, 12.0]
    assert unknown == ()
    volts, _ = net_volts(["D[0]", "D0"], [Stated("D[0]", 5.0)])
    assert volts[0] == 5.0 and np.isnan(volts[1])  # a name with brackets is a name first


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ('[nets]\nBUS = "325 V"\n', 2, "plain number"),
        ("[nets]\nBUS = true\n", 2, "plain number"),
        ("[nets]\nGND = 0\nBUS = inf\n", 3, "plain number"),
        ("[nets]\nBUS = 1\nBUS = 2\n", None, "not TOML"),
        ("[nets]\n+24V = 24\n", 2, "needs quotes"),
        ("[nets]\nA.B = 3\n", 2, '"A.B" = volts'),
        ("[net]\nA = 3\n", 1, "[nets]"),
        ("BUS = 325\n", 1, "[nets]"),
        ("", None, "Add them"),
        ("[nets]\n", 1, "Add them"),
    ],
)
def test_what_is_wrong_in_the_file_is_told_in_one_sentence(
    text: str, line: int | None, word: str
) -> None:
    with pytest.raises(UsageError) as error:
        parse_voltages(text, "v.toml")
    assert error.value.file == "v.toml" and word in str(error.value)
    assert "\n" not in str(error.value)
    if line is not None:
        assert error.value.line == line


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        load_voltages(tmp_path / "none.toml")
    (tmp_path / "v.toml").write_bytes(b"[nets]\nBUS\xff = 3\n")
    with pytest.raises(UsageError, match="UTF-8"):
        load_voltages(tmp_path / "v.toml")
    (tmp_path / "w.toml").write_bytes(b'\xef\xbb\xbf[nets]\r\n"+24V" = 24\r\n')
    assert load_voltages(tmp_path / "w.toml").entries == (Stated("+24V", 24.0, 2),)
