"""What a rule is. Measuring modules declare rules; judging and reporting only read them."""

from __future__ import annotations

import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Literal

from dfmcheck.terms import Step, Weight

if TYPE_CHECKING:
    from dfmcheck.board.model import Board
    from dfmcheck.measure.places import Places

Direction = Literal["at-least", "at-most"]
"""``at-least``: the measured value must not be below the limit; ``at-most``: not above it."""

Allowance = Literal["none", "ring", "wall", "radius", "aspect", "grown", "foil", "register"]
"""How a shop's allowance ``a`` from finished to drilled diameter shifts the value:
``ring`` and ``radius`` (one wall of one hole moves): value - a/2; ``wall`` (two holes grow
towards each other): value - a; ``aspect``: value * d / (d + a) with d the hole size in the
file; ``grown`` (the drilled diameter itself): value + a; ``foil``: value / t with t the shop's
stencil foil (its area or width over its thickness); ``register``: a value below nought by no
more than the shop's register of the stencil is nought; ``none``: not at all."""

LooksAt = Literal[
    "copper", "outer", "inner", "stack", "mask", "legend", "paste", "drill", "package"
]
"""What a rule is measured on: ``copper`` each conductor layer by itself (its function may be
given a board with one of them), ``outer`` and ``inner`` only those of the conductor layers,
``stack`` all conductor layers together, ``mask``, ``legend`` and ``paste`` those layers,
``drill`` the drill files, ``package`` the data as a whole."""

Who = Literal["edit", "ask"]
"""``edit``: the front-end engineer may correct it alone; ``ask``: the customer must decide."""


@dataclass(frozen=True, slots=True)
class Rule:
    """Declarative entry of one rule.

    Attributes
    ----------
    id : str
        ``step.quantity``.
    step : Step
    looks_at : LooksAt
    quantity : str
        What is measured, in words of the trade.
    unit : str
        ``mm``, ``1`` (ratio), ``deg`` or ``count``.
    direction : Direction
    on_the_floor : str
        What happens in fabrication when it is ignored.
    change : str
        What the designer should change.
    who : Who
    front_end : str
        What the front-end engineer may change alone, or must ask.
    source : str
        Published source, with clause; "common practice" where there is none.
    allowance : Allowance
    weight : Weight
        Heaviest weight a finding of this rule may have: HOLD when a board past the shop's most
        capable tier cannot be built, QUERY when it can be built with a decision.
    mild : tuple of str
        Kinds of places that weigh a query at most.
    caution : str
        Safety caution shown beside the rule, or "".
    opt_in : bool
        Measured only where the user gives what it needs; otherwise it does not count as lacking.
    through : bool
        One hole goes through many layers: what it does on all of them is one finding.
    repeats : bool
        What is alike on many layers by its nature (a pour round the same holes): what lies at one
        place on several of them is one finding.
    past : str
        What it is where the value is below nought, as a length; "" where it is never, or where
        the quantity says enough.
    """

    id: str
    step: Step
    looks_at: LooksAt
    quantity: str
    unit: str
    direction: Direction
    on_the_floor: str
    change: str
    who: Who
    front_end: str
    source: str
    allowance: Allowance = "none"
    weight: Weight = Weight.HOLD
    mild: tuple[str, ...] = ()
    caution: str = ""
    opt_in: bool = False
    through: bool = False
    repeats: bool = False
    past: str = ""


Measure = Callable[["Board", float], "Places"]
"""Takes the board and the reach in mm (values beyond it need not be listed, but the tightest
always is) and returns the places measured."""

_RULES: dict[str, Rule] = {}
_MEASURES: dict[str, Measure] = {}


def measures(*entries: Rule) -> Callable[[Measure], Measure]:
    """Register rules with the function that measures their quantity.

    One search may serve several rules that look at the same thing: its rows carry their rule.
    """

    def register(function: Measure) -> Measure:
        for rule in entries:
            declare(rule)
            _MEASURES[rule.id] = function
        return function

    return register


def declare(rule: Rule) -> Rule:
    """Register a rule whose findings come as data defects (no measuring function)."""
    if rule.id in _RULES:
        raise ValueError(f"rule {rule.id} is declared twice")
    if not rule.id.startswith(f"{rule.step}."):
        raise ValueError(f"rule id {rule.id} does not start with its step, {rule.step}")
    _RULES[rule.id] = rule
    return rule


def rules() -> dict[str, Rule]:
    """All rules by id, in the order of the fabrication steps."""
    _load()
    order = {step: n for n, step in enumerate(Step)}
    return dict(sorted(_RULES.items(), key=lambda item: (order[item[1].step], item[0])))


def measure_functions() -> dict[str, Measure]:
    """Measuring function of each measured rule, by id."""
    _load()
    return {id_: _MEASURES[id_] for id_ in rules() if id_ in _MEASURES}


def searches() -> dict[Measure, tuple[str, ...]]:
    """Measuring functions with the ids of the rules each one serves."""
    out: dict[Measure, tuple[str, ...]] = {}
    for id_, function in measure_functions().items():
        out[function] = (*out.get(function, ()), id_)
    return out


@cache
def _load() -> None:
    """Import every measuring module, so that a new one need not be listed anywhere."""
    import dfmcheck.measure as package

    for module in pkgutil.iter_modules(package.__path__):
        import_module(f"{package.__name__}.{module.name}")
