"""Schema of the JSON job file.

Source: Gerber Job File Format Specification, clauses "General Specs", "Design Rules", "Files
Attributes" and "Material Stackup" (names from memory). Every part is optional here: a part
that is missing or wrong is a defect, and the rest is still read.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from dfmcheck.formats.limits import MOST_CONDUCTORS, MOST_MM, MOST_THICKNESS

_OPEN = ConfigDict(extra="allow", populate_by_name=True)


class Size(BaseModel):
    model_config = _OPEN
    x: float | None = Field(None, alias="X", ge=0, le=MOST_MM, allow_inf_nan=False)
    y: float | None = Field(None, alias="Y", ge=0, le=MOST_MM, allow_inf_nan=False)


class GeneralSpecs(BaseModel):
    model_config = _OPEN
    size: Size | None = Field(None, alias="Size")
    layer_number: int | None = Field(None, alias="LayerNumber", ge=0, le=MOST_CONDUCTORS)
    board_thickness: float | None = Field(
        None, alias="BoardThickness", gt=0, le=MOST_THICKNESS, allow_inf_nan=False
    )
    finish: str | None = Field(None, alias="Finish")


class FileAttributes(BaseModel):
    model_config = _OPEN
    path: str = Field(alias="Path", min_length=1)
    function: str = Field("", alias="FileFunction")
    polarity: str | None = Field(None, alias="FilePolarity")


class Material(BaseModel):
    model_config = _OPEN
    type: str = Field(alias="Type")
    name: str | None = Field(None, alias="Name")
    thickness: float | None = Field(
        None, alias="Thickness", ge=0, le=MOST_THICKNESS, allow_inf_nan=False
    )
    material: str | None = Field(None, alias="Material")


#: Parts of a job file: key, model of it or of each element.
PARTS: dict[str, tuple[type[BaseModel], bool]] = {
    "GeneralSpecs": (GeneralSpecs, False),
    "FilesAttributes": (FileAttributes, True),
    "MaterialStackup": (Material, True),
}
KNOWN = {*PARTS, "Header", "DesignRules"}
Json = dict[str, Any]
