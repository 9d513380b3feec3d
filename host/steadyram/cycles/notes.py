"""What people write of a batch: material lot, work order and the like. Notes are only ever added; the newest counts."""

from __future__ import annotations

from typing import Final

from sqlalchemy import insert, select

from steadyram.cycles import store_schema as t
from steadyram.cycles.batches import Batch
from steadyram.cycles.store import CycleStore
from steadyram.errors import BadInput

NAMES: Final = {"lot": "material lot", "order": "work order", "note": "note"}
_MOST: Final = 120


def add_note(store: CycleStore, batch: Batch, name: str, value: str, by: str, at_unix: int) -> None:
    """Write one of NAMES of a batch; an empty value takes it away. Raises BadInput."""
    if name not in NAMES or len(value) > _MOST or not value.isprintable():
        raise BadInput(f"A batch's {NAMES.get(name, name)} is up to {_MOST} printable signs.")
    row = {
        "uid": batch.uid, "job": batch.job, "first_seq": batch.first_seq,
        "name": name, "value": value.strip(), "by_whom": by, "at_unix": at_unix,
    }  # fmt: skip
    with store.transaction() as db:
        number = db.execute(insert(t.batch_note).values(row).returning(t.batch_note.c.id)).scalar_one()
        store.seal_rows(db, batch.uid, "batch_note", [(int(number), row)])


def batch_notes(store: CycleStore, batch: Batch) -> dict[str, str]:
    """The newest of each of a batch's notes, empty ones left out."""
    c = t.batch_note.c
    query = (
        select(c.name, c.value)
        .where(c.uid == batch.uid, c.job == batch.job, c.first_seq == batch.first_seq)
        .order_by(c.id)
    )
    with store.reading() as db:
        found = {str(row[0]): str(row[1]) for row in db.execute(query)}
    return {name: value for name, value in found.items() if value}
