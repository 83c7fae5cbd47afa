"""The requests, ready to read. Built once: compiling a shape takes milliseconds."""

from typing import Any

from pydantic import TypeAdapter

from fieldworthy.wire import shapes
from fieldworthy.wire.reading import Shape


def _shape(of: Any) -> Shape[Any]:
    return Shape(of.__name__, TypeAdapter(of))


DUE = _shape(shapes.DueIn)
DUE_LINE = _shape(shapes.DueLine)
DEFAULTS_LINE = _shape(shapes.DefaultsLine)
CLEARANCE = _shape(shapes.ClearanceIn)
PARTS = _shape(shapes.PartsIn)
PROCEDURE = _shape(shapes.ProcedureIn)
EXPRESSION = _shape(shapes.ExpressionIn)

ALL = (DUE, DUE_LINE, DEFAULTS_LINE, CLEARANCE, PARTS, PROCEDURE, EXPRESSION)
