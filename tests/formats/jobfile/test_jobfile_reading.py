"""Job files, JSON and Gerber-style, whole and damaged."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import FormatError
from dfmcheck.formats.jobfile import read_job


def job(**changes: Any) -> dict[str, Any]:
    """Job file of a made-up four-layer sensor board."""
    whole: dict[str, Any] = {
        "Header": {"CreationDate": "2024-01-02T03:04:05+00:00"},
        "GeneralSpecs": {
            "ProjectId": {"Name": "sensor", "Revision": "B"},
            "Size": {"X": 80.0, "Y": 40.0},
            "LayerNumber": 4,
            "BoardThickness": 1.6,
            "Finish": "ENIG",
        },
        "DesignRules": [{"Layers": "Outer", "MinLineWidth": 0.15}],
        "FilesAttributes": [
            {"Path": f"cu{n}.gbr", "FileFunction": f"Copper,L{n},Inr", "FilePolarity": "Positive"}
            for n in range(1, 5)
        ],
        "MaterialStackup": [
            {"Type": "Copper", "Thickness": 0.035, "Name": "L1"},
            {"Type": "Dielectric", "Thickness": 0.2, "Name": "a", "Material": "FR4"},
            {"Type": "Copper", "Thickness": 0.018, "Name": "L2"},
            {"Type": "Dielectric", "Thickness": 1.1, "Name": "b"},
            {"Type": "Copper", "Thickness": 0.018, "Name": "L3"},
            {"Type": "Dielectric", "Thickness": 0.2, "Name": "c"},
            {"Type": "Copper", "Thickness": 0.035, "Name": "L4"},
        ],
    }
    for path, value in changes.items():
        place = whole
        *steps, last = path.split("__")
        for step in steps:
            place = place[step]
        place[last] = value
    return whole


def read(whole: Any) -> Any:
    return read_job(json.dumps(whole).encode(), "board.gbrjob")


def test_every_field() -> None:
    got = read(job())
    assert (got.layer_count, got.thickness, got.size_x, got.size_y) == (4, 1.6, 80.0, 40.0)
    assert got.finish == "ENIG"
    assert got.copper_um == (35.0, 18.0, 18.0, 35.0)
    assert (got.stack[1].name, got.stack[1].type, got.stack[1].thickness) == (
        "a",
        "Dielectric",
        0.2,
    )
    assert got.design_rules == ({"Layers": "Outer", "MinLineWidth": 0.15},)
    assert got.file_functions["cu2.gbr"] == ("Copper", "L2", "Inr")
    assert got.attributes["ProjectId.Name"] == "sensor"
    assert got.defects == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"GeneralSpecs__LayerNumber": 6}, "layer count 6"),
        ({"GeneralSpecs__BoardThickness": 0.8}, "board thickness 0.8"),
        ({"MaterialStackup": [{"Type": "Copper", "Thickness": 35}] * 4}, "35000 µm"),
        (
            {"FilesAttributes": [{"Path": p, "FileFunction": "Copper,L4,Bot"} for p in "ab"]},
            "2 files listed as copper L4",
        ),
        ({"FilesAttributes": [{"Path": "a", "FileFunction": "Copper,L4"}] * 2}, "'a' listed twice"),
    ],
)
def test_contradictions(changes: dict[str, Any], words: str) -> None:
    found = [d for d in read(job(**changes)).defects if d.rule == "data.job-contradiction"]
    assert any(words in d.found for d in found), found


def test_a_faulty_member_costs_only_itself() -> None:
    got = read(job(GeneralSpecs__BoardThickness="thick", GeneralSpecs__Size={"X": -3, "Y": 40}))
    assert got.thickness is None
    assert got.size_x is None
    assert got.size_y == 40.0
    assert got.layer_count == 4
    found = {d.found for d in got.defects}
    assert found == {'GeneralSpecs.BoardThickness is "thick"', "GeneralSpecs.Size.X is -3"}


def test_faulty_parts_are_recorded() -> None:
    got = read(
        {"GeneralSpecs": [], "FilesAttributes": [3, {"Path": "a"}], "DesignRules": 5, "More": 1}
    )
    assert len(got.defects) == 4
    assert got.file_functions == {"a": ()}


def test_gerber_style() -> None:
    got = read_job(
        b"G04 Gerber job file.*\n%TF.FileFunction,JobInfo*%\n%MOMM*%\n%TJ.B_ID,sensor*%\n"
        b"%TJ.B_LayerNum,1*%\n%TJ.B_Thickness,1.570000*%\n%TJ.B_Size_X,80.5*%\n"
        b"%TJ.D_Outer_MinLineWidth,0.15*%\n"
        b'%TJ.L_"top.gbr",Positive,Copper,L1,Top*%\nM02*',
        "board.gbrjob",
    )
    assert (got.layer_count, got.thickness, got.size_x) == (1, 1.57, 80.5)
    assert got.attributes["B_ID"] == "sensor"
    assert got.design_rules == ({"Layers": "Outer", "MinLineWidth": 0.15},)
    assert got.file_functions == {"top.gbr": ("Copper", "L1", "Top")}
    assert got.defects == ()


def test_gerber_style_damaged() -> None:
    got = read_job(b"%MOIN*%\n%TJ.B_Thickness,x*%\n%TJ.B_Size_Y,2*%\n", "b")
    assert got.thickness is None
    assert got.size_y == pytest.approx(50.8)
    assert [d.rule for d in got.defects] == ["data.illegal-construct", "data.truncated-file"]
    assert got.defects[0].line == 2


@pytest.mark.parametrize(
    "data", [b"", b"{", b"[]", b"{}", b'{"a": 1}', b"\xff\xfe\x00", b"[" * 100000]
)
def test_other_data_is_refused_in_one_sentence(data: bytes) -> None:
    with pytest.raises(FormatError) as caught:
        read_job(data, "board.gbrjob")
    assert str(caught.value).startswith("board.gbrjob")
    assert "\n" not in str(caught.value)


leaf = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
anything = st.recursive(
    leaf, lambda s: st.lists(s, max_size=3) | st.dictionaries(st.text(max_size=4), s, max_size=3)
)
PLACES = [
    "Header",
    "GeneralSpecs",
    "GeneralSpecs__Size",
    "GeneralSpecs__Size__X",
    "DesignRules",
    "GeneralSpecs__LayerNumber",
    "FilesAttributes",
    "MaterialStackup",
]


@settings(max_examples=150, deadline=None)
@given(place=st.sampled_from(PLACES), value=anything)
def test_any_value_anywhere_gives_a_job(place: str, value: Any) -> None:
    got = read(job(**{place: value}))
    assert got.file == "board.gbrjob"
    assert all("\n" not in d.sentence for d in got.defects)
