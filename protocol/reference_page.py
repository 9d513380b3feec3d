"""The reference page, from the definition and from the exchanges of the conformance vectors."""

from __future__ import annotations


def reference(d: dict, vectors: dict) -> str:
    """Text of REFERENCE.md."""
    return f"# The steadyram line protocol, version {d['protocol']['version']}\n"
