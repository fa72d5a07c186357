"""Places: the columnar table of measurements. One row, one number at one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

WHOLE_LAYER = -2
"""Rows of one rule, layer and such a ``group``, or one below it, are one finding wherever they
lie: what an engineer asks or edits once for the layer."""

COLUMNS: dict[str, Any] = {
    "rule": np.object_,  # rule id
    "layer": np.object_,  # role text of the layer or drill file, e.g. "conductor-1", "mask-top"
    "position": np.object_,  # "outer", "inner" or "" where it does not apply
    "kind": np.object_,  # finer kind within the rule, e.g. "land-to-conductor", or ""
    "value": np.float64,  # in the rule's unit
    "uncertainty": np.float64,  # same unit; the true value lies within value ± uncertainty
    "x": np.float64,  # first point of the measured line, mm, board datum
    "y": np.float64,
    "x2": np.float64,  # second point of it
    "y2": np.float64,
    "hole": np.float64,  # diameter in the file of the (smaller) hole concerned, mm, or NaN
    "depth": np.float64,  # depth of that hole, mm, or NaN
    "volts": np.float64,  # peak voltage between the two nets where the user states it, or NaN
    "plated": np.int8,  # 1 plated, 0 not, -1 unknown or no hole concerned
    "group": np.int64,  # rows of one group may be clustered into one finding; see WHOLE_LAYER
    "net_a": np.object_,  # net names, "" where there is none
    "net_b": np.object_,
    "file_a": np.object_,  # where the two features come from: file, line and aperture code
    "line_a": np.int32,  # 0 where unknown
    "code_a": np.int32,  # D-code or tool number, -1 where none
    "file_b": np.object_,
    "line_b": np.int32,
    "code_b": np.int32,
}

_DEFAULTS: dict[str, Any] = {
    "rule": "", "layer": "", "position": "", "kind": "", "uncertainty": 0.0,
    "hole": np.nan, "depth": np.nan, "volts": np.nan, "plated": -1, "group": 0,
    "net_a": "", "net_b": "", "file_a": "", "line_a": 0, "code_a": -1,
    "file_b": "", "line_b": 0, "code_b": -1,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Places:
    """Equal-length numpy columns named as in :data:`COLUMNS`.

    Examples
    --------
    >>> p = Places.of(value=[0.1, 0.2], x=[0, 1], y=[0, 0], rule="etch.notch")
    >>> len(p), p["rule"][1]
    (2, 'etch.notch')
    """

    columns: dict[str, npt.NDArray[Any]]

    @classmethod
    def of(cls, **columns: Any) -> Places:
        """Build from arrays or scalars; ``value``, ``x`` and ``y`` are required.

        Scalars are broadcast, missing columns take their default; ``x2``, ``y2`` default to
        ``x``, ``y``. Raises KeyError for a column that does not exist.
        """
        n = len(columns["value"])
        columns.setdefault("x2", columns["x"])
        columns.setdefault("y2", columns["y"])
        unknown = columns.keys() - COLUMNS.keys()
        if unknown:
            raise KeyError(f"no such column: {sorted(unknown)}")
        out: dict[str, npt.NDArray[Any]] = {}
        for name, dtype in COLUMNS.items():
            given: Any = columns.get(name, _DEFAULTS.get(name))
            if np.ndim(given) == 0:
                column = np.empty(n, dtype=dtype)
                column[:] = given
            else:
                column = np.asarray(given, dtype=dtype)
            if len(column) != n:
                raise ValueError(f"column {name} has {len(column)} rows, value has {n}")
            out[name] = column
        return cls(out)

    @classmethod
    def empty(cls) -> Places:
        return cls({name: np.empty(0, dtype=dtype) for name, dtype in COLUMNS.items()})

    @classmethod
    def concat(cls, tables: Sequence[Places]) -> Places:
        if not tables:
            return cls.empty()
        return cls({n: np.concatenate([t.columns[n] for t in tables]) for n in COLUMNS})

    def __len__(self) -> int:
        return len(self.columns["value"])

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.columns[name]

    def take(self, rows: npt.NDArray[Any] | slice) -> Places:
        return Places({name: column[rows] for name, column in self.columns.items()})
