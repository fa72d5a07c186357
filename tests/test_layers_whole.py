"""Measured values hang on the board alone: not on workers, place, turn, mirror or unit."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree

from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text
from tests.rewrite import INCH, Change, offset, package
from tests.sample_polygons import SAMPLES

TENTH = 1e-4  # 0.1 µm in mm
DEGREE = 0.01  # an angle may differ by 0.01°: 0.1 µm on an arm of 0.6 mm
EDGE = 1e-3  # values nearer than this to the reach may be listed on one side only
SAMPLED = [
    "etch.conductor-width", "etch.notch", "etch.conductor-spacing",
]  # fmt: skip
"""Listed every so often along equally tight stretches: which feature stands for a stretch
(of two conductors in line, say) is free."""
CHOSEN = [
    "plate.isolation", "legend.stroke-width", "legend.ink-on-land",
    "mask.opening-to-conductor", "stencil.paste-beyond-land",
]  # fmt: skip
"""A few places stand for many alike, and which ones is free: only the tightest must stay."""
NAMES = ["tide-logger-clean", "tide-logger-planted"]
CHANGES = {
    "moved": offset(-33.2171, 7.1339),
    "turned": Change(a=0.0, b=-1.0, c=1.0, d=0.0, shapes=True),
    "mirrored": Change(a=-1.0, dx=100.0, shapes=True),
    "mirrored and turned": Change(a=0.0, b=1.0, c=1.0, d=0.0, shapes=True),
    "inch, moved": Change(dx=1.27 * INCH, dy=-0.1 * INCH, inch=True),
}


@pytest.fixture(scope="module")
def as_sent() -> dict[str, Screening]:
    return {name: screen(SAMPLES / name, workers=1) for name in NAMES}


def features(screening: Screening) -> dict[tuple[Any, ...], float]:
    """Tightest value of every pair of features, by rule, layer, kind, file and line."""
    p = listed(screening)
    out: dict[tuple[Any, ...], float] = {}
    for row in np.flatnonzero(~np.isin(p["rule"], SAMPLED + CHOSEN)).tolist():
        ends = sorted((str(p[f"file_{e}"][row]), int(p[f"line_{e}"][row])) for e in "ab")
        key = (p["rule"][row], p["layer"][row], p["position"][row], p["kind"][row], *ends)
        out[key] = min(scaled(p["rule"][row], p["value"][row]), out.get(key, np.inf))
    return out


def scaled(rule: str, value: float) -> float:
    """Angles in hundreds of degrees, so that one tolerance serves."""
    return float(value) * (DEGREE if rules()[rule].unit == "deg" else 1.0)


def listed(screening: Screening) -> Places:
    """Places that do not stand on the very edge of what is listed."""
    p = screening.places
    return p.take(p["value"] <= np.array([screening.reach[rule] for rule in p["rule"]]) - EDGE)


def looser(mine: Places, at: Any, other: Places, there: Any) -> list[tuple[Any, ...]]:
    """Places of one listing with nothing as tight in the other within a millimetre."""
    out: list[tuple[Any, ...]] = []
    for rule in SAMPLED:
        for layer in sorted(set(mine["layer"][mine["rule"] == rule])):
            ours, theirs = (
                np.flatnonzero((p["rule"] == rule) & (p["layer"] == layer)) for p in (mine, other)
            )
            near = cKDTree(there[theirs]).query_ball_point(at[ours], 1.0) if len(theirs) else []
            for row, rows in zip(ours, near, strict=True):
                values = other["value"][theirs[rows]]
                if not (values <= mine["value"][row] + TENTH).any():
                    out.append((rule, layer, at[row].tolist(), mine["value"][row], values.tolist()))
    return out


def middles(places: Places, change: Change | None = None) -> Any:
    """Where places lie, mm from the profile's corner; ``change`` tells where they go."""
    ends = [np.stack([places[x], places[y]], axis=-1) for x, y in (("x", "y"), ("x2", "y2"))]
    middle = (ends[0] + ends[1]) / 2
    if change is None:
        return middle
    corners = np.array([change.at(x, y) for x in (20.0, 80.0) for y in (15.0, 55.0)])
    moved = np.array([change.at(x + 20.0, y + 15.0) for x, y in middle.tolist()])
    return moved - corners.min(axis=0)


