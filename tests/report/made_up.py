"""A made-up screening and judgement: a four-layer heater controller sent to an invented shop."""

from __future__ import annotations

import numpy as np

from dfmcheck.judge.finding import Finding, Judgement, Source, TierFit, Tightest, Verdict
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Facts, FileEntry, Gap, HoleCount, Screening
from dfmcheck.terms import Assumption, Defect, Step, Weight

SPACING = Rule(
    id="etch.conductor-spacing",
    step=Step.ETCH,
    looks_at="copper",
    quantity="spacing between conductors of different nets",
    unit="mm",
    direction="at-least",
    on_the_floor="Etchant does not clear the gap; the nets are short-circuited.",
    change="Move the conductors apart or narrow the wider one.",
    who="ask",
    front_end="May shave copper pours alone; must ask before moving a conductor.",
    source="common practice",
    caution="Spacing for insulation is judged by the applicable safety standard.",
)
ASPECT = Rule(
    id="drill.aspect-ratio",
    step=Step.DRILL,
    looks_at="drill",
    quantity="board thickness over drilled diameter",
    unit="1",
    direction="at-most",
    on_the_floor="Plating solution does not reach the middle of the hole.",
    change="Enlarge the hole or make the board thinner.",
    who="ask",
    front_end="Must ask.",
    source="IPC-2222 (value from memory)",
    allowance="aspect",
    weight=Weight.QUERY,
)
ASSUMED = Rule(
    id="data.assumption",
    step=Step.DATA,
    looks_at="package",
    quantity="assumptions of low confidence",
    unit="count",
    direction="at-most",
    on_the_floor="The board is made from a guess.",
    change="State the fact in the data.",
    who="ask",
    front_end="Must ask.",
    source="common practice",
    weight=Weight.QUERY,
)
RULES = {rule.id: rule for rule in (ASSUMED, SPACING, ASPECT)}


def finding(**given: object) -> Finding:
    """A spacing finding with some fields changed."""
    fields: dict[str, object] = {
        "rule": "etch.conductor-spacing",
        "step": "etch",
        "severity": "query",
        "layer": "conductor-1",
        "nets": ("GND", "+3V3"),
        "x": 23.4123,
        "y": 10.0021,
        "bbox": (23.4123, 10.0021, 23.4123, 10.0021),
        "line": (23.4123, 10.0021, 23.5, 10.0021),
        "measured": 0.0955,
        "raw": 0.0955,
        "uncertainty": 0.0005,
        "limit": 0.1,
        "unit": "mm",
        "tier": "standard",
        "fits": "fine",
        "count": 1,
        "fingerprint": "5f1d2c3b4a596877",
        "message": "Spacing is 0.096 mm, tier standard needs 0.100 mm.",
        "remedy": "Move the conductors apart or narrow the wider one.",
        "who": "ask",
        "sources": (Source("heater-top.gtl", 1204, 12), Source("heater-top.gtl", 1310, 14)),
    }
    return Finding(**{**fields, **given})  # type: ignore[arg-type]


