"""Draws the schematics of HARDWARE.md, with the parts' values as they stand in its table.

    python firmware_protocol/hardware/draw.py

Writes an SVG beside this file for each. Needs schemdraw, which comes with the development extra.
"""

from __future__ import annotations

import itertools
import re
import sys
from collections.abc import Callable
from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from figures import DOCUMENT, rows

FOLDER = Path(__file__).parent


def parts_in(text: str) -> dict[str, str]:
    """What stands beside each part of the table, without its tolerance; "" where no value is drawn."""
    found: dict[str, str] = {}
    for _, cells in rows(text):
        if len(cells) == 4 and re.fullmatch(r"(?:BZ|[RCDUF]|JP)\d+B?", cells[0]):
            value = cells[1].split(" ± ")[0]
            found[cells[0]] = value if cells[0][0] in "RCBF" else ""
    return found


class Page:
    """One drawing. `part` labels an element with its designator and its value."""

    def __init__(self, parts: dict[str, str]) -> None:
        self.parts = parts
        self.d = schemdraw.Drawing(show=False)
        self.d.config(unit=2.2, fontsize=11, bgcolor="white", margin=0.7)

    def part(self, element: elm.Element, name: str, loc: str = "top") -> elm.Element:
        return self.d.add(element.label(f"{name}\n{self.parts[name]}".strip(), loc=loc, fontsize=10))

    def add(self, element: elm.Element) -> elm.Element:
        return self.d.add(element)

    def dot(self) -> None:
        self.add(elm.Dot())

    def down(self, element: elm.Element, name: str, end: Callable[[], elm.Element] = elm.Ground) -> None:
        """A part from here to earth, or to what `end` draws; then back here."""
        self.dot()
        self.d.push()
        self.part(element.down(), name, "bottom")
        self.add(end())
        self.d.pop()

    def clamp(self, name: str) -> None:
        """Two diodes, from 0 V to here and from here to 5 V."""
        self.dot()
        self.d.push()
        self.add(elm.Diode().up().label(name, loc="bottom", fontsize=10))
        self.add(elm.Vdd().label("5 V", fontsize=10))
        self.d.pop()
        self.d.push()
        self.add(elm.Diode().down().reverse())
        self.add(elm.Ground())
        self.d.pop()

    def line(self, length: float = 1.0) -> None:
        self.add(elm.Line().right().length(length))

    def pin(self, text: str) -> None:
        self.line(0.8)
        self.add(elm.Dot(open=True).label(text, loc="right", fontsize=11))

    def source(self, text: str) -> None:
        self.add(elm.Dot(open=True).label(text, loc="left", fontsize=11))
        self.line(0.8)

    def follower(self, name: str) -> None:
        """An operational amplifier whose output is fed back whole; goes on at its output."""
        amp = self.add(elm.Opamp(leads=True).anchor("in2").flip().label(name, loc="center", ofst=(-0.1, 0)))
        self.d.push()
        self.add(elm.Line().at(amp.in1).down().length(0.9))
        self.add(elm.Line().right().tox(amp.out))
        self.add(elm.Line().up().toy(amp.out))
        self.d.pop()
        self.add(elm.Dot().at(amp.out))
        self.add(elm.Line().at(amp.out).right().length(0.4))

    def supply(self, name: str, of: str, at: tuple[float, float]) -> None:
        """The capacitor between a circuit's supply pins."""
        self.add(elm.Vdd().at(at).label("5 V", fontsize=10))
        self.part(elm.Capacitor().down(), name, "bottom")
        self.add(elm.Ground().label(f"at {of}'s supply pins", loc="bottom", fontsize=10))

    def two_sections(self, r1: str, c1: str, r2: str, c2: str) -> None:
        self.part(elm.ResistorIEC().right(), r1)
        self.down(elm.Capacitor(), c1)
        self.part(elm.ResistorIEC().right(), r2)
        self.down(elm.Capacitor(), c2)


def pulse(p: Page) -> None:
    start = p.add(elm.Dot())
    p.d.push()
    p.part(elm.Crystal().down().at(start.center), "BZ1", "top")
    p.add(elm.Ground())
    p.d.pop()
    p.line(2.0)
    p.down(elm.Capacitor(), "C1")
    p.line(2.4)
    p.down(
        elm.ResistorIEC(), "R1", lambda: elm.Dot(open=True).label("mid voltage", loc="bottom", fontsize=10)
    )
    p.line(0.8)
    p.part(elm.ResistorIEC().right(), "R2")
    p.clamp("D1")
    p.line(1.2)
    p.follower("U1A")
    p.two_sections("R3", "C2", "R4", "C3")
    p.pin("A0 or A1")
    p.add(elm.Vdd().at((0, -5)).label("5 V", fontsize=10))
    p.part(elm.ResistorIEC().down(), "R5", "top")
    p.dot()
    p.d.push()
    p.part(elm.ResistorIEC().down(), "R6", "top")
    p.add(elm.Ground())
    p.d.pop()
    p.line(2.0)
    p.down(elm.Capacitor(polar=True), "C4")
    p.line(1.8)
    p.follower("U1B")
    p.add(elm.Dot(open=True).label("mid voltage", loc="right", fontsize=11))
    p.supply("C8", "U1", (11.4, -5))


