"""What a page may ask for, checked at the edge, and what is done for it on the device."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from steadyram.config import Preferences
from steadyram.device import Device
from steadyram.errors import BadInput, DeviceRefusal
from steadyram.link.definition import definition
from steadyram.page.words import CHANGES_CLOSED


class _Order(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class UseJob(_Order):
    """Choose the active job."""

    do: Literal["use"]
    job: int = Field(ge=0, le=1000)


class Recount(_Order):
    """Begin the batch's count anew."""

    do: Literal["recount"]


class Teach(_Order):
    """Take a force as the active job's set force, proven by a first part. Newtons.

    job, jobs_gen: what the page showed: the active job's slot, and the generation of the jobs in force.
    """

    do: Literal["teach"]
    setpoint_N: float = Field(gt=0.0, le=5e6)
    job: int = Field(ge=1, le=1000)
    jobs_gen: int = Field(ge=0, le=2**32 - 1)


class Word(_Order):
    """What a person says of a part."""

    do: Literal["word"]
    seq: int = Field(ge=1)
    verdict: Literal["good", "bad"]
    why: str = Field(default="", max_length=200)
    by: str = Field(default="", max_length=60)


class TakeBack(_Order):
    """Withdraw the newest word on a part, with a reason; it stays in the store."""

    do: Literal["take-back"]
    seq: int = Field(ge=1)
    why: str = Field(min_length=1, max_length=200, pattern=r"\S")
    by: str = Field(default="", max_length=60)


class ShowTrace(_Order):
    """Show a stored cycle's trace."""

    do: Literal["trace"]
    seq: int = Field(ge=1)


class Calibrate(_Order):
    """Begin the guided calibration. The reference's figures are from its certificate."""

    do: Literal["calibrate"]
    kind: Literal["load-cell", "gauge"]
    reference: str = Field(min_length=1, max_length=120)
    serial: str = Field(min_length=1, max_length=120)
    certificate: str = Field(default="", max_length=120)
    expanded_percent: float = Field(ge=0.0, le=20.0)
    unit: str = Field(max_length=20)
    interval_days: int = Field(default=365, ge=1, le=3660)


class Bend(_Order):
    """Begin a bend list, or go on with its newest record. slot: of the job that is used, None: the device's last."""

    do: Literal["bend"]
    file: str = Field(min_length=1, max_length=120)
    go_on: bool = False
    parts: int | None = Field(default=None, ge=1, le=100_000)
    slot: int | None = Field(default=None, ge=1, le=1000)
    tolerance_deg: float = Field(default=0.5, gt=0.0, le=10.0)
    touch_mm: float | None = Field(default=None, gt=0.0, le=1000.0)


class BendLists(_Order):
    """Look at the folder of bend lists again."""

    do: Literal["bend-lists"]


class UploadBends(_Order):
    """A bend list from a browser."""

    do: Literal["bend-upload"]
    name: str = Field(min_length=1, max_length=200)
    text: str = Field(max_length=60_000)


AnyOrder = UseJob | Recount | Teach | Word | TakeBack | ShowTrace | Calibrate | Bend | BendLists | UploadBends
_ADAPTER: TypeAdapter[AnyOrder] = TypeAdapter(Annotated[AnyOrder, Field(discriminator="do")])


def read_order(content: dict[str, Any]) -> AnyOrder:
    """Check an order. Raises BadInput with one sentence."""
    try:
        return _ADAPTER.validate_python(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the order"
        raise BadInput(f"{where}: {first['msg'][:120]}; nothing was changed.") from None


def run(device: Device, order: AnyOrder, units: Preferences) -> str:
    """Do an order on the device; returns the sentence to show. Raises DeviceRefusal, LinkError, BadInput."""
    try:
        if isinstance(order, UseJob):
            setpoint = device.use_job(order.job)
            return f"Job {order.job} is active, set force {units.force(setpoint)}."
        if isinstance(order, Recount):
            device.recount()
            return "The batch is counted from zero again."
        if isinstance(order, Teach):
            setpoint = device.teach(order.setpoint_N, job=order.job, replaces=order.jobs_gen)
            return f"The set force is {units.force(setpoint)}; the job counts as proven."
    except DeviceRefusal as refusal:
        if refusal.number == definition().error("not-enabled"):
            raise BadInput(f"{CHANGES_CLOSED} Nothing was changed.") from None
        raise
    raise BadInput("The page asked for something that this program does not do.")
