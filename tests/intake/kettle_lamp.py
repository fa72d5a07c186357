"""Data of a made-up product, the Kettle Lamp."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from dfmcheck.intake import Package
from dfmcheck.terms import Defect

Fill = Callable[[Mapping[str, bytes]], Path]
GERBER = b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.2*%\nD10*\nX0Y0D02*\nX9000000Y0D01*\nX0Y0D03*\nM02*\n"
DRILL = b"M48\nMETRIC,TZ\nT1C0.300\n%\nT1\nX1.0Y2.0\nX3.0Y2.0\nM30\n"


def gerber(comment: str = "") -> bytes:
    """A small Gerber file with a comment in front."""
    return (f"{comment}\n" if comment else "").encode() + GERBER


def roles(package: Package) -> dict[str, str]:
    return {f.name: str(f.role) for f in package.files}


def rules(package: Package) -> list[str]:
    return [d.rule for d in package.defects]


def told(package: Package, rule: str) -> Defect:
    (defect,) = [d for d in package.defects if d.rule == rule]
    return defect
