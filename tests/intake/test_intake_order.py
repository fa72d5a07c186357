"""The order of the conductors, and what the user settles, on made-up packages."""

from __future__ import annotations

from pathlib import Path

import pytest
from kettle_lamp import DRILL, Fill, gerber, roles, rules, told

from dfmcheck.errors import UsageError
from dfmcheck.intake import open_package
from dfmcheck.terms import Weight


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