def screening() -> Screening:
    return Screening(
        package="heater-controller_rev-C.zip",
        files=(
            FileEntry("gerber/heater-top.gtl", "conductor-1", "gerber", 1.0,
                      (".FileFunction says Copper,L1,Top",), 48210),
            FileEntry("gerber/heater-in1.g1", "conductor-2", "gerber", 0.95,
                      ("file name ending g1", "image is copper: regions with clearances"), 30122),
            FileEntry("gerber/heater-in2.g2", "conductor-3", "gerber", 0.7,
                      ("file name ending g2",), 30001),
            FileEntry("gerber/heater-bottom.gbl", "conductor-4", "gerber", 1.0,
                      (".FileFunction says Copper,L4,Bot",), 41000),
            FileEntry("gerber/heater-top-mask.gts", "mask-top", "gerber", 1.0,
                      (".FileFunction says Soldermask,Top",), 8100),
            FileEntry("gerber/heater-bottom-mask.gbs", "mask-bottom", "gerber", 1.0, (), 0, False),
            FileEntry("drill/heater-plated-holes-through-all-layers.drl", "drill-plated-1-4",
                      "excellon", 0.92, ("M48 header", "TYPE=PLATED comment"), 5000),
            FileEntry("gerber/outline.gm1", "profile", "gerber", 0.85,
                      ("one closed contour encloses every other layer",), 900),
            FileEntry("readme-for-the-board-house.txt", "document", "text", 0.9, ("plain text",)),
            FileEntry("odd.bin", "unknown", "unknown", 0.0, ()),
        ),
        facts=Facts(
            width=84.0, height=51.5, area=4301.2, conductors=4,
            layers=("conductor-1", "conductor-2", "conductor-3", "conductor-4"),
            thickness=None, outer_copper_um=35.0, inner_copper_um=17.5,
            holes=(
                HoleCount(0.2, "plated", 0, 412), HoleCount(0.3, "plated", 0, 96),
                HoleCount(0.9, "plated", 0, 44), HoleCount(1.0, "plated", 4, 12),
                HoleCount(3.2, "unplated", 0, 4), HoleCount(float("nan"), "unknown", 0, 3),
            ),
            hole_density_per_cm2=13.27,
            copper_area={"conductor-1": 1850.0, "conductor-2": 3600.0},
            copper_share={"conductor-1": 0.43, "conductor-2": 0.837, "conductor-3": 0.84,
                          "conductor-4": 0.39},
            nets=118,
        ),
        places=Places.of(value=np.array([0.0955]), x=np.array([23.4]), y=np.array([10.0]),
                         rule="etch.conductor-spacing", layer="conductor-1"),
        reach={"etch.conductor-spacing": 0.2},
        measured=(
            *(("etch.conductor-spacing", f"conductor-{n}") for n in (1, 2, 3, 4)),
            ("drill.aspect-ratio", "drill-plated-1-4"),
            ("mask.clearance", "mask-top"),
            ("plate.annular-ring", "conductor-1"),
        ),
        gaps=(
            Gap("mask.clearance", "mask-bottom", "the file could not be read"),
            Gap("mask.web", "mask-bottom", "the file could not be read"),
            Gap("drill.aspect-ratio", "drill-plated-1-4",
                "three hits have a tool without a diameter"),
            Gap("", "", "legend, press and stencil quantities are not measured"),
        ),
        defects=(
            Defect("data.unreadable-file", Weight.HOLD, "the file is empty",
                   "graphical objects", "Ask for the mask again.",
                   "gerber/heater-bottom-mask.gbs", layer="mask-bottom"),
            Defect("data.tool-size", Weight.HOLD, "tool 6 has no diameter", "C followed by a size",
                   "Ask for the tool list.", "drill/heater-plated-holes-through-all-layers.drl", 9),
            Defect("data.deprecated-construct", Weight.NOTE, "G54 before a D-code",
                   "the D-code alone", "Nothing to do.", "gerber/heater-top.gtl", 41),
        ),
        assumptions=(
            Assumption("layer order", "heater-in2.g2 is conductor 3",
                       "the ending counts inner layers from the top", "gerber/heater-in2.g2", 0.7),
            Assumption("drill unit", "millimetres", "METRIC in the header",
                       "drill/heater-plated-holes-through-all-layers.drl", 1.0),
        ),
        made_by="dfmcheck 0.1.0",
    )  # fmt: skip


