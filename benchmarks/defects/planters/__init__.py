"""Kinds of plants. A module here is found by itself; see ``plant.planter``."""

from __future__ import annotations

import pkgutil
from importlib import import_module

from benchmarks.defects.plant import PLANTERS, Planter


def planters() -> dict[str, Planter]:
    """All kinds of plants by name."""
    for module in pkgutil.iter_modules(__path__):
        import_module(f"{__name__}.{module.name}")
    return dict(sorted(PLANTERS.items(), key=lambda item: (item[1].rule, item[0])))
