"""What is written about the published stream is what the code says."""

from __future__ import annotations

import re
import typing
from pathlib import Path

import msgspec
import pytest
from evenstroke_daemon import schemas
from evenstroke_dsp.messages import TOPIC_OF, Judgement, Reply, Request

STREAM = Path(__file__).parents[2] / "daemon" / "STREAM.md"


def structs_in(annotation):
    if isinstance(annotation, type) and issubclass(annotation, msgspec.Struct):
        yield annotation
        for hint in typing.get_type_hints(annotation).values():
            yield from structs_in(hint)
    for argument in typing.get_args(annotation):
        yield from structs_in(argument)


PUBLISHED = sorted(
    {s for kind in [*TOPIC_OF, Reply] for s in structs_in(kind)} | set(typing.get_args(Request)),
    key=lambda s: s.__name__,
)


def fields_written():
    """Type's name -> the fields that its section lists."""
    written = {}
    for section in re.split(r"^##+ ", STREAM.read_text(), flags=re.M)[1:]:
        name = section.splitlines()[0].split(": ")[-1].strip()
        first_cells = re.findall(r"^\| (`.*?`) \|", section, flags=re.M)
        written[name] = [f for cell in first_cells for f in re.findall(r"`(\w+)`", cell)]
    return written


@pytest.mark.parametrize("kind", PUBLISHED, ids=lambda kind: kind.__name__)
def test_every_field_of_every_published_type_is_listed_once_and_no_other(kind):
    encoded = [field.encode_name for field in msgspec.structs.fields(kind)]
    tag = [kind.__struct_config__.tag_field] if kind.__struct_config__.tag_field else []
    assert sorted(fields_written()[kind.__name__]) == sorted(encoded + tag)


def test_every_topic_has_its_section():
    text = STREAM.read_text()
    for kind, topic in TOPIC_OF.items():
        assert f"## `{topic}`: {kind.__name__}\n" in text


def test_the_schema_files_are_current():
    assert schemas.differing() == [], "run python -m evenstroke_daemon.schemas"


def test_a_stale_a_missing_and_a_left_over_schema_are_found(tmp_path):
    schemas.write(tmp_path)
    assert schemas.differing(tmp_path) == []
    (tmp_path / "wave.json").write_text("{}\n")
    (tmp_path / "cycle.json").unlink()
    (tmp_path / "old.json").write_text("{}\n")
    assert schemas.differing(tmp_path) == ["cycle.json", "old.json", "wave.json"]


def test_schemas_require_every_field_since_each_is_always_there():
    written = {name: msgspec.json.decode(text) for name, text in schemas.schemas().items()}
    assert set(written) == {
        f"{topic}.json" for topic in [*TOPIC_OF.values(), "judgement", "reply", "request", "selfcheck"]
    }
    for kind, name in [*((k, f"{t}.json") for k, t in TOPIC_OF.items()), (Judgement, "judgement.json")]:
        definition = written[name]["$defs"][kind.__name__]
        assert definition["required"] == [field.encode_name for field in msgspec.structs.fields(kind)]
