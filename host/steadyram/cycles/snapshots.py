"""Keep what is in force before it is replaced, so that older records can still be traced to it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from steadyram.device import Device
from steadyram.link.records import SetState


def keep_sets(
    device: Device, store_path: str | Path, states: Iterable[SetState], wall: Callable[[], float] = time.time
) -> None:
    """Add sets to the store at `store_path` (a file or a URL), made if it is not there. Raises BadInput if unusable."""
    from steadyram.cycles.store import (
        CycleStore,
    )  # here, not above: slow to load, and most commands need none

    unix = int(wall())
    with CycleStore(store_path) as store:
        store.see_device(device.identity(), unix)
        for state in states:
            store.add_snapshot(device.identity().uid, state, unix)
