"""A set-up's text without its `[job]` notes, for whoever is not to know whose vehicle it is; comments elsewhere stay."""

from __future__ import annotations

import re
import tomllib

from evenstroke_dsp.setup import SetupError

_HEADER = re.compile(r"\s*\[\[?\s*([^\]#]+?)\s*\]\]?\s*(#.*)?$")
_OF_THE_JOB = re.compile(r"""(job|"job"|'job')\s*(\.|$)""")
_KEY_OF_THE_JOB = re.compile(r"""\s*(job|"job"|'job')\s*[.=]""")


def without_job(text: str) -> str:
    """The text without the table `[job]`, what is below it, and the comment that stands right over it.

    Raises SetupError where it is written so that it cannot be taken out with certainty.
    """
    tree = tomllib.loads(text)
    if "job" not in tree:
        return text
    kept: list[str] = []
    in_job = False
    at_the_top = True
    for line in text.splitlines(keepends=True):
        header = _HEADER.match(line)
        if header is not None:
            at_the_top = False
            in_job = _OF_THE_JOB.match(header[1]) is not None
            if in_job:
                while kept and kept[-1].lstrip().startswith("#"):
                    kept.pop()
        if not in_job and not (at_the_top and _KEY_OF_THE_JOB.match(line)):
            kept.append(line)
    without = "".join(kept).rstrip("\r\n") + "\n"
    del tree["job"]
    try:
        right = tomllib.loads(without) == tree
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        raise SetupError(
            "the [job] notes cannot be taken out of the set-up as it is written",
            where="[job]",
            expected="a table [job] with one key to a line, at the end of the file",
            found="notes that go on over several lines, or stand within other tables",
            todo="write them so, or export with --job if they may be shared",
        )
    return without
