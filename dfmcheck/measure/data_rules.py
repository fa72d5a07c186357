"""Data: can the data be trusted? Rules whose findings are defects, not measurements."""

from __future__ import annotations

from dfmcheck.measure.rule import Rule, Who, declare
from dfmcheck.terms import Step, Weight

_GERBER = "Gerber Layer Format Specification 2024.05"
_NETLIST = "IPC-D-356A, test data record"


def _data(
    name: str, quantity: str, on_the_floor: str, change: str, front_end: str,
    source: str = "common practice", who: Who = "ask", weight: Weight = Weight.HOLD,
) -> Rule:  # fmt: skip
    return declare(
        Rule(
            id=f"data.{name}",
            step=Step.DATA,
            looks_at="package",
            quantity=quantity,
            unit="count",
            direction="at-most",
            on_the_floor=on_the_floor,
            change=change,
            who=who,
            front_end=front_end,
            source=source,
            weight=weight,
        )
    )


_data(
    "unreadable-file", "files that cannot be read",
    "A layer that cannot be read is missing from the board.",
    "Export the file anew and look at it before sending.",
    "Must ask for the file.",
)  # fmt: skip
_data(
    "unknown-file", "files of no known kind",
    "A file nobody looks at may hold an instruction the board needs.",
    "Leave out what is not fabrication data, or say what it is.",
    "May set it aside when it is plainly not fabrication data.",
)  # fmt: skip
_data(
    "unknown-command", "commands no format knows",
    "What the command meant is not on the board.",
    "Export in plain Gerber X2 or X3, or XNC.",
    "Must ask when the image may differ.", f"{_GERBER}, 4.1",
)  # fmt: skip
_data(
    "illegal-construct", "constructs the format forbids",
    "Different readers draw different images from it.",
    "Export anew without the construct.",
    "May go on where only one reading makes sense; must ask otherwise.", f"{_GERBER}, 4",
)  # fmt: skip
_data(
    "deprecated-construct", "constructs the format has withdrawn",
    "Readers differ in how, or whether, they carry it out.",
    "Export in current form.",
    "May go on where the meaning is beyond doubt.", f"{_GERBER}, 8", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "truncated-file", "files that end too early",
    "The last part of the layer is missing.",
    "Send the file again, whole.",
    "Must ask for the whole file.", f"{_GERBER}, 4.13 (M02)",
)  # fmt: skip
_data(
    "missing-role", "files a board needs that are not there",
    "Without profile, drill or mask data the board cannot be made as meant.",
    "Add the file.",
    "Must ask for it.",
)  # fmt: skip
_data(
    "duplicate-role", "roles claimed by more than one file",
    "The wrong revision of a layer is imaged.",
    "Send one file per layer.",
    "Must ask which one holds.",
)  # fmt: skip
_data(
    "layer-order", "doubtful order of conductor layers",
    "Layers pressed in the wrong order: every internal connection and impedance is wrong.",
    "State the order by file attribute (.FileFunction) or a stack drawing.",
    "Must ask.", f"{_GERBER}, 5.6.3 (.FileFunction)",
)  # fmt: skip
_data(
    "assumption", "facts taken for true without the data saying so",
    "Units or zero suppression guessed wrong scale every hole.",
    "State the fact in the file.",
    "May confirm it by looking; must ask where two readings fit.",
)  # fmt: skip
_data(
    "empty-layer", "layers without any object",
    "An empty copper or mask layer is a bare or wholly covered side.",
    "Leave the file out, or send the right one.",
    "Must ask.",
)  # fmt: skip
_data(
    "open-profile", "profiles that do not close",
    "The cutter's path has no inside: the board's shape is anybody's guess.",
    "Draw the profile as one closed line.",
    "May close a gap of rounding size; must ask above.",
    f"{_GERBER}, 5.6.3 (Profile)",
)  # fmt: skip
_data(
    "datum-offset", "files that do not lie on the others' datum",
    "Holes drilled beside their lands.",
    "Export all files from one origin.",
    "May move a file when the offset is beyond doubt, and says so.",
)  # fmt: skip
_data(
    "tool-size", "tools without a usable size",
    "The hole cannot be drilled, or is drilled at a guess.",
    "State each tool's finished diameter.",
    "Must ask.",
)  # fmt: skip
_data(
    "aperture-undefined", "apertures used but not defined",
    "The land or conductor is missing from the image.",
    "Export with all apertures defined.",
    "Must ask.", f"{_GERBER}, 4.3",
)  # fmt: skip
_data(
    "zero-aperture", "apertures of no size",
    "Nothing is imaged where something may have been meant.",
    "Give the aperture a size or leave the object out.",
    "May ignore it on legend layers; must ask on copper.", f"{_GERBER}, 4.4",
)  # fmt: skip
_data(
    "outside-profile", "copper outside the profile",
    "It is cut off, or it is a title that should not be on the layer.",
    "Remove it from the layer.",
    "May clip it when it is plainly text or a frame.", who="edit", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "hits-duplicate", "hits drilled twice at one place",
    "The second stroke breaks the drill or tears the wall.",
    "Remove the repeat.",
    "May drop exact repeats.", who="edit", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "plating-unknown", "holes nobody says are plated or not",
    "A plated mounting hole shorts to its screw; an unplated via opens its net.",
    "State plating per file or tool.",
    "Must ask where the copper does not tell.",
)  # fmt: skip
_data(
    "several-boards", "boards in one package",
    "Files of one board are mixed with those of another.",
    "Send each board in its own package.",
    "May split them when the names tell; must ask otherwise.",
)  # fmt: skip
_data(
    "job-contradiction", "facts of the job file the layers contradict",
    "One of the two is out of date.",
    "Export job file and layers together.",
    "Must ask which one holds.",
)  # fmt: skip
_data(
    "attribute-open", "nets of the net attributes in more than one piece of copper",
    "The board is built to artwork that is not the circuit; without a netlist no test shows it.",
    "Join the pieces, or correct the net attributes.",
    "Must ask which one holds.", f"{_GERBER}, 5.6.13 (.N)",
)  # fmt: skip
_data(
    "attribute-short", "nets of the net attributes that share copper",
    "The board is built with two nets shorted; without a netlist no test shows it.",
    "Part the copper, or give the shape that joins the nets on purpose both names.",
    "Must ask; may go on where a drawing names the place as a joining point.",
    f"{_GERBER}, 5.6.13 (.N)",
)  # fmt: skip
_data(
    "netlist-open", "nets of the netlist in more than one piece of copper",
    "The bare board fails electrical test, or is built to artwork that is not the circuit.",
    "Correct artwork or drill data, or send the netlist of this revision.",
    "Must ask which one holds.", f"{_NETLIST}, value from memory",
)  # fmt: skip
_data(
    "netlist-short", "nets of the netlist that share copper",
    "The bare board fails electrical test, or is built with two nets shorted.",
    "Part the copper, or state that the nets are joined on purpose.",
    "Must ask; may go on where a drawing names the place as a joining point.",
    f"{_NETLIST}, value from memory",
)  # fmt: skip
_data(
    "netlist-point", "test points that meet no copper",
    "The probe lands on laminate: the test fails on a good board.",
    "Export netlist and artwork together.",
    "Must ask whether the land is missing or the netlist is old.",
    f"{_NETLIST}, value from memory", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "unknown-net-voltage", "stated voltages of nets the board does not have",
    "The spacing such a voltage needs is not looked at.",
    "Correct the name in the file of voltages, or send data that names its nets.",
    "Must ask which net is meant.", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "netlist-hole", "holes on which netlist and drill data disagree",
    "A hole is drilled in the wrong size or place, not plated, or not at all.",
    "Export netlist and drill data together.",
    "May follow the drill data where it gives drilled for finished sizes; must ask otherwise.",
    f"{_NETLIST}, value from memory", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "duplicate-object", "objects drawn twice",
    "Nothing, where the copies are equal; a block pasted twice often hides one that is missing.",
    "Remove the repeat.",
    "May drop exact repeats.", who="edit", weight=Weight.NOTE,
)  # fmt: skip
_data(
    "tool-idle", "tools no hole is drilled with",
    "Holes the designer thinks are there may be missing.",
    "Remove the tool, or add its holes.",
    "May ignore it when the hole count of a drawing agrees.", weight=Weight.NOTE,
)  # fmt: skip
_data(
    "attribute-contradiction", "attributes the image contradicts",
    "One reader follows the attribute, another the image: two different boards.",
    "Correct the attribute, or export image and attributes together.",
    "Must ask which one holds.", f"{_GERBER}, 5.6", weight=Weight.QUERY,
)  # fmt: skip
_data(
    "profile-crossing", "profile lines that cross each other",
    "The cutter follows one of two possible outlines.",
    "Draw the profile as closed lines that do not cross.",
    "Must ask which outline is meant.", f"{_GERBER}, 5.6.3 (Profile)", weight=Weight.QUERY,
)  # fmt: skip
