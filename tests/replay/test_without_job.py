"""A set-up's text without its job notes: nothing of them is left, everything else is."""

from __future__ import annotations

import tomllib

import pytest
from evenstroke_dsp.setup import SetupError
from evenstroke_replay.setup_files import load_setup, shipped_setups
from evenstroke_replay.without_job import without_job


@pytest.mark.parametrize(
    "job",
    [
        '[job]\nowner = "SECRET"\n',
        '# SECRET\n[job]\nowner = "SECRET"\n# SECRET\n[job.more]\nkey = "SECRET"\n',
        '[ job ]  # SECRET\nowner = "SECRET"\n',
        '[[job]]\nowner = "SECRET"\n[[job]]\nowner = "SECRET"\n',
        '["job"]\nowner = "SECRET"\n',
        '[job]\nowner = """\nSECRET\n"""\n',
    ],
)
@pytest.mark.parametrize("rest", ["", "# theirs\n[engine]\ncylinders = 4  # many\n"])
def test_all_of_it_goes_and_nothing_else(job: str, rest: str) -> None:
    text = without_job('schema = 1\n# ours\n\ntitle = "[job]"\n' + job + rest)
    assert "SECRET" not in text
    assert text.startswith('schema = 1\n# ours\n\ntitle = "[job]"\n')
    assert tomllib.loads(text) == tomllib.loads('schema = 1\ntitle = "[job]"\n' + rest)


def test_without_any_the_text_is_as_it_was() -> None:
    text = "schema = 1\r\n# the [job] is elsewhere\r\n"
    assert without_job(text) == text


@pytest.mark.parametrize("line", ['job.owner = "SECRET"\n', 'job = {owner = "SECRET"}\n'])
def test_at_the_top_of_the_file(line: str) -> None:
    assert without_job(line + "schema = 1\n") == "schema = 1\n"


@pytest.mark.parametrize(
    "text", ['schema = 1\n[job]\nowner = """\n[engine]\nSECRET"""\n', "schema = 1\njob = [\n1,\n[2]]\n"]
)
def test_where_it_is_not_certain_nothing_is_shared(text: str) -> None:
    with pytest.raises(SetupError, match="cannot be taken out"):
        without_job(text)


@pytest.mark.parametrize("name", shipped_setups())
def test_of_every_set_up_that_ships(name: str) -> None:
    text = load_setup(name)[1]
    tree = tomllib.loads(text)
    tree.pop("job", None)
    assert tomllib.loads(without_job(text)) == tree
