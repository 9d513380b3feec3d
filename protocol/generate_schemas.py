"""Make the JSON Schemas of protocol/documents.py.

python protocol/generate_schemas.py           writes protocol/schemas/*.schema.json
python protocol/generate_schemas.py --check   exits 1 if a committed one differs
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

sys.path.insert(0, str(Path(__file__).resolve().parent))

from documents import DOCUMENTS

OUT = Path(__file__).resolve().parent / "schemas"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, str]:
    """File name -> text of every generated schema."""
    out = {}
    for name, shape in DOCUMENTS.items():
        body = TypeAdapter(shape).json_schema(mode="serialization")
        body.pop("title", None)
        _close(body)
        whole = {"$schema": DIALECT, "title": f"steadyram {name.replace('-', ' ')} --json"} | body
        out[f"{name}.schema.json"] = json.dumps(whole, indent=1, ensure_ascii=False) + "\n"
    return out


def _close(node: Any) -> None:
    """No keys but those declared, and no titles that only repeat the key."""
    if isinstance(node, list):
        for each in node:
            _close(each)
    elif isinstance(node, dict):
        if "properties" in node:
            node.setdefault("additionalProperties", False)
            # What has a default in the code is printed all the same.
            node["required"] = sorted(node["properties"])
            for each in node["properties"].values():
                each.pop("title", None)
                each.pop("default", None)
            node.pop("title", None)
        for each in node.values():
            _close(each)


def main() -> int:
    wanted = schemas()
    if "--check" in sys.argv[1:]:
        stale = [
            name
            for name, text in wanted.items()
            if not (OUT / name).exists() or (OUT / name).read_text(encoding="utf-8") != text
        ]
        if stale:
            print(
                "Out of date, run python protocol/generate_schemas.py: " + ", ".join(stale), file=sys.stderr
            )
        return 1 if stale else 0
    for name, text in wanted.items():
        (OUT / name).write_text(text, encoding="utf-8")
    print(f"{len(wanted)} schemas in {OUT.name}/", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
