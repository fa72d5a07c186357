"""Roles from names, attributes, comments and job files, on made-up packages."""

from __future__ import annotations

import json

import pytest
from kettle_lamp import DRILL, Fill, gerber, roles, rules, told

from dfmcheck.intake import open_package

# Sets of names as different exports write them; the roles are those of the trade's habits.
HABITS: dict[str, dict[str, str]] = {
    "extension": {
        "lamp.gtl": "conductor-1", "lamp.g1": "conductor-2", "lamp.g2": "conductor-3",
        "lamp.gbl": "conductor-4", "lamp.gts": "mask-top", "lamp.gbs": "mask-bottom",
        "lamp.gto": "legend-top", "lamp.gbo": "legend-bottom", "lamp.gtp": "paste-top",
        "lamp.gbp": "paste-bottom", "lamp.gko": "profile", "lamp.gm1": "document",
        "lamp.gpt": "document", "lamp.gpb": "document", "lamp.gd1": "document",
    },
    "planes": {
        "lamp.gtl": "conductor-1", "lamp.gp1": "plane-2", "lamp.gp2": "plane-3",
        "lamp.gbl": "conductor-4", "lamp.gml": "profile",
    },
    "component and solder side": {
        "lamp.cmp": "conductor-1", "lamp.ly2": "conductor-2", "lamp.ly3": "conductor-3",
        "lamp.sol": "conductor-4", "lamp.stc": "mask-top", "lamp.sts": "mask-bottom",
        "lamp.plc": "legend-top", "lamp.pls": "legend-bottom", "lamp.crc": "paste-top",
        "lamp.crs": "paste-bottom", "lamp_outline.gbr": "profile",
    },
    "front and back": {
        "lamp-F_Cu.gbr": "conductor-1", "lamp-In1_Cu.gbr": "conductor-2",
        "lamp-In2_Cu.gbr": "conductor-3", "lamp-B_Cu.gbr": "conductor-4",
        "lamp-F_Mask.gbr": "mask-top", "lamp-B_Mask.gbr": "mask-bottom",
        "lamp-F_Silkscreen.gbr": "legend-top", "lamp-B_SilkS.gbr": "legend-bottom",
        "lamp-F_Paste.gbr": "paste-top", "lamp-B_Paste.gbr": "paste-bottom",
        "lamp-Edge_Cuts.gbr": "profile", "lamp-F_Fab.gbr": "document",
        "lamp-F_Courtyard.gbr": "document",
    },
    "words": {
        "copper_top.gbr": "conductor-1", "copper_inner1.gbr": "conductor-2",
        "copper_inner2.gbr": "conductor-3", "copper_bottom.gbr": "conductor-4",
        "soldermask_top.gbr": "mask-top", "soldermask_bottom.gbr": "mask-bottom",
        "legend_top.gbr": "legend-top", "silkscreen_bottom.gbr": "legend-bottom",
        "solderpaste_top.gbr": "paste-top", "stencil_bottom.gbr": "paste-bottom",
        "board_profile.gbr": "profile", "assembly_top.gbr": "document",
    },
    "glued": {
        "lamp.top.gbr": "conductor-1", "lamp.bottom.gbr": "conductor-2",
        "lamp.topmask.gbr": "mask-top", "lamp.bottommask.gbr": "mask-bottom",
        "lamp.topsilk.gbr": "legend-top", "lamp.bottompaste.gbr": "paste-bottom",
        "lamp.outline.gbr": "profile", "lamp.fab.gbr": "document",
    },
    "numbers": {
        "art_l1_primary.art": "conductor-1", "art_l2_gnd.art": "conductor-2",
        "art_l3_pwr.art": "conductor-3", "art_l4_secondary.art": "conductor-4",
        "art_mask_prm.art": "mask-top", "art_mask_sec.art": "mask-bottom",
        "art_silk_prm.art": "legend-top", "art_paste_sec.art": "paste-bottom",
        "art_fab.art": "document",
    },
    "short": {
        "Top.pho": "conductor-1", "Layer2.pho": "conductor-2", "Layer3.pho": "conductor-3",
        "Bottom.pho": "conductor-4", "SMT.pho": "mask-top", "SMB.pho": "mask-bottom",
        "SST.pho": "legend-top", "SSB.pho": "legend-bottom", "SPT.pho": "paste-top",
        "SPB.pho": "paste-bottom",
    },
    "sides": {
        "comp_side.gbx": "conductor-1", "solder_side.gbx": "conductor-2",
        "solder_side_mask.gbx": "mask-bottom", "component_side_legend.gbx": "legend-top",
        "edge.gbx": "profile",
    },
    "signals": {
        "lamp_top.spl": "conductor-1", "lamp_sig2.spl": "conductor-2",
        "lamp_sig3.spl": "conductor-3", "lamp_bot.spl": "conductor-4",
        "lamp_ident_top.spl": "legend-top", "lamp_resist_bot.spl": "mask-bottom",
    },
    "leading numbers": {
        "1_top.gbr": "conductor-1", "2_gnd.gbr": "conductor-2", "3_pwr.gbr": "conductor-3",
        "4_bottom.gbr": "conductor-4", "5_top_mask.gbr": "mask-top",
    },
    "letters": {
        "k9_lyr1.art": "conductor-1", "k9_lyr2.art": "conductor-2", "k9_lyr3.art": "conductor-3",
        "k9_lyr4.art": "conductor-4", "k9_smc.art": "mask-top", "k9_sms.art": "mask-bottom",
        "k9_tslk.art": "legend-top", "k9_bslk.art": "legend-bottom", "k9_spc.art": "paste-top",
        "k9_sps.art": "paste-bottom", "k9_assy.art": "document",
    },
}  # fmt: skip


