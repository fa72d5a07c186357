"""What one row of docs/gerber-commands.md holds, and short words for the usual ones."""

from __future__ import annotations

from dataclasses import dataclass

HEAD = "%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%%ADD11R,1X2*%G01*G75*D10*"
CURRENT = "Current commands"
DEPRECATED = "Deprecated commands"
OLDER = "RS-274-D: no format, unit or apertures in the file"
DEVIATION = "Deviations"


@dataclass(frozen=True, slots=True)
class Row:
    """One row: ``example`` stands between HEAD and ``M02*``, or is a whole file.

    ``image`` is what it draws, as :func:`command_table.drawn` says it; ``recorded`` the defects
    and doubtful assumptions it leaves.
    """

    group: str
    command: str
    treatment: str
    example: str
    image: str
    recorded: str = ""
    whole: bool = False
    listed: str | None = None


def current(command: str, treatment: str, example: str, image: str, whole: bool = False) -> Row:
    return Row(CURRENT, command, treatment, example, image, "", whole)


NOTED = "note data.deprecated-construct"
QUERIED = "query data.deprecated-construct"
HELD = "hold data.deprecated-construct"
ILLEGAL = " data.illegal-construct"
UNKNOWN = "query data.unknown-command"


def deprecated(
    command: str, treatment: str, example: str, image: str, recorded: str = NOTED
) -> Row:
    return Row(DEPRECATED, command, treatment, example, image, recorded)


def deviation(command: str, treatment: str, example: str, image: str, recorded: str) -> Row:
    return Row(DEVIATION, command, treatment, example, image, recorded)
