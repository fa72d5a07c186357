"""Coverage-guided fuzzing of the Gerber reader; needs atheris, which is no dependency of ours.

pip install atheris
python benchmarks/fuzz_gerber.py [--minutes 10] [--keep FOLDER]

The seeds are made up below. The work runs in rounds of at most two minutes over
one corpus, each in a process of its own, because atheris itself grows by some kB per case (the
reader does not: the corpus is replayed without it at the end, and the memory printed).

A case that raises anything but FormatError, breaks a promise of the
records, takes longer than 10 s or more than 2 GB is written to FOLDER (default: a new temporary
folder) and ends the run with exit code 1.
"""

from __future__ import annotations

import argparse
import importlib.util
import re
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SECONDS_PER_CASE = 10
SECONDS_PER_ROUND = 120
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
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--keep", type=Path, help="folder for failing cases and the corpus")
    parser.add_argument("--round", type=int, help=argparse.SUPPRESS)  # seconds of one round
    options = parser.parse_args(arguments)
    sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "fuzz")]
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed: pip install atheris", file=sys.stderr)
        return 2
    if options.round is not None:
        return one_round(options.keep, options.round)

    keep: Path = options.keep or Path(tempfile.mkdtemp(prefix="fuzz-gerber-"))
    corpus = keep / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for k, seed in enumerate(SEEDS):
        (corpus / f"seed-{k:02d}").write_bytes(seed)
    words = "".join('"' + w.replace("\\", "\\\\") + '"\n' for w in WORDS)
    (keep / "words.dict").write_text(words)
    print(f"cases and corpus in {keep}", flush=True)
    left = round(options.minutes * 60)
    cases = 0
    while left > 0:
        seconds = min(left, SECONDS_PER_ROUND)
        left -= seconds
        command = [sys.executable, __file__, "--keep", str(keep), "--round", str(seconds)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        stats = dict(re.findall(r"stat::(\w+):\s+(\d+)", done.stderr))
        cases += int(stats.get("number_of_executed_units", 0))
        print(
            f"round of {seconds} s: {stats.get('number_of_executed_units', '?')} cases, "
            f"{stats.get('average_exec_per_sec', '?')} per s, "
            f"slowest {stats.get('slowest_unit_time_sec', '?')} s, "
            f"corpus {len(list(corpus.iterdir()))}",
            flush=True,
        )
        if done.returncode:
            print(done.stdout[-4000:], done.stderr[-4000:], sep="\n")
            return 1
    replay(sorted(corpus.iterdir()))
    print(f"{cases} cases, nothing found")
    return 0


def one_round(keep: Path, seconds: int) -> int:
    """One run of atheris; it ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["dfmcheck.formats.gerber"]):
        from gerber_promises import keeps_promises

    settings = {
        "max_total_time": seconds,
        "timeout": SECONDS_PER_CASE,
        "rss_limit_mb": MEGABYTES,
        "max_len": LONGEST,
        "artifact_prefix": f"{keep}/",
        "dict": keep / "words.dict",
        "print_final_stats": 1,
    }
    flags = [f"-{name}={value}" for name, value in settings.items()]
    atheris.Setup([sys.argv[0], str(keep / "corpus"), *flags], keeps_promises)
    atheris.Fuzz()
    return 0


def replay(paths: list[Path]) -> None:
    """Read the corpus again without instruments; print the slowest case and the memory."""
    from gerber_promises import keeps_promises

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    slowest = 0.0
    for path in paths:
        data = path.read_bytes()
        start = time.perf_counter()
        keeps_promises(data)
        slowest = max(slowest, time.perf_counter() - start)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"{len(paths)} cases replayed: slowest {slowest * 1000:.0f} ms, "
        f"peak memory {after / 1024:.0f} MB (before the first: {before / 1024:.0f} MB)"
    )


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
