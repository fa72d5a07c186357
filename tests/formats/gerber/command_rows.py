"""Every Gerber command and how it is treated: the rows of docs/gerber-commands.md.

Each row is an example that test_command_table.py reads. Clause numbers are those of the Gerber
Layer Format Specification, revision 2024.05, from memory.
"""

from __future__ import annotations

from command_row import Row
from current_rows import CURRENT_ROWS
from deprecated_rows import DEPRECATED_ROWS
from deviation_rows import DEVIATION_ROWS

ROWS: tuple[Row, ...] = (*CURRENT_ROWS, *DEPRECATED_ROWS, *DEVIATION_ROWS)