def transducer(p: Page) -> None:
    p.source("transducer's output")
    p.down(elm.ResistorIEC(), "R9")
    p.line(1.6)
    p.part(elm.ResistorIEC().right(), "R7")
    p.line(0.4)
    p.clamp("D2")
    p.line(1.6)
    p.down(elm.Capacitor(), "C5")
    p.part(elm.ResistorIEC().right(), "R8")
    p.down(elm.Capacitor(), "C6")
    p.pin("A1")
    p.add(elm.Dot(open=True).at((0, -4.6)).label("transducer's supply", loc="left", fontsize=11))
    p.part(elm.FuseIEC().right(), "F1")
    p.add(elm.Diode().right().reverse().label("D6", fontsize=10))
    p.add(elm.Vdd().label("5 V", fontsize=10))
    p.add(elm.Dot(open=True).at((0, -5.8)).label("transducer's earth, screen", loc="left", fontsize=11))
    p.line(1.0)
    p.add(elm.Ground())


def current(p: Page) -> None:
    p.source("current clamp")
    p.part(elm.ResistorIEC().right(), "R12")
    amp = p.add(elm.Opamp(leads=True).anchor("in2").flip().label("U2A", loc="center", ofst=(-0.1, 0)))
    p.add(elm.Line().at(amp.in1).down().length(1.0))
    p.dot()
    p.d.push()
    p.part(elm.ResistorIEC().down(), "R14", "top")
    p.add(elm.Ground())
    p.d.pop()
    p.part(elm.ResistorIEC().right().tox(amp.out), "R13", "bottom")
    p.add(elm.Line().up().toy(amp.out))
    p.add(elm.Dot().at(amp.out))
    p.add(elm.Line().at(amp.out).right().length(0.6))
    p.two_sections("R15", "C9", "R16", "C10")
    p.pin("A2")
    p.add(elm.Dot(open=True).at((0, -6.2)).label("current clamp's earth", loc="left", fontsize=11))
    p.line(1.0)
    p.dot()
    p.d.push()
    p.part(elm.ResistorIEC().up(), "R25", "bottom")
    p.add(elm.Vdd().label("5 V", fontsize=10))
    p.d.pop()
    p.part(elm.ResistorIEC().down(), "R26", "top")
    p.add(elm.Ground())
    p.supply("C11", "U2", (6.4, -5.4))


def battery(p: Page) -> None:
    p.source("battery's positive post")
    p.part(elm.FuseIEC().right(), "F2")
    p.part(elm.ResistorIEC().right(), "R10")
    here = p.d.here
    p.add(elm.Label().label(f"24 V: R10B\n{p.parts['R10B']}", fontsize=10).at((here.x - 1.5, here.y - 1.0)))
    p.d.here = here
    p.down(elm.ResistorIEC(), "R11")
    p.line(2.0)
    p.down(elm.Capacitor(), "C7")
    p.line(2.0)
    p.clamp("D3")
    p.pin("A3")
    p.add(elm.Dot(open=True).at((0, -3.4)).label("battery's negative post", loc="left", fontsize=11))
    p.line(0.8)
    p.part(elm.FuseIEC().right(), "F3")
    p.line(0.4)
    p.add(elm.Ground())
    p.add(elm.Label().label("the one earth", fontsize=10).at((5.0, -3.5)))


