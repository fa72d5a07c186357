"""The CPU seconds of starting a process and loading what a screen needs, as JSON."""

from __future__ import annotations

import json
import resource

import benchmarks.performance.one as one
from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.intake import open_package
from dfmcheck.measure.rule import rules

if __name__ == "__main__":
    assert one and orchestrator and open_package
    load_shop("volume")
    rules()
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(json.dumps({"cpu": used.ru_utime + used.ru_stime}))
