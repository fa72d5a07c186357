"""What a user may state of a board; wider than any board is, to catch a wrong unit."""

from __future__ import annotations

THICKNESS = 0.05, 20.0  # mm
COPPER = 1.0, 1000.0  # µm
