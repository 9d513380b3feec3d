"""Which of a store's devices is meant."""

from __future__ import annotations

from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput


def choose_device(store: CycleStore, uid: str | None) -> str:
    """The given device if the store has it, else the only one. Raises BadInput naming those there are."""
    known = [device.uid for device in store.devices()]
    if uid is not None:
        if uid in known:
            return uid
        raise BadInput(f"{store.path} has no device {uid}; it has {', '.join(known) or 'none'}.")
    if len(known) == 1:
        return known[0]
    if not known:
        raise BadInput(f"{store.path} has no records; run 'steadyram cycles pull' first.")
    raise BadInput(f"{store.path} has several devices ({', '.join(known)}); choose one with --device.")
