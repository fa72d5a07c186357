"""Packages put together at random, and the cases longer fuzzing runs have found."""

from __future__ import annotations

import io
import tarfile
import tempfile
import time
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dfmcheck.errors import PackageError, UsageError
from dfmcheck.intake import Package, open_package, select_board
from dfmcheck.terms import Role, Weight

GERBER = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.2*%\nD10*\nX0Y0D02*\nX9Y0D01*\nX0Y0D03*\nM02*\n"
DRILL = "M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n"
PLAIN = {"lamp.gtl": GERBER, "lamp.gbl": GERBER, "lamp.gko": GERBER, "lamp.drl": DRILL}
NAMES = [
    *("lamp.gtl", "lamp.gbl", "lamp.g2", "lamp.gko", "lamp.drl", "lamp-1-2.drl", "top.gbr"),
    *("../x.gbr", "/abs.gbr", "C:\\x.drl", "a/.", "²³.g²", "lamp.l٣", "\x1b[2J.gtl"),
    *("job.gbrjob", "net.ipc", "log.txt", "dfmcheck-roles.toml", "a/b/c.gbr", "é.gbl"),
    *("one/top.gbr", "one/bottom.gbr", "two/top.gbr", "two/bottom.gbr", "lamp.g99999999999"),
]
CONTENTS = [
    *("", "\n", GERBER, DRILL, "M48\n;LAYERS ² to 9\n%\n", "%PDF-1", "<svg>", "PK\x03\x04"),
    "%TF.FileFunction,Copper,L٣,Inr*%\n" + GERBER,
    "%TF.FileFunction,Copper,L0,Top*%\n" + GERBER,
    "M48\n; #@! TF.FileFunction,Plated,²,4,PTH\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n",
    '{"FilesAttributes":[{"Path":"lamp.gtl","FileFunction":"Copper,L1,Top"},{"Path":"x"}]}',
    '[roles]\n"lamp.gtl" = "conductor-1"\n',
    "lamp.gtl top copper\nNC DRILL REPORT\nDrillFile=lamp.drl|DrillLayers=gtl,gbl\n",
]


def _zip(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in files.items():
            archive.writestr(name, body)
    return buffer.getvalue()


def _tar(files: dict[str, bytes], mode: str) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode=f"w:{mode}") as archive:  # type: ignore[call-overload]
        for name, body in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(body)
            archive.addfile(info, io.BytesIO(body))
    return buffer.getvalue()


def _open(data: bytes, roles: dict[str, str] | None = None) -> Package | None:
    """The package, or None where it is refused in one line."""
    with tempfile.TemporaryDirectory() as at:
        path = Path(at) / "lamp"
        path.write_bytes(data)
        try:
            package = open_package(path, roles=roles or {})
            for board in package.boards:
                select_board(package, board)
        except (PackageError, UsageError) as error:
            assert "\n" not in str(error)
            return None
    for file in package.files:
        assert str(Role.parse(str(file.role))) == str(file.role)
        assert 0.0 <= file.confidence <= 1.0
        file.name.encode()
    return package


bodies = st.sampled_from([c.encode() for c in CONTENTS]) | st.binary(max_size=80)
packages = st.dictionaries(st.sampled_from(NAMES), bodies, min_size=1, max_size=6)


@settings(max_examples=120, deadline=None)
@given(packages, st.sampled_from(["zip", "", "gz", "xz", "zip in zip"]))
def test_any_names_and_contents(files: dict[str, bytes], kind: str) -> None:
    data = _zip(files) if kind.startswith("zip") else _tar(files, kind)
    _open(_zip({"in.zip": data}) if kind == "zip in zip" else data)


@settings(max_examples=120, deadline=None)
@given(
    st.sampled_from(["zip", "", "gz", "bz2"]),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=5),
    st.floats(0, 1),
)
def test_broken_archives(kind: str, changes: list[tuple[float, int]], kept: float) -> None:
    files = {name: text.encode() for name, text in PLAIN.items()}
    data = bytearray(_zip(files) if kind == "zip" else _tar(files, kind))
    for place, value in changes:
        data[int(place * (len(data) - 1))] = value
    _open(bytes(data[: max(1, int(len(data) * kept))]) if kept < 0.5 else bytes(data))


@pytest.mark.parametrize(
    "comment",
    [
        "%TF.FileFunction,Copper,L" + "9" * 450 + ",Inr*%",
        "G04 Layer_Physical_Order=" + "7" * 450 + "*",
        "%TF.FileFunction,Copper,L9999,Inr*%",
    ],
    ids=["attribute", "comment", "far too many"],
)
def test_layer_numbers_beyond_measure(comment: str) -> None:
    package = _open(_zip({n: t.encode() for n, t in PLAIN.items()} | {
        "lamp.g2": f"{comment}\n{GERBER}".encode()
    }))  # fmt: skip
    assert package is not None
    assert len(package.defects) < 20


def test_a_role_with_a_number_beyond_measure() -> None:
    files = {name: text.encode() for name, text in PLAIN.items()}
    package = _open(_zip(files), {"*.gtl": "conductor-1", "*.gbl": "conductor-999999999"})
    assert package is not None
    (missing,) = [d for d in package.defects if "have no file" in d.found]
    assert missing.weight == Weight.HOLD


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "x = " + "9" * 5000], ids=["deep", "long"])
def test_role_files_beyond_measure(tmp_path: Path, text: str) -> None:
    path = tmp_path / "lamp.zip"
    path.write_bytes(_zip({"lamp.gtl": GERBER.encode(), "dfmcheck-roles.toml": text.encode()}))
    with pytest.raises(UsageError, match="not valid TOML"):
        open_package(path)


def test_an_entry_without_name_is_kept() -> None:
    data = _zip({"A": GERBER.encode(), "lamp.drl": DRILL.encode()})
    central = data.rindex(b"PK\x01\x02", 0, data.rindex(b"PK\x01\x02"))
    nameless = bytearray(data)
    nameless[central + 46] = 0  # names end at a zero byte
    nameless[data.index(b"A", 26)] = 0
    package = _open(bytes(nameless))
    assert package is not None
    assert {f.name for f in package.files} | {d.file for d in package.defects} >= {
        "lamp.drl",
        "unnamed",
    }


@pytest.mark.parametrize("part", ["a", "L", "inner", "topbot", "1"])
def test_names_longer_than_a_file_system_holds(part: str) -> None:
    long = {f"{part * (60_000 // len(part))}.{e}": GERBER.encode() for e in ("gtl", "gbl", "g2")}
    twice = long | {f"b/{name}": body for name, body in long.items()}
    start = time.process_time()
    package = _open(_zip({n: t.encode() for n, t in PLAIN.items()} | twice))
    assert time.process_time() - start < 2.0
    assert package is not None
    assert len([d for d in package.defects if "255 characters" in d.found]) == 6


@pytest.mark.parametrize("part", ["a", "L", "inner", "topbot", "1"])
def test_names_as_long_as_a_file_system_holds(part: str) -> None:
    long = {f"{(part * 250)[:250]}.{e}": GERBER.encode() for e in ("gtl", "gbl", "gko")}
    twice = {f"{n}/{name}": body for n in range(20) for name, body in long.items()}
    start = time.process_time()
    package = _open(_zip(twice))
    assert time.process_time() - start < 4.0
    assert package is not None
    assert len(package.files) == 60