@pytest.mark.parametrize("habit", HABITS)
def test_name_habits(habit: str, fill: Fill) -> None:
    expected = HABITS[habit]
    # The content differs from file to file but tells nothing.
    package = open_package(fill({n: gerber(f"G04 {i}*") for i, n in enumerate(expected)}))
    assert roles(package) == expected
    assert all(f.evidence for f in package.files)


@pytest.mark.parametrize("reverse", [False, True])
def test_order_does_not_depend_on_names_order(fill: Fill, reverse: bool) -> None:
    names = [f"kettle_lyr{n}.art" for n in range(1, 13)]
    files = {n: gerber() for n in sorted(names, reverse=reverse)}
    package = open_package(fill(files))
    assert [roles(package)[n] for n in names] == [f"conductor-{i}" for i in range(1, 13)]


DRILLS = {
    "lamp-PTH.drl": "drill-plated", "lamp-NPTH.drl": "drill-unplated",
    "lamp.plated-drill.cnc": "drill-plated", "lamp.unplated-drill.cnc": "drill-unplated",
    "lamp_non-plated.txt": "drill-unplated", "lamp-RoundHoles.TXT": "drill", "lamp.xln": "drill",
    "lamp.rou": "rout", "odd": "drill",
}  # fmt: skip


@pytest.mark.parametrize("name", DRILLS)
def test_drill_names(name: str, fill: Fill) -> None:
    package = open_package(fill({name: DRILL, "lamp.gtl": gerber()}))
    assert roles(package)[name] == DRILLS[name]


@pytest.mark.parametrize(
    ("header", "role"),
    [
        (b";TYPE=PLATED\n", "drill-plated"),
        (b";TYPE=NON_PLATED\n", "drill-unplated"),
        (b";T01 Holesize 1. = 0.3 PLATED MM Quantity = 3\n", "drill-plated"),
        (b";T01 Size PLATED Quantity = 3\n;T02 Size NON_PLATED Quantity = 1\n", "drill"),
        (b";FILE : x.drl for ... layers TOP and BOTTOM\n", "drill-1-4"),
        (b";FILE : x.drl for ... layers TOP and L2_GND\n", "drill-1-2"),
        (b"; #@! TF.FileFunction,Plated,1,3,Blind\n", "drill-plated-1-3"),
        (b"; #@! TF.FileFunction,NonPlated,1,4,NPTH,Rout\n", "rout-unplated-1-4"),
        (b"; #@! TF.FileFunction,MixedPlating,1,4\n", "drill-1-4"),
    ],
)
def test_drill_headers(header: bytes, role: str, fill: Fill) -> None:
    names = ("l1_top.art", "l2_gnd.art", "l3_vcc.art", "l4_bottom.art")
    files = {n: gerber() for n in names} | {"x.drl": DRILL.replace(b"METRIC", header + b"METRIC")}
    assert roles(open_package(fill(files)))["x.drl"] == role


def test_type_section_without_tools_says_nothing(fill: Fill) -> None:
    data = b"M48\nMETRIC,LZ\n;TYPE=PLATED\nT1C0.8\n;TYPE=NON_PLATED\n%\nT1\nX1Y1\nM30\n"
    assert roles(open_package(fill({"x.txt": data})))["x.txt"] == "drill-plated"


