"""Netlists of real boards, against another reader, plain text search, and their copper.

Outside reference: the netlist reader of the open library gerbonara (positions, nets and hole
diameters), and the records counted by regular expression.
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np
import pytest

from dfmcheck.formats.ipc356 import read_netlist

FILES = [
    "four-layer-netlist/08_057494d-ipc356.ipc",
    "sbc-10-layer/MinnowMax_RevA1_IPC356A.ipc",
]


@pytest.mark.parametrize("name", FILES)
def test_points_as_another_reader_reads_them(boards: Path, name: str) -> None:
    path = boards / name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from gerbonara.ipc356 import Netlist as Reference
        from gerbonara.utils import MM

        theirs = Reference.open(path).test_records
    ours = read_netlist(path.read_bytes(), path.name)
    p = ours.points
    assert len(p) == len(theirs)
    want = np.array([[r.unit.convert_to(MM, v) for v in (r.x, r.y)] for r in theirs])
    assert np.abs(np.stack([p.x, p.y], axis=-1) - want).max() < 1e-6
    holes = np.array([r.unit.convert_to(MM, r.hole_dia or 0.0) for r in theirs])
    assert np.abs(np.nan_to_num(p.hole) - holes).max() < 1e-6
    # The other reader gives no name to N/C and knows no aliases in comments: compare the
    # partition of points into nets, not the names.
    net = [r.net_name or f"none {k}" for k, r in enumerate(theirs)]
    idle = {ours.names.index("N/C")} if "N/C" in ours.names else set()
    mine = [
        f"none {k}" if n < 0 or (n in idle and net[k].startswith("none")) else n
        for k, n in enumerate(p.net.tolist())
    ]
    pairs = set(zip(net, mine, strict=True))
    assert len(pairs) == len(set(net)) == len(set(mine))


@pytest.mark.parametrize("name", FILES)
def test_records_as_counted_in_the_text(boards: Path, name: str) -> None:
    data = (boards / name).read_bytes()
    p = read_netlist(data, name).points
    for code in (317, 327, 367):
        count = len(re.findall(rf"^{code}".encode(), data, re.M))
        assert int((p.record == code).sum()) == count > 0
    assert len(p) == len(re.findall(rb"^3\d7", data, re.M))


@pytest.mark.parametrize(("name", "mil"), list(zip(FILES, (80.4, 64.462), strict=True)))
def test_facts_the_comments_state(boards: Path, name: str, mil: float) -> None:
    netlist = read_netlist((boards / name).read_bytes(), name)
    assert netlist.thickness == pytest.approx(mil * 0.0254, abs=1e-6)
    assert netlist.conductors == len(netlist.layers) == (4 if mil > 70 else 10)
