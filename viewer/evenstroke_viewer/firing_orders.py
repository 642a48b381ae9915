"""Firing orders that are offered, each with where it is from; any other can be typed. No Qt here.

An order is a fact of one engine: the maker's data decide, what is offered only saves typing.
"""

from __future__ import annotations

from dataclasses import dataclass

_ENCYCLOPEDIA = 'Wikipedia, "Firing order", the list of common firing orders'
_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Offer:
    """layout: what kind of engine has it. intervals_deg: from each one to the next where firing is uneven, None: even.
    source: of the order; uneven intervals are common practice, no source."""

    order: tuple[int, ...]
    layout: str
    source: str
    intervals_deg: tuple[float, ...] | None = None

    @property
    def words(self) -> str:
        """ "1-3-4-2, inline four"."""
        uneven = ""
        if self.intervals_deg is not None:
            uneven = f", every {' / '.join(f'{deg:g}' for deg in dict.fromkeys(self.intervals_deg))} degrees"
        return f"{'-'.join(map(str, self.order))}, {self.layout}{uneven}"


OFFERS: tuple[Offer, ...] = (
    Offer((1,), "single", "one cylinder has one order"),
    Offer((1, 2), "twin that fires evenly", "two cylinders have one order"),
    Offer((1, 2), "twin", "two cylinders have one order", (270.0, 450.0)),
    Offer((1, 2), "twin", "two cylinders have one order", (315.0, 405.0)),
    Offer((1, 3, 2), "inline three", _ENCYCLOPEDIA),
    Offer((1, 2, 3), "inline three", _ENCYCLOPEDIA),
    Offer((1, 3, 4, 2), "inline four", _ENCYCLOPEDIA),
    Offer((1, 2, 4, 3), "inline four", _ENCYCLOPEDIA),
    Offer((1, 3, 2, 4), "flat four", _PRACTICE),
    Offer((1, 2, 4, 5, 3), "inline five", _ENCYCLOPEDIA),
    Offer((1, 5, 3, 6, 2, 4), "inline six", _ENCYCLOPEDIA),
    Offer((1, 2, 3, 4, 5, 6), "V6", _PRACTICE),
    Offer((1, 6, 5, 4, 3, 2), "V6", _PRACTICE),
    Offer((1, 6, 5, 4, 3, 2), "V6", _PRACTICE, (150.0, 90.0, 150.0, 90.0, 150.0, 90.0)),
    Offer((1, 8, 4, 3, 6, 5, 7, 2), "V8", _ENCYCLOPEDIA),
    Offer((1, 3, 7, 2, 6, 5, 4, 8), "V8", _PRACTICE),
    Offer((1, 6, 5, 10, 2, 7, 3, 8, 4, 9), "V10", _PRACTICE),
    Offer((1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10), "V12", _ENCYCLOPEDIA),
)
"""The encyclopedia's list was read in copies of the article; makers number their cylinders differently."""


def offers_for(cylinders: object) -> tuple[Offer, ...]:
    """What is offered for so many cylinders; nothing for what is no number of them."""
    return tuple(offer for offer in OFFERS if len(offer.order) == cylinders)
