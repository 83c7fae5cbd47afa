"""The requests, ready to read. Each is built once, by whoever first reads it: compiling a shape takes milliseconds."""

from typing import Any

from fieldworthy.wire import counter_shapes, feed_shapes, kept_shapes, listener_shapes, readings_shapes, shapes, work_shapes
from fieldworthy.wire.reading import Shape


def _shape(of: Any) -> Shape[Any]:
    return Shape(of.__name__, of)


DUE = _shape(shapes.DueIn)
DUE_LINE = _shape(shapes.DueLine)
DEFAULTS_LINE = _shape(shapes.DefaultsLine)
CLEARANCE = _shape(shapes.ClearanceIn)
PARTS = _shape(shapes.PartsIn)
PROCEDURE = _shape(shapes.ProcedureIn)
EXPRESSION = _shape(shapes.ExpressionIn)

KEPT_CLEARANCE = _shape(work_shapes.KeptClearanceIn)
OPEN_WORK = _shape(work_shapes.OpenIn)
STEP = _shape(work_shapes.StepIn)
CLOSE = _shape(work_shapes.CloseIn)
HAND_OVER = _shape(work_shapes.KeptHandOverIn)
PUT_ON = _shape(work_shapes.KeptPutOnIn)
TAKEN_OFF = _shape(work_shapes.TakenOffIn)

OF_WORK = (KEPT_CLEARANCE, OPEN_WORK, STEP, CLOSE, HAND_OVER, PUT_ON, TAKEN_OFF)

SENT_READINGS: Shape[readings_shapes.SentReadings] = Shape("SentReadings", readings_shapes.SentReadings)
READINGS = _shape(readings_shapes.ReadingsIn)
SENT_READING = _shape(readings_shapes.SentReadingIn)
ACCEPT = _shape(readings_shapes.AcceptIn)
DISMISS = _shape(readings_shapes.DismissIn)

COUNTERS = _shape(counter_shapes.CountersIn)

OF_READINGS = (SENT_READINGS, READINGS, SENT_READING, ACCEPT, DISMISS, COUNTERS)

KEPT_MACHINE = _shape(kept_shapes.KeptMachineIn)
KEPT_MACHINES = _shape(kept_shapes.MachinesIn)
TOLD = {path: (_shape(kept_shapes.SINGLE[path]), _shape(kept_shapes.MANY[path])) for path in kept_shapes.SINGLE}
"""By the part of the address: one record, and many."""

OF_KEPT = (KEPT_MACHINE, KEPT_MACHINES, *(shape for pair in TOLD.values() for shape in pair))

FEED = _shape(feed_shapes.FeedIn)

LISTENER = _shape(listener_shapes.ListenerPostIn)
LISTENER_PUT = _shape(listener_shapes.ListenerPutIn)
ROTATE = _shape(listener_shapes.RotateIn)
AGAIN = _shape(listener_shapes.AgainIn)

OF_LISTENERS = (LISTENER, LISTENER_PUT, ROTATE, AGAIN)

ALL = (DUE, DUE_LINE, DEFAULTS_LINE, CLEARANCE, PARTS, PROCEDURE, EXPRESSION, *OF_WORK, *OF_READINGS, *OF_KEPT, FEED, *OF_LISTENERS)