FUNCTIONS = {
    "Copper,L1,Top": "conductor-1", "Copper,L2,Inr,Plane": "plane-2",
    "Copper,L3,Bot": "conductor-3", "Soldermask,Top": "mask-top", "Legend,Bot": "legend-bottom",
    "Paste,Top": "paste-top",
    "Profile,NP": "profile", "Plated,1,3,PTH": "drill-plated-1-3", "Vcut": "score",
    "AssemblyDrawing,Top": "document", "Pads,Top": "document", "Carbonmask,Top": "unknown",
}  # fmt: skip


@pytest.mark.parametrize("form", ["%TF.FileFunction,{}*%", "G04 #@! TF.FileFunction,{}*"])
def test_attributes_outweigh_names(form: str, fill: Fill) -> None:
    """Names say nothing here; the attribute decides, in a command as in a comment."""
    files = {f"{i}.gbr": gerber(form.format(v)) for i, v in enumerate(FUNCTIONS)}
    package = open_package(fill(files))
    assert [roles(package)[f"{i}.gbr"] for i in range(len(files))] == list(FUNCTIONS.values())
    assert package.file("0.gbr").attributes["FileFunction"] == ("Copper", "L1", "Top")
    assert told(package, "data.unknown-file").file == f"{len(files) - 1}.gbr"


def test_name_against_attribute_is_doubted(fill: Fill) -> None:
    files = {"lamp.gtl": gerber("%TF.FileFunction,Soldermask,Bot*%")}
    file = open_package(fill(files)).files[0]
    assert str(file.role) == "mask-bottom"
    assert file.confidence < 0.8
    assert any(e.startswith("but ") for e in file.evidence)


def test_job_file(fill: Fill) -> None:
    job = {
        "Header": {}, "GeneralSpecs": {},
        "FilesAttributes": [
            {"Path": "a.gbr", "FileFunction": "Copper,L1,Top"},
            {"Path": "b.gbr", "FileFunction": "Copper,L2,Bot"},
            {"Path": "c.gbr", "FileFunction": "SolderMask,Top"},
            {"Path": "gone.gbr", "FileFunction": "Profile"},
        ],
    }  # fmt: skip
    files = {n: gerber(f"G04 {n}*") for n in ("a.gbr", "b.gbr")}
    files["c.gbr"] = gerber("%TF.FileFunction,Soldermask,Bot*%")
    files["lamp.gbrjob"] = json.dumps(job).encode()
    package = open_package(fill(files))
    assert roles(package) == {
        "a.gbr": "conductor-1", "b.gbr": "conductor-2", "c.gbr": "mask-bottom",
        "lamp.gbrjob": "job",
    }  # fmt: skip
    contrary = [d for d in package.defects if d.rule == "data.job-contradiction"]
    assert sorted(d.file for d in contrary) == ["c.gbr", "lamp.gbrjob"]
    assert any("gone.gbr" in d.found for d in contrary)


@pytest.mark.parametrize("body", ['{"FilesAttributes": [', '{"FilesAttributes": [1, {"Path": 3}]}'])
def test_bad_job_file_does_not_stop_the_screen(body: str, fill: Fill) -> None:
    package = open_package(fill({"lamp.gbrjob": body.encode(), "lamp.gtl": gerber()}))
    assert roles(package)["lamp.gtl"] == "conductor-1"
    assert ("data.unreadable-file" in rules(package)) == body.endswith("[")


def test_comments_give_roles_and_physical_order(fill: Fill) -> None:
    comments = {
        "a.art": "G04 Layer: ETCH/TOP*", "b.art": "G04 Layer: PIN/SOLDERMASK_BOTTOM*",
        "c.art": "G04 Layer: TopSilkLayer*", "d.art": "%LNbottom solder mask component 12*%",
        "e.art": "G04 Layer: BOARD GEOMETRY/OUTLINE*", "f.art": "G04 Title: kettle, topsilk*",
        "g.art": "%LNhole_traces*%",
    }  # fmt: skip
    package = open_package(fill({n: gerber(c) for n, c in comments.items()}))
    assert list(roles(package).values()) == [
        "conductor-1", "mask-bottom", "legend-top", "mask-bottom", "profile", "legend-top", "drill",
    ]  # fmt: skip
    order = {"x.gbr": 3, "y.gbr": 1, "z.gbr": 2}
    files = {n: gerber(f"G04 Layer_Physical_Order={i}*") for n, i in order.items()}
    numbered = roles(open_package(fill(files)))
    assert {n: numbered[n] for n in order} == {n: f"conductor-{i}" for n, i in order.items()}
