"""Drill files, netlists, job files and listings that ask too much of their readers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from registry import HARMLESS, attack, fill, with_file
from soap_dish import copper, drill, job, package

DRILL, NET, JOB, MANY = "Drill and rout files", "Netlists", "Job files", "Packages"


@attack(MANY, HARMLESS)
def nothing(folder: Path, full: bool) -> Path:
    """The package as it is: what the others are measured against."""
    return fill(folder, package())


def _file(group: str, file: str, name: str, says: str, data: Callable[[bool], bytes]) -> None:
    def make(folder: Path, full: bool) -> Path:
        return with_file(folder, file, data(full))

    make.__name__ = name
    attack(group, says)(make)


def _drill(
    name: str, says: str, extra: bytes | Callable[[bool], bytes], tools: bytes = b""
) -> None:
    made = extra if callable(extra) else lambda full: extra
    _file(DRILL, "dish.drl", name, says, lambda full: drill(made(full), tools))


# ---- drill files ----
_drill("repeat_billion", "repeat", b"X1.0Y1.0\nR999999999X0.001\n")
_drill("repeat_ten_digits", "not known", b"X1.0Y1.0\nR9999999999X0.001\n")
_drill(
    "repeats_nested",
    "repeat",
    b"M25\nX1.0Y1.0\n" + b"M01\nR99M02X0.1\nM25\nR99M02Y0.1\n" * 30 + b"M01\nR999999M02X1\nM08\n",
)
_drill("repeats_in_plenty", "drills and routs", b"X1.0Y1.0\n" + b"R100000X0.0001\n" * 1000)
_drill("patterns_open", "", b"M25\n" * 200_000 + b"X1.0Y1.0\nM01\nM02X1\n")
_drill("slot_megametre", "", b"X1.0Y1.0G85X999999999999.0Y1.0\n")
_drill("hit_megametre", "", b"X999999999999999Y1.0\n")
_drill("hits_runaway", "", b"G91\n" + b"X999999999999.0Y999999999999.0\n" * 1000)
_drill(
    "rout_arc_megametre", "", b"G00X1.0Y1.0\nM15\nG02X2.0Y1.0I999999999999J999999999999\nM16\nG05\n"
)
_drill("rout_circle_megametre", "", b"G32X1.0Y1.0A999999999999.0\nG05\n")
_drill("tool_number_billion", "not known", b"T1000000000\nX1.0Y1.0\n", b"T1000000000C1\n")
_drill("tool_kilometre", "", b"T2\nX10.0Y10.0\n", b"T2C1000000\n")
_drill("tool_1e15", "", b"T2\nX10.0Y10.0\n", b"T2C999999999999999\n")
_drill("tool_negative", "", b"T2\nX10.0Y10.0\n", b"T2C-1\n")
_drill(
    "tools_in_plenty",
    "",
    lambda full: b"".join(
        b"T%dC0.%03d\n" % (n % 9_999_999, n % 997 + 1)
        for n in range(1_000_000 if full else 520_000)
    ),
)
_drill(
    "tools_used",
    "",
    lambda full: b"".join(
        b"T%dC0.%03d\nX1.0Y1.0\n" % (n, n % 997 + 1) for n in range(10, 100_000 if full else 20_000)
    ),
)
_drill(
    "drill_line_without_end", "", lambda full: b"X1Y1" * (25_000_000 if full else 5_000_000) + b"\n"
)
_drill(
    "drill_comment_without_end",
    "",
    lambda full: b";" + b"la la " * (20_000_000 if full else 3_000_000) + b"\n",
)
_drill("drill_comments", "", lambda full: b";T01 \n" * (10_000_000 if full else 600_000))
_drill(
    "drill_settings",
    "",
    lambda full: b"".join(b"VER,%d\n" % n for n in range(1_000_000 if full else 510_000)),
)
_drill(
    "drill_settings_below_limit",
    HARMLESS,
    lambda full: b"".join(b"VER,%d\n" % n for n in range(400_000 if full else 30_000)),
)
_drill("drill_hits", "", lambda full: b"X1.0Y1.0\n" * (10_000_000 if full else 3_100_000))
_drill(
    "drill_hits_apart",
    "",
    lambda full: b"".join(
        b"X%d.%03dY%d.%03d\n" % (n % 20, n % 997, n // 20 % 20, n % 991)
        for n in range(1_000_000 if full else 100_000)
    ),
)
_drill("drill_control_characters", "", b"\x1b[2J\x1b]0;owned\x07\nM97,\x1b[31mX\nX1.0Y1.0\n")
_file(
    DRILL,
    "dish.drl",
    "drill_two_byte_text",
    HARMLESS,
    lambda full: b"\xff\xfe" + drill().decode().encode("utf-16-le"),
)

# ---- netlists ----
_RECORD = b"317GND              U1    -2    D0300PA00X+001000Y-002500X0600Y    R090 S0\n"


def _net(name: str, says: str, data: Callable[[bool], bytes]) -> None:
    _file(NET, "dish.ipc", name, says, data)


_net(
    "record_of_megabytes",
    "cannot be read",
    lambda full: (
        b"P  UNITS CUST 1\n"
        + _RECORD
        + b"317"
        + b"x1" * (25_000_000 if full else 5_000_000)
        + b"\n999\n"
    ),
)
_net(
    "records_in_plenty",
    "",
    lambda full: b"P  UNITS CUST 1\n" + _RECORD * (3_000_000 if full else 60_000) + b"999\n",
)
_net(
    "records_above_the_limit",
    "",
    lambda full: b"P  UNITS CUST 1\n" + _RECORD * 1_700_000 + b"999\n",
)
_net(
    "parameters_in_plenty",
    "",
    lambda full: (
        b"P  UNITS CUST 1\n"
        + _RECORD * 2000
        + b"".join(b"P  NNAME%d A\n" % n for n in range(300_000 if full else 60_000))
        + b"999\n"
    ),
)
_net(
    "parameter_of_megabytes",
    "",
    lambda full: b"P  JOB " + b"x " * 5_000_000 + b"\n" + _RECORD + b"999\n",
)
_net(
    "netlist_lines",
    "",
    lambda full: (
        b"P  UNITS CUST 1\n" + _RECORD + b"\n" * (50_000_000 if full else 4_000_000) + b"999\n"
    ),
)
_net(
    "netlist_comments",
    "",
    lambda full: (
        b"P  UNITS CUST 1\n" + _RECORD + b"C  board thickness (mm) " * 1_000_000 + b"\n999\n"
    ),
)
_net(
    "netlist_numbers",
    "",
    lambda full: _RECORD.replace(b"X+001000Y-002500", b"X+999999999Y-999999999") * 3 + b"999\n",
)

# ---- job files ----


def _job(name: str, says: str, data: Callable[[bool], bytes]) -> None:
    _file(JOB, "dish.gbrjob", name, says, data)


_PLAIN = job()[:-1]
_job(
    "json_lists_deep",
    "JSON",
    lambda full: _PLAIN + b', "x": ' + b"[" * 100_000 + b"]" * 100_000 + b"}",
)
_job(
    "json_objects_deep",
    "nested",
    lambda full: _PLAIN + b', "Header": ' + b'{"a":' * 900 + b"1" + b"}" * 900 + b"}",
)
_job(
    "json_general_deep",
    "JSON|nested",
    lambda full: job(GeneralSpecs={"LayerNumber": 2}).replace(
        b'"LayerNumber"', b'"x": ' + b'{"a":' * 600 + b"1" + b"}" * 600 + b', "LayerNumber"'
    ),
)
_job("json_integer", "JSON|number", lambda full: _PLAIN + b', "x": ' + b"9" * 100_000 + b"}")
_job(
    "json_layers_huge",
    "",
    lambda full: job(GeneralSpecs={"LayerNumber": 10**300, "BoardThickness": 1.6}),
)
_job(
    "json_layers_billion",
    "at most 200|equal to 200",
    lambda full: job(GeneralSpecs={"LayerNumber": 10**9, "BoardThickness": 1.6}),
)
_job(
    "json_infinity",
    "",
    lambda full: job(GeneralSpecs={"LayerNumber": 2, "BoardThickness": float("inf")}),
)
_job(
    "json_nan",
    "",
    lambda full: job(GeneralSpecs={"LayerNumber": 2, "BoardThickness": float("nan")}),
)
_job(
    "json_thickness_huge",
    "",
    lambda full: job(GeneralSpecs={"LayerNumber": 2, "BoardThickness": 1e300}),
)
_job("json_duplicate_keys", "twice", lambda full: _PLAIN + b', "GeneralSpecs": {"LayerNumber": 4}}')
_job(
    "json_list_long",
    "MB",
    lambda full: _PLAIN + b', "x": [' + b"1," * (50_000_000 if full else 3_000_000) + b"1]}",
)
_job(
    "json_files_long",
    "",
    lambda full: job(FilesAttributes=[{"Path": f"{n}"} for n in range(120_000)]),
)
_job(
    "json_stack_long",
    "",
    lambda full: job(MaterialStackup=[{"Type": "Copper", "Thickness": -1}] * 60_000),
)
_job("json_rules_long", "", lambda full: job(DesignRules=[1] * 1_000_000))
_job(
    "json_function_huge",
    "",
    lambda full: job(
        FilesAttributes=[{"Path": "dish-top.gtl", "FileFunction": "Copper,L" + "9" * 5000 + ",Top"}]
    ),
)
_job("json_half", "JSON", lambda full: job()[:-40])
_job(
    "json_surrogates",
    HARMLESS,
    lambda full: _PLAIN + b', "Header": {"\\ud800": "\\udfff\\u001b[2J"}}',
)
_job(
    "gerber_style_long",
    "",
    lambda full: b"%TF.FileFunction,JobInfo*%\n" + b"%TJ.D_a_b,x*%\n" * 250_000 + b"M02*\n",
)

# ---- packages ----


@attack(MANY, "layers and drill files")
def thousand_layers(folder: Path, full: bool) -> Path:
    more = {f"in{n}.gbr": copper(f"Copper,L{n},Inr") for n in range(2, 1_000 if full else 330)}
    return fill(folder, {**package(), **more})


@attack(MANY, "")
def listings_beside_drills(folder: Path, full: bool) -> Path:
    """Many drill files with many long listings, each of which might list the tools of each."""
    texts = {f"{n}.txt": b"DRILL " + b"a b " * 100_000 for n in range(100 if full else 30)}
    drills = {f"{n}.drl": drill() for n in range(200 if full else 20)}
    return fill(folder, {**package(), **texts, **drills})


@attack(MANY, "roles")
def roles_in_plenty(folder: Path, full: bool) -> Path:
    rows = "".join(f'"*{n}*a*b*" = "document"\n' for n in range(20_000))
    return with_file(folder, "dfmcheck-roles.toml", f"[roles]\n{rows}".encode())


@attack(MANY, "TOML|nested|valid")
def roles_deep(folder: Path, full: bool) -> Path:
    return with_file(folder, "dfmcheck-roles.toml", b"x = " + b"[" * 100_000)


def _outline(name: str, says: str, rows: Callable[[bool], bytes]) -> None:
    _file(
        MANY,
        "dish-profile.gko",
        name,
        says,
        lambda full: package()["dish-profile.gko"].replace(b"M02*", rows(full) + b"M02*"),
    )


_outline(
    "profile_kilometre",
    "",
    lambda full: (
        b"X0Y0D02*X999999999999Y0D01*X999999999999Y999999999999D01*X0Y999999999999D01*X0Y0D01*\n"
        * 2
    ),
)
_outline(
    "profile_ten_metres",
    HARMLESS,
    lambda full: b"X0Y0D02*X9999000000D01*Y9999000000D01*X0D01*Y0D01*\n",
)
_outline(
    "profile_mesh",
    "",
    lambda full: b"".join(
        b"X0Y%dD02*X20000000Y%dD01*\nX%dY0D02*X%dY20000000D01*\n" % ((n * 20000000 // 3000,) * 4)
        for n in range(3000)
    ),
)
_outline(
    "profile_same_point",
    "",
    lambda full: b"X0Y0D02*X1000Y1000D01*\n" * (200_000 if full else 50_000),
)
_outline(
    "profile_segments",
    HARMLESS,
    lambda full: (
        b"X5000000Y5000000D02*\n"
        + b"".join(
            b"X%dY%dD01*\n" % (5000000 + n * 40 % 3000000, 5000000 + n * n % 3000000)
            for n in range(500_000 if full else 60_000)
        )
    ),
)
_outline("profile_circles", "", lambda full: b"G02*\n" + b"X0Y0D02*X0Y0I9000000000D01*\n" * 10_000)
