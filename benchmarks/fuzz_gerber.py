"""Coverage-guided fuzzing of the Gerber reader; needs atheris, which is no dependency of ours.

pip install atheris
python benchmarks/fuzz_gerber.py [--minutes 10] [--keep FOLDER]

The seeds are made up below. A case that raises anything but FormatError, breaks a promise of the
records, takes longer than 10 s or more than 2 GB is written to FOLDER (default: a new temporary
folder) and ends the run with exit code 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SECONDS_PER_CASE = 10
MEGABYTES = 2048
LONGEST = 4096
HEAD = b"%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2X0.1*%G01*G75*"
SEEDS = (
    HEAD + b"D10*X0Y0D02*X10000D01*Y10000*G54D11*X5Y5D03*M02*",
    HEAD + b"D10*G03*X0Y0I10000J0D01*G74*G02*X10000Y10000I10000D01*M02*",
    HEAD + b"G36*X0Y0D02*X10000D01*Y10000D01*X0Y0D01*G37*M02*",
    HEAD + b"%SRX2Y3I1J2*%D10*X0Y0D03*%SR*%%LPC*LMXY*LR45*LS0.5*%X1D03*M02*",
    HEAD + b"%ABD20*%D10*X0Y0D03*%ABD21*%D11*X1D03*%AB*%%AB*%D20*X5Y5D03*M02*",
    HEAD
    + b"%AMT*$3=$1x(2-$2)/4*1,1,$3,0,0*21,0,1,$2,0,0,30*5,1,8,0,0,1,0*%%ADD12T,1X2*%D12*X1D03*M02*",
    HEAD + b"%AMU*4,1,3,0,0,1,0,1,1,0,0,0*7,0,0,1,.5,.1,0*6,0,0,1,.1,.1,2,.1,1,0*%%ADD13U*%M02*",
    HEAD
    + b"%TF.FileFunction,Copper,L1,Top*%%TA.AperFunction,SMDPad,CuDef*%%TO.N,A\\u002B*%%TD*%M02*",
    b"%MIA1B0*%%OFA1.5B-2*%%SFA2B2*%%IR90*%%ASAYBX*%%IPNEG*%" + HEAD + b"D10*X1Y2D03*M02*",
    b"G04 Format: 2.3*\r\nG70*G90*D10*X1Y2D02*X3*G91*D01*X-1Y+2*M00*M30*",
    b"\xef\xbb\xbf%FSTIX23Y23*MOIN*%N1G01X.5Y1.D02*N2X1I5J5D01*%IFb.gbr*%%KOC*%M02*",
    b"%FSDAN2X25Y25*%%MOIN*%%ADD10P,1X6X30X.2*%%ADD11O,1X2X.5X.5*%D11*X1D03*",
)
WORDS = (
    "%FSLAX24Y24*%", "%FSTIX23Y23*%", "%MOMM*%", "%MOIN*%", "%ADD", "%AM", "%ABD", "%AB*%", "%SR",
    "%SRX2Y2I1J1*%", "%LPC*%", "%LPD*%", "%LMX*%", "%LR45*%", "%LS2*%", "%TF.", "%TA.", "%TO.N,",
    "%TO.P,", "%TD*%", "%MIA1B1*%", "%OFA1B1*%", "%SFA2B3*%", "%ASAYBX*%", "%IR90*%", "%IPNEG*%",
    "%KO", "%IF", "%LN", "%IN", "G01*", "G02*", "G03*", "G04", "G36*", "G37*", "G54", "G70*",
    "G71*", "G74*", "G75*", "G90*", "G91*", "D01*", "D02*", "D03*", "D10*", "M02*", "$1", "\\u",
    "G04 #@! TO.N,", "D10 ROUND 0.010", "D11 RECT 20x30 mil", "99999999999999999999",
)  # fmt: skip


def main(arguments: list[str]) -> int:
    try:
        import atheris
    except ImportError:
        print("atheris is not installed: pip install atheris", file=sys.stderr)
        return 2
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--keep", type=Path, help="folder for failing cases and the corpus")
    options = parser.parse_args(arguments)
    keep = options.keep or Path(tempfile.mkdtemp(prefix="fuzz-gerber-"))
    corpus = keep / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for k, seed in enumerate(SEEDS):
        (corpus / f"seed-{k:02d}").write_bytes(seed)
    words = keep / "words.dict"
    words.write_text("".join('"' + w.replace("\\", "\\\\") + '"\n' for w in WORDS))
    print(f"cases and corpus in {keep}")

    sys.path.insert(0, str(ROOT))
    sys.path.insert(0, str(ROOT / "tests" / "fuzz"))
    with atheris.instrument_imports(include=["dfmcheck.formats.gerber"]):
        from gerber_promises import keeps_promises

    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={round(options.minutes * 60)}",
            f"-timeout={SECONDS_PER_CASE}",
            f"-rss_limit_mb={MEGABYTES}",
            f"-max_len={LONGEST}",
            f"-artifact_prefix={keep}/",
            f"-dict={words}",
            "-print_final_stats=1",
        ],
        keeps_promises,
    )
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
