"""What runs in a process of its own for one package: screen, judge, write the reports."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from dfmcheck.durable import sync_folder, write_synced
from dfmcheck.limited import serve_task


def screen_one(given: dict[str, Any]) -> dict[str, Any]:
    """Screen ``given["package"]`` and write its reports into ``given["folder"]``.

    Returns
    -------
    dict
        ``verdict``, ``reasons``, ``findings`` (count by severity, waived ones left out),
        ``complete`` and ``files``; or ``unwritable``, why the reports cannot be written.
    """
    from dfmcheck.capability import load_shop
    from dfmcheck.judge import judge
    from dfmcheck.measure.rule import rules
    from dfmcheck.report.csv_report import to_csv
    from dfmcheck.report.html import to_html
    from dfmcheck.report.json_report import dumps, to_json
    from dfmcheck.screen import screen

    shop = load_shop(given["shop"])
    screening = screen(
        Path(given["package"]),
        thickness=given["thickness"],
        copper_um=given["copper"],
        reach=shop.limit_reach(),
        workers=given["workers"],
        drawing=True,
    )
    known = rules()
    judgement = judge(
        screening, shop, tier=given["tier"], thickness=given["thickness"],
        copper_um=given["copper"], rules=known,
    )  # fmt: skip
    texts = {
        "report.json": dumps(judgement),
        "report.html": to_html(judgement, shop, known, given["copper"]),
        "findings.csv": to_csv(judgement),
    }
    folder = Path(given["folder"])
    try:
        for name, text in texts.items():
            write_synced(folder / name, text.encode("utf-8", "replace"))
        sync_folder(folder)
    except OSError as error:
        return {"unwritable": error.strerror or str(error)}
    counts = Counter(f.severity for f in judgement.findings if f.waived is None)
    return {
        "verdict": str(judgement.verdict),
        "reasons": to_json(judgement)["reasons"],
        "findings": {name: counts[name] for name in ("hold", "query", "note")},
        "complete": not judgement.doubts,
        "files": list(texts),
    }


if __name__ == "__main__":
    serve_task(screen_one)
