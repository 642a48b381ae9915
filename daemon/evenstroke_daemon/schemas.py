"""Writes the JSON Schemas of everything that leaves evenstroke as data into daemon/schemas.

python -m evenstroke_daemon.schemas           write them
python -m evenstroke_daemon.schemas --check   exit 1, with their names, where the files differ
"""

from __future__ import annotations

import inspect
import sys
from pathlib import Path

import msgspec
from evenstroke_dsp.messages import TOPIC_OF, Judgement, Reply, Request

from .check_outcome import Selfcheck

FOLDER = Path(__file__).parents[1] / "schemas"
"""In a checkout; an installation carries no copy, since the types themselves are there."""


def schemas() -> dict[str, str]:
    """File name -> JSON Schema (2020-12) as text: one per topic, the judgement's, the self-check's, and the control
    socket's two."""
    types: dict[str, object] = {topic: kind for kind, topic in TOPIC_OF.items()}
    types |= {"judgement": Judgement, "reply": Reply, "request": Request, "selfcheck": Selfcheck}
    return {
        f"{name}.json": msgspec.json.format(msgspec.json.encode(_schema(name, kind)), indent=2).decode()
        + "\n"
        for name, kind in sorted(types.items())
    }


def differing(folder: Path = FOLDER) -> list[str]:
    """Names of schema files that are missing, left over, or not what the code says."""
    wanted = schemas()
    there = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.json")}
    return sorted(name for name in wanted.keys() | there.keys() if wanted.get(name) != there.get(name))


def write(folder: Path = FOLDER) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in schemas().items():
        (folder / name).write_text(text, encoding="utf-8")


def _schema(name: str, kind: object) -> dict[str, object]:
    schema = msgspec.json.schema(kind)
    for definition in schema.get("$defs", {}).values():
        if "description" in definition:  # a docstring, whose indentation msgspec takes away from 0.23 on
            definition["description"] = inspect.cleandoc(definition["description"])
    if name == "request":  # read, not sent: what has a default may be left out
        return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": name} | schema
    for definition in schema.get("$defs", {}).values():
        # A field with a default may be left out when read, but is always there in what we send.
        definition["required"] = list(definition.get("properties", {}))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": name} | schema


if __name__ == "__main__":
    if "--check" in sys.argv[1:]:
        stale = differing()
        sys.exit(f"not current: {', '.join(stale)}; run python -m evenstroke_daemon.schemas" if stale else 0)
    write()
