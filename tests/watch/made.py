"""Packages made from the sample boards, and what must become of each."""

from __future__ import annotations

import io
import json
import tarfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SAMPLES = Path(__file__).parents[2] / "sample_boards"
REPORTS = {"report.json", "report.html", "findings.csv"}


@dataclass(frozen=True)
class Made:
    """A package by what it holds: ``files`` of a folder or an archive, or ``data`` of a file."""

    name: str
    verdict: str
    files: tuple[tuple[str, bytes], ...] = ()
    data: bytes = b""

    def put(self, folder: Path) -> None:
        """Let it arrive as an upload does: whole, by a rename."""
        part = folder / f".{self.name}.part"
        if self.data:
            part.write_bytes(self.data)
        else:
            part.mkdir()
            for name, data in self.files:
                (part / name).write_bytes(data)
        part.rename(folder / self.name)

    def is_at(self, path: Path) -> bool:
        """Whether it lies there, byte for byte."""
        if self.data:
            return path.is_file() and path.read_bytes() == self.data
        if not path.is_dir():
            return False
        return {(p.name, p.read_bytes()) for p in path.iterdir()} == set(self.files)


def files_of(board: str, *, without: str = "") -> tuple[tuple[str, bytes], ...]:
    folder = SAMPLES / f"tide-logger-{board}"
    names = sorted(p.name for p in folder.iterdir() if not (without and p.name.endswith(without)))
    return tuple((name, (folder / name).read_bytes()) for name in names)


def zipped(files: tuple[tuple[str, bytes], ...]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files:
            archive.writestr(zipfile.ZipInfo(name, (2026, 11, 25, 12, 0, 0)), data)
    return out.getvalue()


def tarred(files: tuple[tuple[str, bytes], ...]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for name, data in files:
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return out.getvalue()


def ten() -> list[Made]:
    """Ten packages; two share their name and are not the same."""
    clean, planted = files_of("clean"), files_of("planted")
    unstated = files_of("clean", without=".gbrjob")  # thickness: a partial screen
    return [
        Made("kettle-lamp.zip", "release", data=zipped(clean)),
        Made("tide logger – rev B", "hold", files=planted),
        Made("buoy.tar", "release", data=tarred(clean)),
        Made("harbour.zip", "query", data=zipped(unstated)),
        Made("gauge", "release", files=clean),
        Made("mooring.ZIP", "hold", data=zipped(planted)),
        Made("half.zip", "hold", data=zipped(clean)[:4000]),
        Made("notes.zip", "hold", data=zipped((("readme.txt", b"nothing to make here\n"),))),
        Made("lock-gate", "query", files=unstated),
        Made("kettle-lamp.zip", "hold", data=zipped(planted)),
    ]


def results(out: Path) -> dict[Path, dict[str, Any]]:
    """Every result there is; each must be whole."""
    found = {}
    for place in sorted(out.glob("*/*/")):
        if place.parent.name == ".work":
            continue
        told = json.loads((place / "result.json").read_text(encoding="utf-8"))
        names = {p.name for p in place.iterdir()} - {"package"}
        assert {n for n in names if not n.startswith("again-")} == {"result.json", *told["files"]}
        if told["files"]:
            assert set(told["files"]) == REPORTS
            report = json.loads((place / "report.json").read_text(encoding="utf-8"))
            assert report["verdict"] == told["verdict"] == place.parent.name
            assert (place / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
        found[place] = told
    return found