def judgement() -> Judgement:
    data = {"step": "data", "nets": (), "x": None, "y": None, "bbox": None, "line": None,
            "measured": None, "raw": None, "uncertainty": 0.0, "limit": None, "unit": "",
            "tier": "", "fits": ""}  # fmt: skip
    many = [
        finding(layer="conductor-4", x=10.0 + n, y=30.25, nets=("HEAT_A", f"SENSE_{n}"),
                bbox=(10.0 + n, 30.0, 10.4 + n, 30.25), count=2 + n,
                measured=0.0990 - n / 2000, raw=0.0990 - n / 2000,
                sources=(Source("heater-bottom.gbl", 800 + n, 12),),
                fingerprint=f"{n:016x}")
        for n in range(11)
    ]  # fmt: skip
    findings = (
        finding(**data, rule="data.unreadable-file", severity="hold", layer="mask-bottom",
                message="gerber/heater-bottom-mask.gbs: the file is empty; expected graphical "
                "objects. Ask for the mask again.", remedy="Ask for the mask again.",
                fingerprint="aa01", sources=(Source("gerber/heater-bottom-mask.gbs"),)),
        finding(**data, rule="data.tool-size", severity="hold", layer="drill-plated-1-4",
                message="drill/heater-plated-holes-through-all-layers.drl, line 9: tool 6 has no "
                "diameter; expected C followed by a size. Ask for the tool list.",
                remedy="Ask for the tool list.", fingerprint="aa02",
                sources=(Source("drill/heater-plated-holes-through-all-layers.drl", 9, 6),)),
        finding(**data, rule="data.assumption", layer="conductor-3", severity="query",
                message="layer order: heater-in2.g2 is conductor 3, taken for true at 70 % "
                "confidence because the ending counts inner layers from the top.",
                remedy="State the layer order in the data, or confirm it",
                fingerprint="aa03", sources=()),
        finding(severity="hold", measured=0.0712, raw=0.0712, fits="", tier="fine", limit=0.075,
                count=14, bbox=(21.2, 9.8, 25.1, 11.4), fingerprint="ee00"),
        finding(measured=0.0997, raw=0.0997, fingerprint="ee01", nets=()),
        *many,
        finding(rule="drill.aspect-ratio", step="drill", layer="drill-plated-1-4", nets=(),
                unit="1", measured=9.1, raw=8.0, limit=8.0, uncertainty=0.0, count=412,
                bbox=(2.0, 2.0, 80.0, 49.0), line=None, fingerprint="dd01",
                message="Thickness over diameter is 9.1.", fits="fine",
                remedy="Enlarge the hole or make the board thinner.",
                sources=(Source("drill/heater-plated-holes-through-all-layers.drl", 3, 1),)),
        finding(rule="plate.annular-ring", step="plate", severity="note", measured=0.098,
                raw=0.148, limit=0.1, nets=("GND",), fingerprint="dd02", count=1,
                remedy="Enlarge the land or shrink the hole.", who="edit"),
    )  # fmt: skip
    return Judgement(
        screening=screening(),
        shop="copperline",
        tier="standard",
        tiers=("standard", "fine", "extra-fine"),
        verdict=Verdict.HOLD,
        reasons=(
            "gerber/heater-bottom-mask.gbs could not be read, so the bottom mask is not covered.",
            "tool 6 of the plated drill file has no diameter.",
            "14 places on conductor-1 have a spacing that no tier of the shop can etch.",
        ),
        findings=findings,
        tightest=(
            Tightest("etch.conductor-spacing", "conductor-1", 0.0712, "mm", 23.41, 10.0, 5e-4, 0.1),
            Tightest("etch.conductor-spacing", "conductor-4", 0.094, "mm", 20.0, 30.25, 5e-4, 0.1),
            Tightest("etch.conductor-width", "conductor-2", 0.1, "mm", 3.0, 4.0, 5e-4, 0.1, True),
            Tightest("drill.aspect-ratio", "drill-plated-1-4", 9.1, "1", 2.0, 2.0, 0.0, 8.0),
            Tightest("drill.hole-to-hole", "drill-plated-1-4", 0.411, "mm", 70.0, 8.0, 1e-6, 0.3),
            Tightest("mask.web", "mask-top", 0.12, "mm", 44.4, 21.7, 5e-4),
            Tightest("plate.annular-ring", "conductor-1", 0.098, "mm", 5.0, 6.0, 5e-4, 0.1),
        ),
        tier_fit=(
            TierFit("standard", False, {"etch.conductor-spacing": 91, "drill.aspect-ratio": 412,
                                        "plate.annular-ring": 1}),
            TierFit("fine", False, {"etch.conductor-spacing": 14}),
            TierFit("extra-fine", False, {"etch.conductor-width": 0}),
        ),
        not_judged=(("mask.web", "the shop states no limit"),
                    ("mask.clearance", "the shop states no limit")),
    )  # fmt: skip


def clean() -> Judgement:
    full = judgement()
    return Judgement(
        screening=full.screening, shop=full.shop, tier="standard", tiers=full.tiers,
        verdict=Verdict.RELEASE, reasons=("Every measured quantity meets tier standard.",),
        findings=(), tightest=full.tightest[4:6], tier_fit=(TierFit("standard", True),),
    )  # fmt: skip
