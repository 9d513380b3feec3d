"""`steadyram collect`: keep many devices pulled until told to stop."""

from __future__ import annotations

import os
import signal
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from steadyram.cli._inputs import PLACE, Number
from steadyram.cli._session import err, plain, print_json
from steadyram.cli._store import STORE_ADDRESS


@click.command()
@click.option(
    "--config", "config_file", type=click.Path(dir_okay=False, path_type=Path), help="Configuration (TOML)."
)
@click.option("--port", "ports", multiple=True, metavar="PORT", help="A device's port; repeatable.")
@click.option(
    "--store",
    type=STORE_ADDRESS,
    envvar="STEADYRAM_STORE",
    help="The store: a file or postgresql://USER@HOST/NAME.",
)
@click.option("--broker", metavar="HOST[:PORT]", help="MQTT broker for live readings and cycles.")
@click.option("--metrics", metavar="HOST:PORT", help="Serve the devices' state there as OpenMetrics.")
@click.option(
    "--for",
    "seconds",
    type=Number(0, 3.2e8, "second"),
    help="Stop by itself after so long, e.g. 90 or '8 h'.",
)
@click.option(
    "--token-file",
    type=PLACE,
    help="File with the secret for --metrics beyond this computer, made if it is not there; given as a bearer token. "
    "Or the secret itself in STEADYRAM_PAGE_TOKEN.",
)
@click.option("--topics", is_flag=True, help="Print the broker's topics and their JSON Schemas, and stop.")
def collect(
    config_file: Path | None,
    ports: tuple[str, ...],
    store: str | Path | None,
    broker: str | None,
    metrics: str | None,
    seconds: float | None,
    token_file: Path | None,
    topics: bool,
) -> None:
    """Pull the records of many devices as they come.

    Devices, store and broker may go and come back.

    SIGTERM or Ctrl-C end it in order. Nothing here moves a press or changes one.
    """
    from steadyram.cycles.broker import Broker
    from steadyram.cycles.collect import Collector, Watched
    from steadyram.cycles.collect_config import checked_config, read_config
    from steadyram.cycles.messages import topic_tree
    from steadyram.cycles.store import CycleStore

    if topics:
        print_json(topic_tree())
        return
    if config_file is not None:
        tables: dict[str, Any] = read_config(config_file).model_dump(exclude_unset=True)
    else:
        tables = {}
    if ports:
        tables["device"] = [*tables.get("device", ()), *({"port": port} for port in ports)]
    if store is not None and ("store" not in tables or not _from_environment("store")):
        tables["store"] = str(store)
    tables.setdefault("store", "steadyram-cycles.db")
    if broker is not None:
        host, _, number = broker.partition(":")
        tables["broker"] = {"host": host, **({"port": number} if number else {})}
    if metrics is not None:
        tables["metrics"] = {"listen": metrics}
    if not tables.get("device"):
        raise click.UsageError("give --config FILE, or a --port for each device")
    config = checked_config(tables, str(config_file or "The command"))
    watched = [Watched(entry) for entry in config.device]

    def say(text: str) -> None:
        err().print(plain(text), soft_wrap=True)

    with ExitStack() as stack:
        # First what can be refused: a refused command leaves no new store behind.
        if config.metrics is not None:
            from steadyram.cycles.collect_metrics import Metrics

            host, _, number = config.metrics.listen.rpartition(":")
            served = Metrics(watched, (host.strip("[]"), int(number)), _token(host.strip("[]"), token_file))
            stack.callback(served.close)
            say(f"metrics at http://{host}:{served.port}/metrics")
        link = None
        if config.broker is not None:
            link = Broker(config.broker)
            stack.callback(link.close)
        opened = stack.enter_context(CycleStore(_address(config.store)))
        collector = Collector(config, opened, broker=link, say=say, watched=watched)
        stack.callback(collector.stop)

        def end(number: int, frame: Any) -> None:
            collector.ask_to_stop()

        for which in (signal.SIGTERM, signal.SIGINT):
            stack.callback(signal.signal, which, signal.signal(which, end))
        say(f"collecting {len(config.device)} devices into {opened.path}")
        collector.start()
        collector.wait(seconds)
    say("stopped")


def _token(host: str, file: Path | None) -> str | None:
    """Return what a reader of the metrics must give: nothing on loopback without a token. Raises BadInput."""
    from steadyram.page.access import Access, token_of_file

    token = os.environ.get("STEADYRAM_PAGE_TOKEN") or None
    return Access.for_listening(host, token if file is None else token_of_file(file)).token


def _from_environment(name: str) -> bool:
    source = click.get_current_context().get_parameter_source(name)
    return source is click.core.ParameterSource.ENVIRONMENT


def _address(store: str) -> str | Path:
    return store if "://" in store else Path(store)
