"""Writes docs/rules/: one page per rule, from the rule entries and the shipped shops.

python docs/make_rule_pages.py            write what differs
python docs/make_rule_pages.py --check    write nothing; exit 1 when a page is out of date
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "docs" / "rules"


def main(arguments: list[str]) -> int:
    sys.path.insert(0, str(ROOT))  # the pages describe this checkout, whatever is installed
    from dfmcheck.measure.rule import rules
    from dfmcheck.report.pages import stale_pages, write_pages
    from dfmcheck.report.shop_limits import shipped_limits

    if arguments not in ([], ["--check"]):
        print(__doc__, file=sys.stderr)
        return 2
    check = bool(arguments)
    work = stale_pages if check else write_pages
    paths = work(FOLDER, rules(), shipped_limits())
    for path in paths:
        print(f"{'out of date' if check else 'written'}: {path.relative_to(ROOT)}")
    return 1 if check and paths else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
