"""Numbers the conductors from the top and settles which conductors a drill file joins."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from dfmcheck.intake.habits import words_of
from dfmcheck.intake.package import COPPER, DRILLED, Clue, Recognised, Source, Stack
from dfmcheck.terms import Assumption, Defect, Side, Weight

_MOST_LACKING = 64  # conductors named one by one when their files are missing


@dataclass(frozen=True, slots=True)
class Numbering:
    """Conductor numbers by file name, how sure they are, and what is wrong with them."""

    numbers: dict[str, int]
    confidence: float
    defects: tuple[Defect, ...] = ()
    assumptions: tuple[Assumption, ...] = ()

    @property
    def count(self) -> int:
        return max(self.numbers.values(), default=0)


@dataclass(frozen=True, slots=True)
class _Order:
    """Places by file name; only their order counts unless ``stated``."""

    places: dict[str, float]
    sentence: str
    confidence: float
    stated: bool = False
    gap: str = ""  # what a sequence of numbers lacks


def number_conductors(
    files: Sequence[Recognised], stacks: Sequence[Stack], endings: Stack | None
) -> Numbering:
    """Number the conductor files 1 … n from the top.

    Parameters
    ----------
    files : sequence of Recognised
        Files of one board.
    stacks : sequence of Stack
        Orders of conductors by layer name that files of the package state.
    endings : Stack or None
        Order of conductors by file-name ending.

    Returns
    -------
    Numbering
        Files of the same place get the same number; the caller reports them as duplicates.
    """
    copper = [f for f in files if f.function in COPPER]
    if not copper:
        return Numbering({}, 1.0)
    if len(copper) == 1:
        return _single(copper[0])
    inner = [f for f in copper if f.side is None]
    orders = [o for o in _orders(copper, stacks, endings) if o is not None]
    whole = [o for o in orders if all(f.name in o.places for f in inner)]
    if not inner:
        stated = next((o for o in orders if o.stated and len(o.places) == len(copper)), None)
        if stated is not None:
            return _stated(copper, stated)
        return Numbering({f.name: 1 if f.side is Side.TOP else 2 for f in copper}, 1.0)
    if not whole:
        return _guess(copper, inner, orders)
    best = whole[0]
    defects = list(_contradictions(best, whole[1:]))
    if best.gap:
        defects.append(
            Defect(
                "data.layer-order",
                Weight.QUERY,
                f"the numbers in the names of the conductors leave out {best.gap}",
                "numbers without gaps",
                "Ask whether a layer is missing, or give each conductor its role",
            )
        )
    if best.stated:
        numbering = _stated(copper, best)
        return Numbering(
            numbering.numbers, 1.0 if not defects else 0.7,
            (*numbering.defects, *defects), numbering.assumptions,
        )  # fmt: skip
    numbers = _ranked(copper, best)
    confidence = best.confidence
    for other in whole[1:]:
        if not defects:
            confidence = 1 - (1 - confidence) * (1 - other.confidence / 2)
    confidence = round(confidence if not defects else min(confidence, 0.6), 3)
    assumption = Assumption(
        "order of the conductors", _listed(numbers), best.sentence, confidence=confidence
    )
    return Numbering(numbers, confidence, tuple(defects), (assumption,))


def _listed(numbers: Mapping[str, int]) -> str:
    by_number = sorted(numbers.items(), key=lambda item: (item[1], item[0]))
    return ", ".join(f"{number} {name.rsplit('/', 1)[-1]}" for name, number in by_number)


def _single(file: Recognised) -> Numbering:
    clue = _numbered(file, lambda c: c.source <= Source.JOB)
    number = clue.number if clue is not None and clue.number else 1
    if clue is not None:
        return Numbering({file.name: number}, 1.0)
    assumption = Assumption(
        "number of conductor layers",
        "1",
        "the package holds one conductor file",
        file=file.name,
        confidence=0.7,
    )
    return Numbering({file.name: 1}, 0.7, (), (assumption,))


def _numbered(file: Recognised, wanted: Callable[[Clue], bool]) -> Clue | None:
    for clue in file.clues:
        if clue.function in COPPER and clue.number is not None and wanted(clue):
            return clue
    return None


def _layer_names(file: Recognised) -> list[str]:
    return [c.layer_name for c in file.clues if c.layer_name] + [file.stem]


def _orders(
    copper: list[Recognised], stacks: Sequence[Stack], endings: Stack | None
) -> list[_Order | None]:
    """All orders the evidence gives, most trusted first."""
    orders: list[_Order | None] = []
    clues = {f.name: _numbered(f, lambda c: c.source <= Source.JOB) for f in copper}
    stated = {n: float(c.number) for n, c in clues.items() if c is not None and c.number}
    orders.append(_Order(stated, "the data states the layer numbers", 1.0, stated=True))
    by_name = [_by_stack(copper, stack) for stack in stacks if stack.confidence > 0.9]
    orders += by_name
    clues = {f.name: _numbered(f, lambda c: c.confidence >= 0.93 and c.absolute) for f in copper}
    physical = {
        n: float(c.number)
        for n, c in clues.items()
        if c is not None and c.number and c.source is Source.CONTENT
    }
    orders.append(_Order(physical, "comments give the physical order of the layers", 0.93))
    if endings is not None:
        at = {e.casefold().lstrip("."): float(i) for i, e in enumerate(endings.names, 1)}
        places = {f.name: at[f.suffix] for f in copper if f.suffix in at}
        orders.append(_Order(places, endings.sentence, endings.confidence))
    orders += [_by_stack(copper, stack) for stack in stacks if stack.confidence <= 0.9]
    orders += [_by_file_name(copper), _by_leading_number(copper)]
    return [o for o in orders if o is not None and o.places]


def _by_stack(copper: list[Recognised], stack: Stack) -> _Order | None:
    at = {_plain(name): float(i) for i, name in enumerate(stack.names, 1)}
    places: dict[str, float] = {}
    for file in copper:
        for name in _layer_names(file):
            if _plain(name) in at:
                places[file.name] = at[_plain(name)]
                break
    return _Order(places, stack.sentence, stack.confidence)


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold())


def _by_file_name(copper: list[Recognised]) -> _Order | None:
    """Order from numbers in names; None where two files share a number."""
    clues = {
        f.name: _numbered(f, lambda c: c.source in (Source.NAME, Source.LISTING, Source.CONTENT))
        for f in copper
    }
    places = {n: float(c.number) for n, c in clues.items() if c is not None and c.number}
    if not places:
        return None
    if len({f.function for f in copper if f.name in places and f.side is None}) > 1:
        return None  # G1 and GP1 count apart
    inner = [f for f in copper if f.side is None and f.name in places]
    values = sorted(int(places[f.name]) for f in inner)
    if len(set(values)) < len(values):
        return None
    said = "the numbers in the file names give the order"
    if not values:
        return _Order(places, said, 0.9)
    top = any(f.side is Side.TOP for f in copper)
    absolute = all((c := clues[f.name]) is not None and c.absolute for f in inner)
    first = 1 if absolute and not top else min(values[0], 2)
    lacking = sorted(set(range(first, values[-1])) - set(values))
    if not lacking:
        return _Order(places, said, 0.9)
    gap = ", ".join(str(n) for n in lacking)
    return _Order(places, f"{said}, but {gap} is missing", 0.6, gap=gap)


def _by_leading_number(copper: list[Recognised]) -> _Order | None:
    """Order from names such as ``1_top``, ``2_gnd``; None unless it runs from top to bottom."""
    numbers = {f.name: re.match(r"(\d{1,2})(?=\D)", f.stem) for f in copper}
    places = {name: float(match[1]) for name, match in numbers.items() if match is not None}
    if len(places) < len(copper) or len(set(places.values())) < len(copper):
        return None
    run = sorted(copper, key=lambda f: places[f.name])
    if run[0].side is not Side.TOP or run[-1].side is not Side.BOTTOM:
        return None
    return _Order(places, "the numbers in front of the file names run from top to bottom", 0.75)


def _ranked(copper: list[Recognised], order: _Order) -> dict[str, int]:
    """Top is 1, bottom n, the others by place; equal places share a number."""

    def key(file: Recognised) -> float:
        if file.side is Side.TOP:
            return float("-inf")
        if file.side is Side.BOTTOM:
            return float("inf")
        return order.places[file.name]

    keys = sorted({key(f) for f in copper})
    return {f.name: keys.index(key(f)) + 1 for f in copper}


def _stated(copper: list[Recognised], order: _Order) -> Numbering:
    """Use numbers the data states as they are; a missing number is a missing layer."""
    numbers = {name: int(place) for name, place in order.places.items()}
    top = max(numbers.values())
    if any(f.side is Side.BOTTOM and f.name not in numbers for f in copper):
        top += not any(f.side is Side.BOTTOM and f.name in numbers for f in copper)
    for file in copper:
        if file.name not in numbers:
            numbers[file.name] = 1 if file.side is Side.TOP else top
    lacking = top - len({n for n in numbers.values() if n >= 1})
    if lacking > _MOST_LACKING:  # a wrong number rather than so many lost files
        defect = Defect(
            "data.missing-role",
            Weight.HOLD,
            f"the data numbers {top} conductors, but {lacking} of them have no file",
            "a file for every conductor",
            "Ask for the missing layers, or give the conductors their right numbers",
        )
        return Numbering(numbers, 1.0, (defect,))
    missing = sorted(set(range(1, top + 1)) - set(numbers.values()))
    defects = tuple(
        Defect(
            "data.missing-role",
            Weight.HOLD,
            f"the data numbers {top} conductors, but no file holds conductor {number}",
            "a file for every conductor",
            "Send the missing layer",
            layer=f"conductor-{number}",
        )
        for number in missing
    )
    return Numbering(numbers, 1.0, defects)


def _contradictions(best: _Order, others: Sequence[_Order]) -> list[Defect]:
    defects: list[Defect] = []
    for other in others:
        shared = [n for n in best.places if n in other.places]
        if sorted(shared, key=lambda n: best.places[n]) != sorted(
            shared, key=lambda n: other.places[n]
        ):
            defects.append(
                Defect(
                    "data.layer-order",
                    Weight.QUERY,
                    f"two orders of the conductors disagree: {best.sentence}, but {other.sentence}"
                    " otherwise",
                    "one order",
                    "Ask which order is meant, or give each conductor its role",
                )
            )
    return defects[:1]


def _guess(copper: list[Recognised], inner: list[Recognised], orders: list[_Order]) -> Numbering:
    """Best guess where no evidence orders all inner conductors."""
    places: dict[str, float] = {}
    for order in reversed(orders):
        places.update(order.places)
    for position, file in enumerate(sorted(inner, key=lambda f: f.name), 1):
        if file.name not in places:
            words = words_of(file.stem)
            digits = [int(w) for w in words if re.fullmatch(r"\d{1,4}", w) and 0 < int(w) < 64]
            # A supply layer without a number is put in the middle of the stack.
            places[file.name] = digits[-1] if digits else len(copper) / 2 + position / 1000
    numbers = _ranked(copper, _Order(places, "", 0.3))
    # Files the guess put in one place are still different conductors.
    if len(set(numbers.values())) < len(copper) and len({f.name for f in inner}) > 1:
        tied = sorted(inner, key=lambda f: (places[f.name], f.name))
        numbers = _ranked(copper, _Order({f.name: float(i) for i, f in enumerate(tied)}, "", 0.3))
    if len(copper) == 3 and len(inner) == 1 and len(set(numbers.values())) == 3:
        return Numbering(numbers, 0.8, (), (_between(inner[0]),))
    names = ", ".join(f.base for f in inner)
    guess = _listed(numbers)
    defect = Defect(
        "data.layer-order",
        Weight.HOLD,
        f"nothing says in which order {names} lie in the stack; the guess is {guess}",
        "numbered layer names, attributes or a layer list",
        "Ask for the order, then give these files roles such as conductor-2",
    )
    assumption = Assumption(
        "order of the conductors", guess, "a guess from the file names", confidence=0.3
    )
    return Numbering(numbers, 0.3, (defect,), (assumption,))


def _between(file: Recognised) -> Assumption:
    return Assumption(
        "order of the conductors",
        f"{file.base} lies between top and bottom",
        "it is the only conductor besides top and bottom",
        file=file.name,
        confidence=0.8,
    )


def drill_span(
    file: Recognised, copper: Sequence[Recognised], numbering: Numbering, endings: Stack | None
) -> tuple[int, int] | None:
    """First and last conductor a drill or rout file passes through, or None where not stated.

    The span from the attribute, comment, report or name is used, in this order of trust.
    """
    if file.function not in DRILLED:
        return None
    names: dict[str, int] = {}
    for conductor in copper:
        number = numbering.numbers.get(conductor.name)
        if number is not None:
            for name in (*_layer_names(conductor), conductor.suffix):
                names.setdefault(_plain(name), number)
    if endings is not None:
        names |= {_plain(e): i for i, e in enumerate(endings.names, 1) if _plain(e) not in names}
    names["top"], names["bottom"] = 1, max(numbering.count, 1)
    spans = [c for c in file.clues if c.span is not None]
    for clue in sorted(spans, key=lambda c: (min(c.source, Source.LISTING), -c.confidence)):
        first, last = (_end(word, names) for word in clue.span or ("", ""))
        if first is None or last is None:
            continue
        if clue.source is Source.NAME and last > numbering.count:
            continue  # more likely part of the product's name
        if first != last:
            return min(first, last), max(first, last)
    return None


def _end(word: str, names: Mapping[str, int]) -> int | None:
    plain = _plain(word)
    if plain.isdigit():
        return int(plain) if len(plain) <= 4 and 0 < int(plain) <= 64 else None
    return names.get(plain)
