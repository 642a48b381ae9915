"""What to do first where an engine ran, or may have run, that was to be cranked."""

from __future__ import annotations

from collections.abc import Iterable

from .messages import CodedWarning

STARTED, MAY_HAVE_RUN = "engine_started", "may_have_run"
_MAKE_SAFE = (
    "disable fuel and ignition by the maker's procedure: hands, cables and probes near belts and fan are not safe beside an "
    "engine that starts unasked."
)
BEFORE_ANYBODY_CRANKS = f"Before anybody cranks again, find out why it could start, and {_MAKE_SAFE}"


def make_safe_first(warnings: Iterable[CodedWarning]) -> str:
    """The words that stand before everything else; empty where nothing speaks for an engine that ran by itself."""
    codes = {warning.code for warning in warnings}
    if STARTED in codes:
        return f"{BEFORE_ANYBODY_CRANKS} When it ran by itself, and what the set-up says of that, stands with the warnings."
    if MAY_HAVE_RUN in codes:
        return (
            "Before anybody cranks again, find out whether it ran by itself, as the warnings say that it may have, and why it "
            f'could start if it did; {_MAKE_SAFE} If it was to idle, write mode = "idle" and judge the same recording again.'
        )
    return ""
