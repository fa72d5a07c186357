"""Reader of bare-board test netlists, IPC-D-356 and IPC-D-356A."""

from __future__ import annotations

from dfmcheck.formats.ipc356.reader import read_netlist
from dfmcheck.formats.ipc356.records import UNCONNECTED, Netlist, Points

__all__ = ["UNCONNECTED", "Netlist", "Points", "read_netlist"]
