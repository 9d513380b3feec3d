"""The record of a bend run: what was struck and measured, written after every stroke, and enough to go on from.

A JSON document; angles in it are included angles, radians. A stroke whose angle is not known yet stands under
`unmeasured` until it is measured.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from steadyram.bending.bend_list import BendList, first_error
from steadyram.bending.device_stroke import Felt
from steadyram.bending.procedure import BendDone, Reached, Struck
from steadyram.errors import BadInput
from steadyram.plain_file import read_plain

_FILE_MOST = 20_000_000
Length = Annotated[float, Field(ge=-1.0, le=10.0)]
Angle = Annotated[float, Field(gt=0.0, lt=3.1416)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class FeltRow(_Part):
    """What the device recorded of a stroke: its record's number, ram travel and touch from the top switch."""

    seq: int
    travel_m: Length
    touch_m: Length
    settled_N: float
    stop: str


class StrokeRow(_Part):
    """One stroke with its angle."""

    part: Annotated[int, Field(ge=1)]
    bend: Annotated[int, Field(ge=1)]
    strike: Annotated[int, Field(ge=1)]
    stop_depth_m: Length
    depth_m: Length
    force_N: float
    stopped_by: Literal["depth", "force"]
    target_included_angle_rad: Angle
    measured_included_angle_rad: Angle | None
    within_tolerance: bool | None
    note: str
    used: bool = True
    device: FeltRow | None = None

    def done(self) -> BendDone:
        """As the procedure's own."""
        return BendDone(
            self.part,
            self.bend,
            self.strike,
            self.stop_depth_m,
            self.depth_m,
            self.force_N,
            self.stopped_by,
            self.target_included_angle_rad,
            self.measured_included_angle_rad,
            self.within_tolerance,
            self.note,
            self.used,
        )


class UnmeasuredRow(_Part):
    """One stroke that was made and not measured; depth_m is the ram's past touch, the bed's bow still in it."""

    part: Annotated[int, Field(ge=1)]
    bend: Annotated[int, Field(ge=1)]
    strike: Annotated[int, Field(ge=1)]
    stop_depth_m: Length
    depth_m: Length
    force_N: float
    stopped_by: Literal["depth", "force"]
    device: FeltRow | None = None

    def struck(self) -> Struck:
        """As the procedure's own."""
        reached = Reached(self.depth_m, self.force_N, self.stopped_by)
        return Struck(self.part, self.bend, self.strike, self.stop_depth_m, reached)


class RunRecord(_Part):
    """The whole record. list_digest: of the bend list as it was read, so that a run does not go on with another."""

    kind: Literal["steadyram bend run"] = "steadyram bend run"
    list_name: str
    list_digest: str
    device: str
    slot: int
    made: str
    tolerance_rad: float
    shim_m: Length
    touch_m: Length | None = None
    strokes: list[StrokeRow] = []
    unmeasured: UnmeasuredRow | None = None

    def struck(self, struck: Struck, felt: Felt | None, touch_m: float | None) -> None:
        """Take in a stroke before its angle is known."""
        self.touch_m = touch_m
        self.unmeasured = UnmeasuredRow(
            part=struck.part,
            bend=struck.number,
            strike=struck.strike,
            stop_depth_m=struck.stop_m,
            depth_m=struck.reached.depth_m,
            force_N=struck.reached.force_N,
            stopped_by=struck.reached.stopped_by,
            device=_felt(felt),
        )

    def done(self, done: BendDone) -> None:
        """Take in the same stroke with its angle."""
        device = self.unmeasured.device if self.unmeasured is not None else None
        self.strokes.append(StrokeRow.model_validate(done.document() | {"device": device}))
        self.unmeasured = None

    def amended(self, done: BendDone) -> None:
        """Replace the angle of the last stroke, which was taken back."""
        row = self.strokes[-1]
        self.strokes[-1] = StrokeRow.model_validate(done.document() | {"device": row.device})

    def text(self) -> str:
        """The file's content."""
        return json.dumps(self.model_dump(), indent=1, allow_nan=False) + "\n"


def _felt(felt: Felt | None) -> FeltRow | None:
    return None if felt is None else FeltRow.model_validate(felt.document())


def list_digest(bends: BendList) -> str:
    """SHA-256 of what a bend list says, first 16 hex digits: the same for the same bends however they are written."""
    return hashlib.sha256(bends.model_dump_json().encode()).hexdigest()[:16]


def read_run(path: Path) -> RunRecord:
    """Read a record back. Raises BadInput with one sentence."""
    try:
        raw = read_plain(path, _FILE_MOST)
    except OSError as error:
        raise BadInput(
            f"The record {path} cannot be read ({error.strerror}); give the --record of a run."
        ) from None
    if len(raw) > _FILE_MOST:
        raise BadInput(f"{path} is too large to be the record of a bend run; give the --record of one.")
    try:
        return RunRecord.model_validate_json(raw)
    except ValidationError as error:
        raise BadInput(f"{path} is not the record of a bend run: {first_error(error)}.") from None
