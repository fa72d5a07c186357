"""Roles recognised on the open boards against roles a person gave them (labels.toml)."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from dfmcheck.intake import Package, open_package, select_board

_ROOT = Path(__file__).resolve().parents[2]
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", _ROOT / ".." / "shared" / "boards"))
LABELS = tomllib.loads((Path(__file__).parent / "labels.toml").read_text())

pytestmark = pytest.mark.skipif(
    not BOARDS.is_dir(), reason=f"the open boards are not at {BOARDS}; set DFMCHECK_BOARDS"
)


@pytest.fixture(scope="module")
def packages() -> dict[str, Package]:
    return {name: open_package(BOARDS / name) for name in LABELS if (BOARDS / name).is_dir()}


def test_score(packages: dict[str, Package], capsys: pytest.CaptureFixture[str]) -> None:
    wrong, total = [], 0
    for name, package in packages.items():
        labels = LABELS[name]
        assert {f.name for f in package.files} == set(labels), name
        for file in package.files:
            total += 1
            if str(file.role) != labels[file.name]:
                wrong.append(f"{name}/{file.name}: {file.role}, labelled {labels[file.name]}")
    score = 1 - len(wrong) / total
    with capsys.disabled():
        print(f"\nroles recognised: {total - len(wrong)} of {total} = {score:.1%}")
    assert score >= 0.98, "\n".join(wrong)


def test_every_wrong_role_is_doubted(packages: dict[str, Package]) -> None:
    """A role that is wrong must at least not be claimed with confidence."""
    for name, package in packages.items():
        for file in package.files:
            if str(file.role) != LABELS[name][file.name]:
                assert file.confidence < 0.8, file.name


def test_every_role_has_evidence(packages: dict[str, Package]) -> None:
    for package in packages.values():
        for file in package.files:
            assert file.evidence
            assert 0 < file.confidence <= 1


@pytest.mark.parametrize(
    ("name", "count"),
    [("sbc-10-layer", 10), ("radio-14-layer", 14), ("four-layer-netlist", 4), ("led-arena", 6)],
)
def test_conductor_count(packages: dict[str, Package], name: str, count: int) -> None:
    if name not in packages:
        pytest.skip(f"{name} is not among the boards")
    numbers = sorted(f.role.layer or 0 for f in packages[name].files if f.role.is_copper)
    assert numbers == list(range(1, count + 1))


def test_several_boards(packages: dict[str, Package]) -> None:
    expected = {
        "stepper-lights": ("controller", "driver"),
        "usb-tool": ("keyboard", "mainboard", "panel"),
    }
    for name, package in packages.items():
        assert package.boards == expected.get(name, ()), name
        told = [d for d in package.defects if d.rule == "data.several-boards"]
        assert len(told) == (1 if package.boards else 0)
        for prefix in package.boards:
            one = select_board(package, prefix)
            assert one.boards == ()
            assert {f.base[: len(prefix)] for f in one.files if f.role.is_copper} == {prefix}
            for file in one.files:
                assert str(file.role) == LABELS[name][file.name]


def test_missing_profile_names_where_it_may_be(packages: dict[str, Package]) -> None:
    hints = {
        "radio-14-layer": "GM1",
        "sbc-10-layer": "MinnowMax_fab.art",
        "four-layer-netlist": "fab1.art",
        "led-arena": "Assembly.art",
    }
    for name, hint in hints.items():
        if name in packages:
            (defect,) = [d for d in packages[name].defects if d.layer == "profile"]
            assert hint in defect.action
