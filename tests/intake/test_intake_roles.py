"""Roles from names, attributes, comments, job files and listings, on made-up packages."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

import pytest
from kettle_lamp import DRILL, Fill, gerber

from dfmcheck.errors import UsageError
from dfmcheck.intake import Package, open_package, select_board
from dfmcheck.terms import Defect, Weight


def roles(package: Package) -> dict[str, str]:
    return {f.name: str(f.role) for f in package.files}


def rules(package: Package) -> list[str]:
    return [d.rule for d in package.defects]


def told(package: Package, rule: str) -> Defect:
    (defect,) = [d for d in package.defects if d.rule == rule]
    return defect


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


def test_layer_table_of_the_netlist_orders_the_conductors(fill: Fill) -> None:
    rows = ["TOP", "GLOW", "AMBER", "BOTTOM"]
    table = "".join(
        f"C  {n:<14}COPPER           CONDUCTOR         POS     {i}\n" for i, n in enumerate(rows, 1)
    )
    netlist = f"P  JOB   LAMP\nP  UNITS CUST 0\n{table}327VIN   U1    -1    A01X+001Y+002\n999\n"
    files = {f"{n.lower()}.art": gerber(f"G04 Layer: ETCH/{n}*") for n in rows}
    package = open_package(fill({**files, "lamp.ipc": netlist.encode()}))
    assert [roles(package)[f"{n.lower()}.art"] for n in rows] == [
        f"conductor-{i}" for i in range(1, 5)
    ]
    assert roles(package)["lamp.ipc"] == "netlist"
    fewer = fill({**files, "lamp.ipc": netlist.encode()})
    (fewer / "glow.art").unlink()
    defects = open_package(fewer).defects
    assert any("4 conductors" in d.found and d.weight is Weight.HOLD for d in defects)


def test_unknown_order_is_a_hold_and_a_guess(fill: Fill) -> None:
    files = {n: gerber(f"G04 {n}*") for n in ("top.art", "gnd.art", "pwr.art", "bottom.art")}
    package = open_package(fill(files))
    assert sorted(f.role.layer or 0 for f in package.files) == [1, 2, 3, 4]
    assert roles(package)["top.art"] == "conductor-1"
    assert roles(package)["bottom.art"] == "conductor-4"
    defect = told(package, "data.layer-order")
    assert defect.weight is Weight.HOLD and "gnd.art" in defect.found
    assert any(a.doubtful and a.subject == "order of the conductors" for a in package.assumptions)
    inner = [f for f in package.files if f.role.layer in (2, 3)]
    assert all(f.confidence < 0.5 for f in inner)


def test_order_from_names_is_an_assumption(fill: Fill) -> None:
    files = {n: gerber() for n in ("lamp.gtl", "lamp.g1", "lamp.g2", "lamp.gbl")}
    package = open_package(fill(files))
    (order,) = [a for a in package.assumptions if a.subject == "order of the conductors"]
    assert order.value == "1 lamp.gtl, 2 lamp.g1, 3 lamp.g2, 4 lamp.gbl"
    assert not order.doubtful


def test_gap_in_the_numbers(fill: Fill) -> None:
    names = ("lamp.gtl", "lamp.g1", "lamp.g3", "lamp.gbl")
    package = open_package(fill({n: gerber() for n in names}))
    assert "leave out 2" in told(package, "data.layer-order").found
    stated = {f"{n}.gbr": gerber(f"%TF.FileFunction,Copper,L{n},Inr*%") for n in (1, 2, 4)}
    package = open_package(fill(stated))
    assert any(d.layer == "conductor-3" and d.weight is Weight.HOLD for d in package.defects)
    assert roles(package)["4.gbr"] == "conductor-4"


def test_contradicting_orders(fill: Fill) -> None:
    order = {"lamp.gtl": 1, "lamp.g1": 3, "lamp.g2": 2, "lamp.gbl": 4}
    files = {n: gerber(f"G04 Layer_Physical_Order={i}*") for n, i in order.items()}
    package = open_package(fill(files))
    assert told(package, "data.layer-order").weight is Weight.QUERY
    assert roles(package)["lamp.g2"] == "conductor-2"
    assert package.file("lamp.g2").confidence <= 0.6


def test_layer_pair_listing_gives_spans(fill: Fill) -> None:
    listing = "LayersSetName=A|DrillFile=lamp-blind.txt|DrillLayers=gtl,g1\n"
    listing += "LayersSetName=B|DrillFile=lamp-thru.txt|DrillLayers=gtl,g1,g2,gbl\n"
    files = {n: gerber() for n in ("lamp.gtl", "lamp.g1", "lamp.g2", "lamp.gbl")}
    files |= {"lamp-Blind.TXT": DRILL, "lamp-Thru.TXT": DRILL, "lamp.ldp": listing.encode()}
    found = roles(open_package(fill(files)))
    assert found["lamp-Blind.TXT"] == "drill-1-2"
    assert found["lamp-Thru.TXT"] == "drill-1-4"
    assert found["lamp.ldp"] == "document"


def test_notes_name_the_layers(fill: Fill) -> None:
    notes = "Kettle lamp, revision B\n\nk1.pho   top copper\nk2.pho   bottom copper\n"
    notes += "k3.pho   board outline\nk4.pho   solder mask top\nCheck k4.pho by hand (see k3).\n"
    files = {f"k{i}.pho": gerber() for i in range(1, 5)}
    package = open_package(fill({**files, "notes.txt": notes.encode()}))
    assert roles(package) == {
        "k1.pho": "conductor-1", "k2.pho": "conductor-2", "k3.pho": "profile",
        "k4.pho": "mask-top", "notes.txt": "document",
    }  # fmt: skip


def test_user_roles(two_layers: dict[str, bytes], fill: Fill, tmp_path: Path) -> None:
    root = fill({**two_layers, "odd.gbr": gerber("G04 odd*"), "sub/x.gbr": gerber("G04 x*")})
    given = {"odd.gbr": "paste-top", "x.gbr": "document", "*.gto": "legend-bottom"}
    package = open_package(root, roles=given)
    found = roles(package)
    assert (found["odd.gbr"], found["sub/x.gbr"]) == ("paste-top", "document")
    assert found["lamp.gto"] == "legend-bottom"
    assert package.file("odd.gbr").evidence == ("the user says paste-top",)
    (tmp_path / "lamp.roles.toml").write_text('[roles]\n"odd.gbr" = "paste-bottom"\n')
    assert roles(open_package(root))["odd.gbr"] == "paste-bottom"
    assert roles(open_package(root, roles=given))["odd.gbr"] == "paste-top"
    (root / "dfmcheck-roles.toml").write_text(
        '[roles]\n"odd.gbr"="document"\n"x.gbr"="paste-top"\n'
    )
    found = roles(open_package(root))
    assert (found["odd.gbr"], found["sub/x.gbr"]) == ("paste-bottom", "paste-top")


def test_user_settles_the_order(fill: Fill) -> None:
    names = ("top.art", "gnd.art", "pwr.art", "bottom.art")
    root = fill({n: gerber(f"G04 {n}*") for n in names})
    package = open_package(root, roles={"pwr.art": "plane-2", "gnd.art": "plane-3"})
    assert [roles(package)[n] for n in names] == [
        "conductor-1",
        "plane-3",
        "plane-2",
        "conductor-4",
    ]
    assert "data.layer-order" not in rules(package)


@pytest.mark.parametrize(
    ("given", "word"),
    [({"nil.gbr": "document"}, "no such file"), ({"lamp.gtl": "copper top"}, "not understood")],
)
def test_wrong_user_roles(
    two_layers: dict[str, bytes], fill: Fill, given: dict[str, str], word: str
) -> None:
    with pytest.raises(UsageError, match=word):
        open_package(fill(two_layers), roles=given)


@pytest.mark.parametrize(
    "text", ["[roles\n", "[other]\n", '[roles]\n"lamp.gtl" = 3\n', "roles = 1\n"]
)
def test_wrong_roles_file(
    two_layers: dict[str, bytes], fill: Fill, tmp_path: Path, text: str
) -> None:
    root = fill(two_layers)
    (tmp_path / "lamp.roles.toml").write_text(text)
    with pytest.raises(UsageError) as caught:
        open_package(root)
    assert caught.value.file == "lamp.roles.toml"


def test_whole_package_has_no_defects(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill(two_layers))
    assert package.defects == ()
    assert package.boards == ()


@pytest.mark.parametrize(
    ("gone", "layer", "weight"),
    [
        ("lamp.gko", "profile", Weight.HOLD),
        ("lamp.drl", "drill", Weight.QUERY),
        ("lamp.gts", "mask-top", Weight.QUERY),
        ("lamp.gbs", "mask-bottom", Weight.QUERY),
    ],
)
def test_missing_role(
    two_layers: dict[str, bytes], fill: Fill, gone: str, layer: str, weight: Weight
) -> None:
    del two_layers[gone]
    defect = told(open_package(fill(two_layers)), "data.missing-role")
    assert (defect.layer, defect.weight) == (layer, weight)


def test_missing_conductors(fill: Fill) -> None:
    package = open_package(fill({"lamp.gko": gerber(), "lamp.drl": DRILL}))
    assert told(package, "data.missing-role").layer == "conductor-1"


def test_missing_profile_points_to_drawings(two_layers: dict[str, bytes], fill: Fill) -> None:
    del two_layers["lamp.gko"]
    package = open_package(fill({**two_layers, "lamp.gm1": gerber("G04 m*")}))
    assert "lamp.gm1 may hold it" in told(package, "data.missing-role").action


def test_duplicate_role(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill({**two_layers, "old_top_copper.gbr": gerber("G04 old*")}))
    defect = told(package, "data.duplicate-role")
    assert defect.weight is Weight.QUERY
    assert "lamp.gtl" in defect.found and "old_top_copper.gbr" in defect.found


def test_two_masks_with_an_index_are_no_duplicates(
    two_layers: dict[str, bytes], fill: Fill
) -> None:
    two_layers["lamp.gts"] = gerber("%TF.FileFunction,Soldermask,Top,1*%")
    two_layers["lamp2.gts"] = gerber("%TF.FileFunction,Soldermask,Top,2*%")
    assert "data.duplicate-role" not in rules(open_package(fill(two_layers)))


def test_holes_given_twice(two_layers: dict[str, bytes], fill: Fill) -> None:
    package = open_package(fill({**two_layers, "lamp.xln": gerber("%LNhole_traces*%")}))
    assert package.file("lamp.xln").format == "gerber"
    assert roles(package)["lamp.xln"] == "drill"
    assert told(package, "data.duplicate-role").file == "lamp.xln"


@pytest.mark.parametrize("shape", ["{}_{}", "{}/{}", "{}.zip-dir/k_{}"])
def test_several_boards(two_layers: dict[str, bytes], fill: Fill, shape: str) -> None:
    files = {
        shape.format(board, name.replace("lamp", "x")): data
        for board in ("base", "shade")
        for name, data in two_layers.items()
    }
    package = open_package(fill({**files, "readme.txt": b"two boards"}))
    assert len(package.boards) == 2
    assert told(package, "data.several-boards").weight is Weight.HOLD
    assert "data.duplicate-role" not in rules(package)
    for prefix, board in zip(package.boards, ("base", "shade"), strict=True):
        one = select_board(package, prefix)
        assert len(one.files) == len(two_layers) + 1
        assert all(f.name.startswith(board) or f.name == "readme.txt" for f in one.files)
        assert one.boards == () and one.defects == ()
    with pytest.raises(UsageError, match="no board 'stand'"):
        select_board(package, "stand")


@pytest.mark.parametrize(
    ("name", "data", "rule", "weight"),
    [
        ("new.gtl", b"", "data.unreadable-file", Weight.HOLD),
        ("new.txt", b"", "data.unreadable-file", Weight.NOTE),
        ("new.gtl", b"<html>login</html>", "data.unreadable-file", Weight.HOLD),
        ("new.gtl", bytes(range(256)) * 4, "data.unreadable-file", Weight.HOLD),
        ("new.bin", bytes(range(256)) * 4, "data.unknown-file", Weight.NOTE),
        ("new.gbr", gerber("G04 nothing*"), "data.unknown-file", Weight.QUERY),
        ("new.plt", b"IN;SP1;PU0,0;PD10,0;", "data.unknown-file", Weight.QUERY),
    ],
)
def test_files_without_a_role(
    two_layers: dict[str, bytes], fill: Fill, name: str, data: bytes, rule: str, weight: Weight
) -> None:
    package = open_package(fill({**two_layers, name: data}))
    defect = told(package, rule)
    assert (defect.file, defect.weight) == (name, weight)
    assert roles(package)[name] == "unknown"


FORMATS = {
    "gerber": gerber(), "excellon": DRILL, "text": b"hello lamp\n", "empty": b" \n",
    "pdf": b"%PDF-1.7\n...", "image": b"\x89PNG\r\n\x1a\n0000",
    "office": b"PK\x03\x04" + bytes(26) + b"[Content_Types].xml", "binary": bytes(range(64)) * 9,
    "markup": b"<?xml version='1.0'?><a/>",
    "model": b"ISO-10303-21;\nHEADER;", "listing": b"Layer Pair : Top to Bottom\nTool Hole Size\n",
    "apertures": b"D10  ROUNDED 12.1 12.1\nD11  RECTANGULAR 5 9\nD12  ROUNDED 3 3\n",
    "job": b'{"Header": {}, "GeneralSpecs": {"LayerNumber": 2}}',
}  # fmt: skip


@pytest.mark.parametrize("kind", FORMATS)
def test_formats(kind: str, fill: Fill) -> None:
    package = open_package(fill({"misleading.gbl": FORMATS[kind], "lamp.gtl": gerber()}))
    assert package.file("misleading.gbl").format == kind


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n", b""])
def test_formats_whatever_the_line_ends(end: bytes, fill: Fill) -> None:
    files = {"a": gerber().replace(b"\n", end), "lamp.gtl": gerber()}
    if end:
        files["b"] = DRILL.replace(b"\n", end)
    package = open_package(fill(files))
    assert package.file("a").format == "gerber"
    assert not end or package.file("b").format == "excellon"


def test_gerber_without_extended_commands(fill: Fill) -> None:
    data = b"G04 no apertures inside*\nG54D10*\n" + b"X100Y200D02*\nX300Y200D01*\n" * 40 + b"M02*\n"
    package = open_package(fill({"lamp.gtl": data, "u.gbl": data.decode().encode("utf-16")}))
    assert [f.format for f in package.files] == ["gerber", "gerber"]


def test_drill_without_header(fill: Fill) -> None:
    data = b"%\nT1C.015F095S3\nX01095Y01056\nX01309\nY0127\nT2C.03\nX01Y02\nM30\n"
    file = open_package(fill({"lamp.txt": data})).files[0]
    assert (file.format, str(file.role)) == ("excellon", "drill")


SLOW = {
    "digits": b"M48\nX" + b"1" * 60_000 + b"y\n",
    "blank lines": b"Layer Pair : Top to Bottom\n" + b"\n \n" * 20_000,
    "blanks": b"%MOMM*%\nG04 Title: lamp, x" + b" " * 60_000,
    "comments": b"G04 layer a to " * 4_000,
    "words": b"P  JOB\nC  " + b"a  CONDUCTOR  " * 4_500,
    "plating": b"M48\n;" + b"PLATED to layer " * 4_000,
    "glued": b"%MOMM*%\n%LN" + b"silkscreen1" * 5_000 + b"?*%\n",
}


@pytest.mark.parametrize("kind", SLOW)
def test_hostile_text_takes_no_time(kind: str, fill: Fill) -> None:
    name = "silkscreen1" * 20 + "x"
    root = fill({"a.txt": SLOW[kind], name: SLOW[kind], "lamp.gtl": gerber()})
    start = time.process_time()
    open_package(root)
    assert time.process_time() - start < 2.0


@pytest.mark.parametrize("seed", range(4))
def test_damaged_files_raise_nothing_unforeseen(
    seed: int, two_layers: dict[str, bytes], fill: Fill
) -> None:
    rng = random.Random(seed)
    files = {}
    for name, data in {**two_layers, "x.gbrjob": FORMATS["job"], "y.ipc": b"P  JOB x\n"}.items():
        broken = bytearray(data)
        for _ in range(rng.randrange(8)):
            broken[rng.randrange(len(broken))] = rng.randrange(256)
        files[name] = bytes(broken[: rng.randrange(len(broken))])
    files["lamp.gbl"] = two_layers["lamp.gbl"]
    package = open_package(fill(files))
    assert len(package.files) == len(files)
