# ruff: noqa: E402 - what is fuzzed is imported under the instrumentation
"""Fuzzes intake: archives, names and contents. No crash, no hang, bounded memory.

    python benchmarks/fuzz_intake.py --seconds 600

The fuzzer's bytes choose names, contents and packing; one flag breaks bytes of the archive.
"""

from __future__ import annotations

import io
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

with atheris.instrument_imports(include=["dfmcheck.intake"]):
    from dfmcheck.intake import open_package, select_board

from fuzz_common import fuzz

from dfmcheck.errors import PackageError, UsageError
from dfmcheck.intake import limits
from dfmcheck.terms import Role

GERBER = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.2*%\nD10*\nX0Y0D02*\nX9Y0D01*\nX0Y0D03*\nM02*\n"
NAMES = [
    "lamp.gtl", "lamp.gbl", "lamp.g2", "lamp.l0", "lamp.l3", "in1.gbr", "lamp.gts", "lamp.gko",
    "top.gbr", "bottom copper.art", "a/b/c.gbr", "../x.gbr", "/abs.gbr", "C:\\x.drl", ".", "a/.",
    "lamp.drl", "lamp-1-2.drl", "lamp_L1-L0.drl", "²³.g²", "lamp.l٣",
    "lamp.g99999999999", "lamp_layer_99999999999.gbr", "a" * 5000 + "9" * 5000,
    "\x00\x1b[2J.gtl", "é\udcff",
    "x" * 300 + ".gbr", "dfmcheck-roles.toml", "a/dfmcheck-roles.toml", "job.gbrjob", "net.ipc",
    "readme.txt", "log.txt", "in.zip", "in.tar.gz", "__MACOSX/x", "board2/top.gbr", "",
    "board1/top.gbr", "board1/bottom.gbr", "board2/bottom.gbr", "board1/out.gko", "board2/out.gko",
]  # fmt: skip
CONTENTS = [
    "", "\n", GERBER, "M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n", "M48\n;LAYERS ² to 9\n%\n",
    "%TF.FileFunction,Copper,L2,Inr*%\n" + GERBER, "%TF.FileFunction,Copper,L0,Top*%\n" + GERBER,
    "%TF.FileFunction,Copper,L" + "9" * 450 + ",Inr*%\n" + GERBER,
    "%TF.FileFunction,Copper,L٣,Inr*%\n" + GERBER, "%TF.FileFunction,*%\n" + GERBER,
    "M48\n; #@! TF.FileFunction,Plated,²,4,PTH\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n",
    "M48\n; #@! TF.FileFunction,Plated,4,1,PTH\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n",
    "G04 Layer_Physical_Order=" + "7" * 450 + "*\n" + GERBER,
    "G04 Layer_Physical_Order=0*\n" + GERBER, "G04 Layer: ETCH/TOP*\n" + GERBER,
    "G04 Layer: VIA KEEPOUT/TOP*\nG04 Layer: VIA KEEPOUT/A*\nG04 Layer: VIA KEEPOUT/BOTTOM*\n",
    '{"FilesAttributes":[{"Path":"lamp.gtl","FileFunction":"Copper,L1,Top"},{"Path":"\\ud800"}]}',
    '{"FilesAttributes":' + "[" * 900, '{"GeneralSpecs":' + "9" * 5000 + "}",
    '[roles]\n"lamp.gtl" = "conductor-1"\n', '[roles]\n"*" = "conductor-9"\n', "[roles]\nx = 1\n",
    "x = " + "[" * 2000, "x = " + "9" * 5000,
    "%TF.FileFunction,Copper,L9999,Inr*%\n" + GERBER,
    '[roles]\n"[" = "profile"\n', "\ud83d",
    "C  TOP   1.4 CONDUCTOR x 1\nC  BOT   1.4 CONDUCTOR x ²\n317GND   VIA  D0300PA00X+0Y+0\n",
    "C  A  B CONDUCTOR X " + "1" * 450 + "\nP  UNITS CUST 0\n",
    "NC DRILL REPORT\nDrillFile=lamp.drl|DrillLayers=gtl,gbl\n", "Layer Pair : Top to Bottom\n",
    "lamp.l3  inner layer ² ground\nlamp.gtl top copper\n", "PK\x03\x04", "\x1f\x8b", "BZh9",
    "\xfd7zXZ\x00", "7z\xbc\xaf\x27\x1c", "%PDF-1", "<svg>", "IN;SP1;",
]  # fmt: skip
ROLES = [
    {},
    {"lamp.gtl": "conductor-1"},
    {"*.gbr": "mask-top"},
    {"[": "rout"},
    {"*": "drill-1-9"},
    {"lamp.gtl": "conductor-999999999"},
]


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def files_of(data: atheris.FuzzedDataProvider) -> dict[str, bytes]:
    """Files with names and contents from the lists, or free."""
    files: dict[str, bytes] = {}
    for _ in range(data.ConsumeIntInRange(1, 7)):
        pick = data.ConsumeIntInRange(0, len(NAMES))
        name = NAMES[pick] if pick < len(NAMES) else data.ConsumeUnicode(12)
        body = b""
        for _ in range(data.ConsumeIntInRange(1, 3)):
            pick = data.ConsumeIntInRange(0, len(CONTENTS))
            text = CONTENTS[pick] if pick < len(CONTENTS) else ""
            body += _encoded(text) if text else data.ConsumeBytes(40)
        files[name] = body
    return files


