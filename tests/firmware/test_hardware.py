"""HARDWARE.md: its figures follow from its parts, its limits hold at every corner, and its drawings show its parts.

What the formulas say is checked against nodal analysis of the circuits as they are drawn, and against figures of the trade.
"""

from __future__ import annotations

import importlib.util
import math
import re
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from evenstroke_dsp.setup import parse_setup

FOLDER = Path(__file__).parents[2] / "firmware_protocol" / "hardware"
TEXT = (FOLDER.parent / "HARDWARE.md").read_text(encoding="utf-8")


def loaded(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


figures = loaded("figures")
VALUES = figures.values_in(TEXT)
FIGURES = [figure for _, figure in figures.figures_in(TEXT)]


def part(name: str) -> float:
    return float(VALUES[name].nominal)


def nominal(name: str) -> float:
    (found,) = [f for f in FIGURES if f.name == name]
    return float(found.computed(VALUES)[0])


def gain(elements: list[tuple[str, str, complex]], output: str, source: str = "in") -> complex:
    """Voltage at a node for 1 V at `source`: Kirchhoff's current law at every other node. elements: nodes, impedance."""
    nodes = sorted({n for a, b, _ in elements for n in (a, b)} - {"0", source})
    matrix = np.zeros((len(nodes), len(nodes)), complex)
    right = np.zeros(len(nodes), complex)
    for a, b, impedance in elements:
        for here, there in ((a, b), (b, a)):
            if here in nodes:
                i = nodes.index(here)
                matrix[i, i] += 1 / impedance
                if there in nodes:
                    matrix[i, nodes.index(there)] -= 1 / impedance
                elif there == source:
                    right[i] += 1 / impedance
    return complex(np.linalg.solve(matrix, right)[nodes.index(output)])


def db(value: complex) -> float:
    return 20 * math.log10(abs(value))


def capacitor(name: str, hz: float) -> complex:
    return 1 / (2j * math.pi * hz * part(name))


def test_what_is_written_is_what_is_computed() -> None:
    assert len(FIGURES) > 60
    assert figures.rewritten(TEXT) == TEXT, "python firmware_protocol/hardware/figures.py writes it anew"


def test_every_limit_holds_at_every_corner() -> None:
    limited = [f for f in FIGURES if f.limit]
    assert len(limited) > 40
    for figure in limited:
        _, least, most = figure.computed(VALUES)
        sign, bound = figure.limit.split()
        assert most < float(bound) if sign == "<" else least > float(bound), figure.name


def test_every_value_in_the_parts_is_read() -> None:
    names = {name for name in VALUES if re.fullmatch(r"(BZ|[RCDUF])\d+B?", name)}
    assert len(names) == 54, "a value that cannot be read would be left out of the corners"


@pytest.mark.parametrize("hz", [50, 2450, 4950, 9950])
@pytest.mark.parametrize("names", [("R3", "C2", "R4", "C3"), ("R7", "C5", "R8", "C6")])
def test_the_filters_are_what_nodal_analysis_makes_of_them(names: tuple[str, ...], hz: float) -> None:
    r1, c1, r2, c2 = names
    circuit = [
        ("in", "a", part(r1)),
        ("a", "0", capacitor(c1, hz)),
        ("a", "out", part(r2)),
        ("out", "0", capacitor(c2, hz)),
    ]
    formula = figures.second(*(part(n) for n in names), hz)
    assert formula == pytest.approx(db(gain(circuit, "out")), abs=1e-9)


def test_the_filters_corner_and_delay_are_what_nodal_analysis_makes_of_them() -> None:
    def at(hz: float) -> complex:
        return gain(
            [
                ("in", "a", part("R3")),
                ("a", "0", capacitor("C2", hz)),
                ("a", "out", part("R4")),
                ("out", "0", capacitor("C3", hz)),
            ],
            "out",
        )

    assert db(at(nominal("-3 dB point of the filter"))) == pytest.approx(-10 * math.log10(2), abs=1e-3)
    step = 1e-3
    delay_s = -np.angle(at(1 + step) / at(1)) / (2 * math.pi * step)
    assert nominal("delay of the filter") == pytest.approx(1e3 * delay_s, rel=1e-3)


def test_the_probes_corner_is_what_nodal_analysis_makes_of_it() -> None:
    """The disc as a voltage behind its capacitance, C1 and R1 behind it: at the corner 3 dB less than far above it."""

    def at(hz: float) -> complex:
        return gain(
            [("in", "n", capacitor("BZ1", hz)), ("n", "0", capacitor("C1", hz)), ("n", "0", part("R1"))], "n"
        )

    corner = nominal("**Pulse probe** corner of the probe")
    assert db(at(corner)) - db(at(1e4 * corner)) == pytest.approx(-10 * math.log10(2), abs=1e-6)
    assert 100 * abs(at(1e4 * corner)) == pytest.approx(nominal("share of the disc's voltage that is left"))
    rhythm = part("RPM") / 120
    lead = np.degrees(np.angle(at(rhythm))) - np.degrees(np.angle(at(1e4 * corner)))
    assert 2 * lead == pytest.approx(nominal("its lead"), abs=0.02)


def test_the_thresholds_are_what_nodal_analysis_makes_of_them() -> None:
    """VCC through R19 onto R20; R21 to 0 V where U3 conducts, else to VCC through R22 and the pin's own pull-up."""
    low = gain([("in", "n", part("R19")), ("n", "0", part("R20")), ("n", "0", part("R21"))], "n")
    pull_ups = [("d8", "in", part("R22")), ("d8", "in", part("RPULL"))]
    high = gain([("in", "n", part("R19")), ("n", "0", part("R20")), ("n", "d8", part("R21")), *pull_ups], "n")
    assert nominal("lower threshold") == pytest.approx(part("VCC") * low.real)
    assert nominal("**Sync** upper threshold at U3") == pytest.approx(part("VCC") * high.real)


def test_a_disc_alone_has_the_corners_of_the_trade() -> None:
    # Common practice, no source: a 27 mm disc is about 20 nF; 0.8 Hz into 10 Mohm, 8 into 1 Mohm, 80 into 100 kohm.
    assert nominal("corner without C1") == pytest.approx(0.8, rel=0.01)
    assert nominal("the same with a bias of 1 MΩ") == pytest.approx(8, rel=0.01)
    assert nominal("the same with a bias of 100 kΩ") == pytest.approx(80, rel=0.01)


def test_the_converters_figures_are_those_of_its_data_sheet() -> None:
    # ATmega48PA/88PA/168PA/328P data sheet 8161D: table 28-7, 2 LSB at 200 kHz and 4.5 LSB at 1 MHz, 50 to 1000 kHz;
    # "Prescaling and Conversion Timing", 13.5 clocks where a trigger starts it.
    main = (FOLDER.parent / "firmware" / "atmega328p" / "main.c").read_text(encoding="utf-8")
    assert "rate_hz <= 2500" in main and "return 6; /* /64" in main
    assert "rate_hz <= 5000 ? 5 : 4; /* /32: 500 kHz; /16: 1 MHz */" in main
    for rate, prescaler in ((2500, 64), (5000, 32), (10_000, 16)):
        assert 50 <= nominal(f"clock at {rate} Hz, prescaler {prescaler}") == 16_000 / prescaler <= 1000
        assert 13.5 * prescaler / 16 < 1e6 / rate / 4, "a conversion fits into a quarter of a scan"
    assert nominal("**Converter** one count") == pytest.approx(4.88, abs=0.005)
    assert (part("ABS200"), part("ABS1000")) == (2, 4.5)


def test_drawings_and_table_have_the_same_parts_with_the_same_values() -> None:
    table = {
        cells[0]: cells[1].split(" ± ")[0]
        for _, cells in figures.rows(TEXT)
        if len(cells) == 4 and re.fullmatch(r"(BZ|[RCDUF]|JP)\d+B?", cells[0])
    }
    seen: set[str] = set()
    for path in FOLDER.glob("*.svg"):
        words = [re.sub(r"<[^>]+>", "", s) for s in re.findall(r"<tspan.*?</tspan>", path.read_text("utf-8"))]
        for word, after in zip(words, [*words[1:], ""], strict=True):
            if word in ("U1A", "U1B", "U2A"):
                seen.add(word[:2])
            for name in set(table) & set(re.findall(r"\w+", word)):
                seen.add(name)
                if name[0] in "BRCF" and not word.startswith("to "):
                    assert (word.split()[-1], after) == (name, table[name]), path.name
    assert seen == set(table)


def test_the_drawings_are_those_that_the_script_draws() -> None:
    pytest.importorskip("schemdraw", reason="the drawings were not drawn anew here")
    draw = loaded("draw")
    for name in draw.PAGES:
        assert draw.drawn(name, TEXT) == (FOLDER / f"{name}.svg").read_text(encoding="utf-8"), (
            "python firmware_protocol/hardware/draw.py draws it anew"
        )


def test_the_set_up_that_it_shows_is_one_for_the_board_with_the_computed_scales() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    setup = parse_setup("schema = 1\n[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n" + shown)
    probes = {probe.role: probe for probe in setup.probe}
    assert sorted(p.input for p in setup.probe if p.input is not None) == [0, 1, 2, 3, 4]
    corner = nominal("**Pulse probe** corner of the probe")
    for role in ("intake_pulse", "exhaust_pulse"):
        assert probes[role].low_corner_hz == pytest.approx(corner, abs=5e-4)
    assert probes["starter_current"].volts_per_unit == pytest.approx(nominal("`volts_per_unit` with 1 mV/A"))
    zero = nominal("volts at zero, `volts_at_zero`")
    assert probes["starter_current"].volts_at_zero == pytest.approx(zero, abs=5e-3)
    share = nominal("**Battery's voltage** share, `volts_per_unit`")
    assert probes["battery_voltage"].volts_per_unit == pytest.approx(share)
    assert setup.acquisition is not None
    assert (setup.acquisition.rate_hz, setup.acquisition.baud) == (2500, 250_000)


def test_the_cautions_stand_where_they_concern() -> None:
    sections = dict(re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", TEXT, re.MULTILINE | re.DOTALL))
    for section, words in {
        "The whole": "charger unplugged",
        "The sync": "Never a wire to a coil",
        "A transducer of 0.5 to 4.5 V": "grounded spark tester",
        "The battery's voltage": "Never without divider and clamp",
        "Where to tap, and where not": "count them back out",
        "Before it goes near an engine": "the maker's torque",
    }.items():
        assert words in " ".join(sections[section].split()), section