def sync(p: Page) -> None:
    def only_with_a_core() -> elm.Element:
        return elm.Ground().label("ferrite core only", loc="bottom", fontsize=10)

    p.source("pick-up")
    p.down(elm.ResistorIEC(), "R23", only_with_a_core)
    p.line(2.0)
    p.part(elm.ResistorIEC().right(), "R17")
    here = p.d.here
    p.add(elm.Label().label(f"24 V: R17B\n{p.parts['R17B']}", fontsize=10).at((here.x - 1.1, here.y - 1.0)))
    p.d.here = here
    p.line(0.4)
    p.clamp("D4")
    p.line(1.2)
    p.add(elm.Diode().right().label("D5", fontsize=10))
    p.dot()
    p.d.push()
    p.add(elm.Switch().down().label("JP1", loc="bottom", fontsize=10))
    p.part(elm.Capacitor().down(), "C12", "bottom")
    p.add(elm.Ground())
    p.d.pop()
    p.line(2.0)
    p.down(elm.ResistorIEC(), "R18")
    p.line(2.4)
    amp = p.add(elm.Opamp(leads=True).anchor("in1").label("U3", loc="center", ofst=(-0.1, 0)))
    p.add(elm.Dot().at(amp.out))
    p.d.push()
    p.part(elm.ResistorIEC().up(), "R22", "bottom")
    p.add(elm.Vdd().label("5 V", fontsize=10))
    p.d.pop()
    p.d.push()
    p.pin("D8")
    p.d.pop()
    p.add(elm.Line().at(amp.in2).down().length(2.6))
    here = p.d.here
    p.dot()
    p.d.push()
    p.part(elm.ResistorIEC().right().tox(amp.out), "R21", "bottom")
    p.add(elm.Line().up().toy(amp.out))
    p.d.pop()
    p.d.here = here
    p.add(elm.Line().left().length(0.8))
    p.dot()
    p.d.push()
    p.part(elm.ResistorIEC().down(), "R20", "bottom")
    p.add(elm.Ground())
    p.d.pop()
    p.part(elm.ResistorIEC().left(), "R19", "top")
    p.add(elm.Line().up().length(0.3))
    p.add(elm.Vdd().label("5 V", fontsize=10))
    p.add(elm.Dot(open=True).at((0, -7.0)).label("or a sensor's lead", loc="left", fontsize=11))
    p.part(elm.ResistorIEC().right(), "R24")
    p.add(
        elm.Label()
        .label("to the pick-up's terminal, without R23, JP1 open", fontsize=10, halign="left")
        .at((3.4, -7.0))
    )
    p.add(elm.Dot(open=True).at((0, -8.4)).label("pick-up's other wire, screen", loc="left", fontsize=11))
    p.line(1.0)
    p.add(elm.Ground())
    p.supply("C13", "U3", (17.8, -5.0))


def whole(p: Page) -> None:
    def box(x: float, y: float, w: float, h: float, text: str) -> None:
        p.add(elm.Rect(corner1=(x, y), corner2=(x + w, y + h)).at((0, 0)))
        p.add(
            elm.Label().label(text, fontsize=11, halign="center", valign="center").at((x + w / 2, y + h / 2))
        )

    def wire(*points: tuple[float, float]) -> None:
        for a, b in itertools.pairwise(points):
            p.add(elm.Line().at(a).to(b))

    inputs = [
        ("pulse probe: intake", "pulse.svg", "A0"),
        ("pulse probe or transducer", "pulse.svg, transducer.svg", "A1"),
        ("current clamp at the starter's cable", "current.svg", "A2"),
        ("battery's positive post, fused", "battery.svg", "A3"),
        ("sync pick-up, touching no conductor", "sync.svg", "D8"),
    ]
    for k, (what, circuit, pin) in enumerate(inputs):
        y = -1.5 * k
        box(0, y, 6.4, 1.0, what)
        wire((6.4, y + 0.5), (7.4, y + 0.5))
        box(7.4, y, 4.4, 1.0, circuit)
        wire((11.8, y + 0.5), (13.2, y + 0.5))
        p.add(elm.Label().label(pin, fontsize=11).at((12.5, y + 0.6)))
    box(13.2, -7.0, 3.0, 8.0, "board\nATmega328P\n16 MHz, 5 V")
    wire((16.2, -2.5), (17.2, -2.5))
    box(17.2, -3.1, 2.6, 1.2, "USB\nisolator")
    wire((19.8, -2.5), (20.8, -2.5))
    box(20.8, -3.4, 3.6, 1.8, "computer,\non its battery,\ncharger unplugged")
    box(0, -8.2, 6.4, 1.0, "battery's negative post")
    wire((6.4, -7.7), (14.7, -7.7), (14.7, -7.0))
    p.add(elm.Label().label("the one earth, fused at the post", fontsize=10).at((10.5, -7.6)))


PAGES: dict[str, Callable[[Page], None]] = {
    page.__name__: page for page in (whole, pulse, transducer, current, battery, sync)
}


def drawn(name: str, text: str) -> str:
    """One drawing as SVG, with the values of the document's text."""
    schemdraw.use("svg")
    page = Page(parts_in(text))
    PAGES[name](page)
    return page.d.get_imagedata("svg").decode() + "\n"


if __name__ == "__main__":
    text = DOCUMENT.read_text(encoding="utf-8")
    for name in PAGES:
        (FOLDER / f"{name}.svg").write_text(drawn(name, text), encoding="utf-8")
    sys.exit(0)