def pack(files: dict[str, bytes], kind: int) -> bytes:
    """A zip (kinds 0, 1) or a tar (plain, gz, bz2, xz), without the names it cannot hold."""
    buffer = io.BytesIO()
    if kind < 2:
        with zipfile.ZipFile(buffer, "w", (0, 8)[kind]) as archive:
            for name, body in files.items():
                try:
                    archive.writestr(name or "x", body)
                except (UnicodeError, ValueError, IndexError):
                    continue
        return buffer.getvalue()
    mode = "w:" + ("", "gz", "bz2", "xz")[kind - 2]
    with tarfile.open(fileobj=buffer, mode=mode) as tar:  # type: ignore[call-overload]
        for name, body in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(body)
            try:
                tar.addfile(info, io.BytesIO(body))
            except (UnicodeError, ValueError, IndexError):
                continue
    return buffer.getvalue()


def _folder(files: dict[str, bytes], root: Path) -> None:
    for name, body in files.items():
        path = root / name.lstrip("/").replace("..", "_")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(body)
        except (OSError, ValueError):
            continue


def check(data: bytes) -> None:
    """Open one package; only errors of one line, raised on purpose, may come."""
    provider = atheris.FuzzedDataProvider(data)
    kind = provider.ConsumeIntInRange(0, 8)
    roles = ROLES[provider.ConsumeIntInRange(0, len(ROLES) - 1)]
    files = files_of(provider)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as at:
        path = Path(at) / "lamp"
        if kind >= 7:
            path.mkdir()
            _folder(files, path)
        else:
            packed = bytearray(pack(files, kind) if kind < 6 else next(iter(files.values())))
            if provider.ConsumeBool():
                packed = bytearray(pack({"in.zip": bytes(packed), **files}, 1))
            if provider.ConsumeBool():
                for _ in range(provider.ConsumeIntInRange(1, 6)):
                    if packed:
                        where = provider.ConsumeIntInRange(0, len(packed) - 1)
                        packed[where] = provider.ConsumeIntInRange(0, 255)
                del packed[len(packed) - provider.ConsumeIntInRange(0, len(packed) // 2) :]
            path.write_bytes(packed)
        try:
            package = open_package(path, roles=roles)
            for board in package.boards:
                select_board(package, board)
        except (PackageError, UsageError) as error:
            assert "\n" not in str(error), f"an error of several lines: {str(error)!r}"
            return
    for file in package.files:
        Role.parse(str(file.role))
        assert 0.0 <= file.confidence <= 1.0, f"confidence {file.confidence}"
        file.name.encode()  # a report can write it


if __name__ == "__main__":
    limits.MAX_BYTES = 50_000_000
    fuzz(check, "intake")
