"""A small board that is released as it stands: the made-up Soap Dish sensor.

Every attack is this package with one thing changed or added, so that a release after the attack
would be the attack's doing.
"""

from __future__ import annotations

import json

SIZE = 20  # mm, the side of the square board
END = b"M02*\n"


def head(function: str, polarity: str = "Positive") -> bytes:
    """Everything in front of the apertures of a layer."""
    return (
        f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,{polarity}*%\n"
        "%FSLAX46Y46*%\n%MOMM*%\nG01*\nG75*\n"
    ).encode()


def _at(x: float, y: float, code: str) -> bytes:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}{code}*\n".encode()


LANDS = ((5.0, 5.0), (15.0, 5.0), (5.0, 15.0), (15.0, 15.0))


def copper(function: str, extra: bytes = b"") -> bytes:
    """Four lands round holes, joined two by two, and what an attack adds."""
    out = head(function)
    out += b"%TA.AperFunction,ComponentPad*%\n%ADD10C,2*%\n%TD*%\n"
    out += b"%TA.AperFunction,Conductor*%\n%ADD11C,0.5*%\n%TD*%\n" + b"D10*\n"
    out += b"".join(_at(x, y, "D03") for x, y in LANDS)
    out += b"D11*\n"
    for a, b in ((0, 1), (2, 3)):
        out += _at(*LANDS[a], "D02") + _at(*LANDS[b], "D01")
    return out + extra + END


def mask(function: str) -> bytes:
    out = head(function, "Negative") + b"%ADD10C,2.2*%\nD10*\n"
    return out + b"".join(_at(x, y, "D03") for x, y in LANDS) + END


def profile() -> bytes:
    out = head("Profile,NP") + b"%ADD10C,0.1*%\nD10*\n" + _at(0, 0, "D02")
    for x, y in ((SIZE, 0), (SIZE, SIZE), (0, SIZE), (0, 0)):
        out += _at(x, y, "D01")
    return out + END


def drill(extra: bytes = b"", tools: bytes = b"") -> bytes:
    out = b"M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C1.000\n" + tools + b"%\nG05\nT1\n"
    out += b"".join(f"X{x}Y{y}\n".encode() for x, y in LANDS)
    return out + extra + b"M30\n"


def job(**more: object) -> bytes:
    functions = {
        "dish-top.gtl": "Copper,L1,Top",
        "dish-bottom.gbl": "Copper,L2,Bot",
        "dish-mask-top.gts": "SolderMask,Top",
        "dish-mask-bottom.gbs": "SolderMask,Bot",
        "dish-profile.gko": "Profile,NP",
    }
    return json.dumps(
        {
            "GeneralSpecs": {
                "LayerNumber": 2,
                "BoardThickness": 1.6,
                "Size": {"X": SIZE, "Y": SIZE},
            },
            "FilesAttributes": [{"Path": p, "FileFunction": f} for p, f in functions.items()],
            **more,
        }
    ).encode()


def package() -> dict[str, bytes]:
    """File name to content."""
    return {
        "dish-top.gtl": copper("Copper,L1,Top"),
        "dish-bottom.gbl": copper("Copper,L2,Bot"),
        "dish-mask-top.gts": mask("Soldermask,Top"),
        "dish-mask-bottom.gbs": mask("Soldermask,Bot"),
        "dish-profile.gko": profile(),
        "dish.drl": drill(),
        "dish.gbrjob": job(),
    }
