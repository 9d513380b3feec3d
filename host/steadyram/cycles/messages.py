"""What goes over the broker, as models: their JSON Schemas are the documentation that a receiver can rely on.

    PREFIX/collector/CLIENT/online   retained: {"online": true | false}; false is also the collector's will
    PREFIX/UID/online                retained: whether the collector reaches the device
    PREFIX/UID/state                 retained: state, fault, job, setpoint, batch
    PREFIX/UID/live                  force as it is, many times a second; never repeated
    PREFIX/UID/cycle                 one a stroke, when its record is in the store
    PREFIX/UID/verdict               what the signature, a person or a test said of a stroke's part, as it is stored

Characters of a UID that mean something in topics (+ # /) are sent as "_". Forces in newtons, times in seconds
or Unix seconds. A receiver drops a repeated cycle by its (uid, seq). A collector that dies between
storing a cycle and sending it does not send it later: the store is the record, the broker only tells of it.
"""

from __future__ import annotations

from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field

from steadyram.link.records import CycleRecord, Reading


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Online(_Message):
    """Whether a device, or the collector itself, is there."""

    online: bool
    at_unix: int = Field(ge=0, description="when that began, by the collector's clock")
    name: str = ""


class StateMessage(_Message):
    """What the device says of itself."""

    uid: str
    at_unix: int = Field(ge=0)
    state: str = Field(description="name of the protocol's table of states")
    fault: str | None = Field(description="name of the fault that is latched")
    refusal: str | None = Field(
        description="why the newest press of a pedal was refused; kept until the next"
    )
    stop: str = Field(description="why the last stroke ended")
    job: int = Field(ge=0, description="slot of the job, 0 = none")
    setpoint_N: float
    parts: int = Field(ge=0, description="parts of this batch so far")
    batch: int = Field(ge=0, description="parts in a batch, 0 = no count")
    cutoff: bool = Field(description="false: nothing ends the stroke but the pedal")
    estop_ok: bool
    valve_test_armed: bool = Field(description="true: the next extend pedal runs a valve test, not a part")
    last_seq: int = Field(ge=0, description="number of the newest record on the device")

    @classmethod
    def of(cls, uid: str, reading: Reading, at_unix: int) -> StateMessage:
        """From a reading."""
        return cls(
            uid=uid,
            at_unix=at_unix,
            state=reading.state,
            fault=reading.fault,
            refusal=reading.refusal,
            stop=reading.stop,
            job=reading.job,
            setpoint_N=reading.setpoint_N,
            parts=reading.count,
            batch=reading.batch,
            cutoff=reading.cutoff,
            estop_ok=reading.estop_ok,
            valve_test_armed=reading.armed_s > 0,
            last_seq=max(0, reading.next_seq - 1),
        )


class Live(_Message):
    """One live reading; `device_ms` is the device's own clock and runs over after weeks."""

    uid: str
    device_ms: int
    state: str
    force_N: float | None = Field(description="null: it cannot be known; treat the press as loaded")
    peak_N: float


class CycleMessage(_Message):
    """The record of one stroke."""

    uid: str
    seq: int = Field(ge=1)
    at_unix: int = Field(ge=0, description="0: the device's clock was not set")
    job: int
    job_crc: int
    part: int = Field(description="parts of the batch so far, this one included")
    setpoint_N: float
    peak_N: float
    settled_N: float
    end_N: float
    stop: str
    fault: str | None
    cutoff: bool
    duration_s: float
    cal_serial: int
    settings_gen: int

    @classmethod
    def of(cls, uid: str, record: CycleRecord) -> CycleMessage:
        """From a record."""
        return cls(
            uid=uid,
            seq=record.seq,
            at_unix=record["at_unix"],
            job=record["job"],
            job_crc=record["job_crc"],
            part=record["count"],
            setpoint_N=float(record["setpoint_n"]),
            peak_N=float(record["peak_n"]),
            settled_N=float(record["settled_n"]),
            end_N=float(record["end_n"]),
            stop=record.stop,
            fault=record.fault,
            cutoff="cutoff" in record.flags,
            duration_s=record["duration_ms"] / 1000.0,
            cal_serial=record["cal_serial"],
            settings_gen=record["settings_gen"],
        )


class VerdictMessage(_Message):
    """What was said of one stroke's part; a later message on the same stroke replaces an earlier one of its source."""

    uid: str
    seq: int = Field(ge=1)
    source: str = Field(description="signature, person or test")
    verdict: str = Field(
        description="signature: good, missing, double, soft ...; person: good or bad; test: passed, failed, no limit"
    )
    reason: str
    by: str = Field(description="who; of the signature the envelope's version")
    provisional: bool = Field(description="true: the envelope's parts were confirmed by nobody")
    withdrawn: str | None = Field(description="why it was taken back; null: it stands")
    at_unix: int


TOPICS: Final[dict[str, type[_Message]]] = {
    "collector/CLIENT/online": Online,
    "UID/online": Online,
    "UID/state": StateMessage,
    "UID/live": Live,
    "UID/cycle": CycleMessage,
    "UID/verdict": VerdictMessage,
}


def topic_tree(prefix: str = "PREFIX") -> dict[str, Any]:
    """Every topic with the JSON Schema (2020-12) of its messages."""
    return {
        f"{prefix}/{topic}": {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **model.model_json_schema(),
        }
        for topic, model in TOPICS.items()
    }
