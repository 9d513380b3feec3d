"""What `steadyram collect` is told: devices, store, broker, metrics. TOML, times as unit strings.

store = "postgresql://press@127.0.0.1/press"
live = "0.2 s"            # period of live readings, 0 = none
poll = "10 s"             # a device is asked at least this often
[[device]]
name = "press by the door"
port = "/dev/ttyACM0"
[broker]
host = "127.0.0.1"
prefix = "shop"
[metrics]
listen = "127.0.0.1:9464"
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from steadyram.errors import BadInput, PortError, UnitError
from steadyram.link.discover import refuse_port
from steadyram.plain_file import read_plain
from steadyram.toml_text import parse_toml
from steadyram.units import parse

_LIVE_LEAST_S: Final = 0.02
_CONFIG_MOST: Final = 1 << 20


def _seconds(value: object) -> object:
    if isinstance(value, str):
        try:
            return parse(value, "second", what="a time")
        except UnitError as error:
            raise ValueError(str(error)) from None
    return value


Seconds = Annotated[float, BeforeValidator(_seconds)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class DeviceEntry(_Strict):
    """One device: its port, and what people call it."""

    port: str = Field(min_length=1, max_length=200)
    name: str = Field(default="", max_length=60)


class BrokerEntry(_Strict):
    """Where live readings go; the password stands in an environment variable, never in the file."""

    host: str = Field(min_length=1, max_length=200)
    port: int = Field(default=1883, ge=1, le=65535)
    prefix: str = Field(default="steadyram", min_length=1, max_length=60, pattern=r"^[^+#\s]+$")
    client: str = Field(default="collector", min_length=1, max_length=60, pattern=r"^[A-Za-z0-9_.-]+$")
    username: str | None = Field(default=None, max_length=100)
    password_env: str | None = Field(default=None, max_length=100)
    tls: bool = False


class MetricsEntry(_Strict):
    """Where OpenMetrics are served; beyond loopback anyone who reaches the address can read them."""

    listen: str = Field(pattern=r"^.+:\d{1,5}$")


class CollectConfig(_Strict):
    """Everything together."""

    store: str = Field(min_length=1)
    device: tuple[DeviceEntry, ...] = Field(min_length=1, max_length=200)
    live: Seconds = 0.2
    poll: Seconds = Field(default=10.0, ge=0.2, le=3600.0)
    traces: bool = True
    broker: BrokerEntry | None = None
    metrics: MetricsEntry | None = None

    @field_validator("live")
    @classmethod
    def _live(cls, value: float) -> float:
        if value != 0.0 and not _LIVE_LEAST_S <= value <= 60.0:
            raise ValueError(f"is {value:g} s; give 0 for none, or {_LIVE_LEAST_S} s to 60 s")
        return value

    @field_validator("device")
    @classmethod
    def _ports(cls, entries: tuple[DeviceEntry, ...]) -> tuple[DeviceEntry, ...]:
        ports = [entry.port for entry in entries]
        for port in ports:
            try:
                refuse_port(port)
            except PortError as error:
                raise ValueError(str(error)) from None
            if ports.count(port) > 1:
                raise ValueError(f"names the port {port} twice")
        return entries


def read_config(path: Path) -> CollectConfig:
    """Read a configuration. Raises BadInput with one sentence."""
    try:
        raw = read_plain(path, _CONFIG_MOST)
        if len(raw) > _CONFIG_MOST:
            raise BadInput(f"{path} is too large for a configuration.")
        tables = parse_toml(raw.decode("utf-8"))
    except (OSError, ValueError) as error:
        raise BadInput(
            f"{path} cannot be read as a configuration ({error}); see 'steadyram collect -h'."
        ) from None
    return checked_config(tables, str(path))


def checked_config(tables: dict[str, object], origin: str) -> CollectConfig:
    """The configuration of tables. Raises BadInput."""
    try:
        return CollectConfig.model_validate(tables)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        message = first["msg"].removeprefix("Value error, ")
        raise BadInput(f"{origin}: {where}: {message}.") from None