def tightest(places: Places) -> dict[tuple[str, str], float]:
    out: dict[tuple[str, str], float] = {}
    for rule, layer, value in zip(places["rule"], places["layer"], places["value"], strict=True):
        out[rule, layer] = min(scaled(rule, value), out.get((rule, layer), np.inf))
    return out


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("how", CHANGES)
def test_values_stay(tmp_path: Path, as_sent: dict[str, Screening], name: str, how: str) -> None:
    sent = package(tmp_path, {"": CHANGES[how]}, source=SAMPLES / name)
    if CHANGES[how].b:  # a quarter turn swaps the sides that the job file states
        (job,) = sent.glob("*.gbrjob")
        facts = json.loads(job.read_text())
        size = facts["GeneralSpecs"]["Size"]
        size["X"], size["Y"] = size["Y"], size["X"]
        job.write_text(json.dumps(facts, indent=1))
    before, after = as_sent[name], screen(sent, workers=1)
    assert tightest(after.places) == pytest.approx(tightest(before.places), abs=TENTH)
    a, b = features(before), features(after)
    assert len(a) > 10
    assert (sorted(a.keys() - b.keys()), sorted(b.keys() - a.keys())) == ([], [])
    ours, theirs = listed(before), listed(after)
    at, there = middles(ours, CHANGES[how]), middles(theirs)
    assert looser(ours, at, theirs, there) == []
    assert looser(theirs, there, ours, at) == []
    off = {key: (a[key], b[key]) for key in a if abs(a[key] - b[key]) > TENTH}
    assert off == {}
    for fact in ("area", "conductors", "thickness", "nets"):
        assert getattr(after.facts, fact) == pytest.approx(getattr(before.facts, fact), rel=1e-6)
    assert after.facts.copper_area == pytest.approx(before.facts.copper_area, rel=2e-5)
    assert [d.rule for d in after.defects] == [d.rule for d in before.defects]


def test_change_is_a_change(tmp_path: Path, as_sent: dict[str, Screening]) -> None:
    """The comparison above sees it when one layer of the package stays behind."""
    alone = package(tmp_path, {"copper-1": offset(0.05, 0.0)}, source=SAMPLES / NAMES[0])
    a, b = features(as_sent[NAMES[0]]), features(screen(alone, workers=1))
    assert any(abs(a[key] - b[key]) > 0.04 for key in a.keys() & b.keys())


# -- workers ---------------------------------------------------------------------------


def same(a: Places, b: Places) -> None:
    for name, column in a.columns.items():
        other = b[name]
        equal = column == other
        if column.dtype.kind == "f":
            equal |= np.isnan(column) & np.isnan(other)
        assert equal.all(), name


@pytest.fixture(scope="module")
def field_of_lands(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up board large enough that reading and measuring are shared out to workers."""
    folder = tmp_path_factory.mktemp("field")
    rng = np.random.default_rng(3)
    at = np.stack(np.meshgrid(np.arange(100.0), np.arange(105.0)), axis=-1).reshape(-1, 2) * 0.8
    holes = [(x, y, 0.3) for x, y in at[::7].tolist()]
    for number, (function, size) in enumerate(
        [("Copper,L1,Top", 0.6), ("Copper,L2,Bot", 0.62), ("Soldermask,Top", 0.7)], start=1
    ):
        sheet = Sheet()
        codes = [sheet.circle(size + step) for step in (0.0, 0.01, 0.02)]
        for (x, y), k, jitter in zip(
            at.tolist(), rng.integers(0, 3, len(at)).tolist(), rng.uniform(0, 0.03, len(at)),
            strict=True,
        ):  # fmt: skip
            sheet.flash(codes[k], x + (0.0 if number == 3 else float(jitter)), y)
        (folder / f"field-{number}.gbr").write_text(sheet.text(function) + "G04 end*\n" * 40_000)
    (folder / "field.drl").write_text(drill_text(holes, True, Sheet()))
    return folder


def test_two_workers(field_of_lands: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import dfmcheck.board.assemble as assembling
    import dfmcheck.screen as screening

    used: list[str] = []
    for module in (assembling, screening):

        def counted(
            *args: Any, pool: Any = module.ProcessPoolExecutor, name: str = module.__name__,
            **more: Any,
        ) -> Any:  # fmt: skip
            used.append(name)
            return pool(*args, **more)

        monkeypatch.setattr(module, "ProcessPoolExecutor", counted)
    one = screen(field_of_lands, workers=1)
    assert used == []
    two = screen(field_of_lands, workers=2)
    assert used == ["dfmcheck.board.assemble", "dfmcheck.screen"]
    assert len(one.places) > 1000
    same(one.places, two.places)
    assert _with_places(one, two) == two


def _with_places(one: Screening, two: Screening) -> Screening:
    return replace(one, places=two.places)


@pytest.mark.parametrize("board", ["rover-2-layer", "rgb-matrix"])
def test_two_workers_on_a_published_board(boards: Path, board: str) -> None:
    if not (boards / board).is_dir():
        pytest.skip(f"no board {board}")
    one, two = (screen(boards / board, workers=n) for n in (1, 2))
    assert len(one.places) > 100
    same(one.places, two.places)
    assert two == _with_places(one, two)


def test_order_of_files_does_not_matter(tmp_path: Path, as_sent: dict[str, Screening]) -> None:
    """A folder that lists its files the other way round is the same board."""
    target = tmp_path / NAMES[0]
    target.mkdir()
    for file in sorted((SAMPLES / NAMES[0]).iterdir(), reverse=True):
        shutil.copy(file, target / file.name)
    same(as_sent[NAMES[0]].places, screen(target, workers=1).places)
