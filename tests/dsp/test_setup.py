"""The set-up file: what parses, and what is refused with which path and in which words.

The rules are this project's own contract for the file; TOML itself is checked by the
standard library's tomllib.
"""

from __future__ import annotations

import subprocess
import sys

import pytest
from evenstroke_dsp.setup import Probe, Setup, SetupError, parse_setup, wheel_slots

EXAMPLE = """
schema = 1
title = "Mobile library, inline six, warm, transducer in 5"
[engine]
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
firing_intervals_deg = [120, 120, 120, 120, 120, 120]   # default even
family = "3.0 inline six"
displacement_cc = 2988
compression_ratio = 9.4
bore_mm = 88.0
stroke_mm = 81.9
rod_mm = 140.0
[engine.valve_events_deg]       # zero lift
exhaust_opens = 140
exhaust_closes = 375
intake_opens = 350
intake_closes = 590
[conditions]
mode = "cranking"
engine_temperature_c = 88
throttle = "closed"
fuel = "disabled"
ignition = "on"
start_prevented_by = "fuel pump relay out"
battery_support = false
acknowledged = ["plug_out_ignition_on"]
[acquisition]
rate_hz = 10000
baud = 1000000
[[probe]]
name = "intake"
role = "intake_pulse"
input = 0
place = "port behind the throttle"
sees = [1, 2, 3, 4, 5, 6]
positive_is = "pressure"
lowpass_hz = 50
low_corner_hz = 2.0
travel_m = 0.4
volts_per_unit = 1.0
volts_at_zero = 0.0
[[probe]]
name = "spark"
role = "ignition_sync"
input = 1
cylinder = 1
every = "cycle"
offset_deg = -8
[[probe]]
name = "wheel"
role = "crank_teeth"
input = 2
teeth = "60-2"
edge = "falling"
first_tooth_deg = 84
[[probe]]
name = "p5"
role = "cylinder_pressure"
input = 3
cylinder = 5
added_volume_cc = 9.0
check_valve = false
[[probe]]
name = "cam"
role = "cam_sync"
input = 4
cylinder = 1
every = "cycle"
offset_deg = 60
[[fitted]]
what = "compression hose"
cylinder = 2
added_volume_cc = 12.0
[job]
complaint = "rough at idle when cold"
"""

ENGINE = """
schema = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
"""
INTAKE = '[[probe]]\nname = "intake"\nrole = "intake_pulse"\n'
LEAST = ENGINE + INTAKE


def refusal(text: str) -> str:
    with pytest.raises(SetupError) as caught:
        parse_setup(text, "engine.toml")
    return str(caught.value)


def test_the_whole_example_parses() -> None:
    setup = parse_setup(EXAMPLE)
    assert setup.engine.firing_order == (1, 5, 3, 6, 2, 4)
    assert setup.engine.displacement_cc == 2988.0
    assert setup.engine.valve_events_deg.intake_closes == 590.0
    assert setup.probe_named("intake").low_corner_hz == 2.0
    assert setup.probe_named("spark").offset_deg == -8.0
    assert setup.probe_named("wheel").teeth == "60-2"
    assert setup.fitted[0].added_volume_cc == 12.0
    assert setup.acquisition is not None and setup.acquisition.rate_hz == 10000
    assert setup.job == {"complaint": "rough at idle when cold"}


def test_the_least_that_is_needed_parses_with_its_defaults() -> None:
    setup = parse_setup(LEAST)
    probe = setup.probe[0]
    assert (probe.key, probe.unit, probe.every, probe.edge) == ("intake", "V", "cycle", "auto")
    assert setup.conditions.mode == "cranking"
    assert setup.conditions.fuel is None
    assert setup.sees(probe) == (1, 3, 4, 2)


def test_a_column_comes_before_the_name_and_an_input_before_both() -> None:
    assert parse_setup(LEAST + 'column = "ch 1"\n').probe[0].key == "ch 1"
    assert parse_setup(LEAST + "input = 2\n").probe[0].key == 2


def test_job_is_free() -> None:
    setup = parse_setup(LEAST + '[job]\nwhoever = "x"\nwhen = 2026-11-02\n[job.more]\na = [1, "b"]\n')
    assert setup.job["more"] == {"a": [1, "b"]}


SYNC = '[[probe]]\nname = "spark"\nrole = "ignition_sync"\ncylinder = 1\n'
WHEEL = '[[probe]]\nname = "wheel"\nrole = "crank_teeth"\n'
P2 = '[[probe]]\nname = "p2"\nrole = "cylinder_pressure"\ncylinder = 2\n'


def with_engine(line: str) -> str:
    return LEAST.replace("[1, 3, 4, 2]\n", "[1, 3, 4, 2]\n" + line + "\n")


REFUSED: list[tuple[str, str, str, str]] = [
    # what is wrong, the text, the place as stated, words that must be there
    ("not TOML", "schema = = 1", "engine.toml", "not valid TOML"),
    (
        "a decimal comma",
        LEAST + "travel_m = 0,4 # m\n",
        "at line 9",
        "write the decimal comma as a point: 0.4",
    ),
    ("a list's end", LEAST + "sees = [1, 2\n", "engine.toml", "mend that place"),
    ("no schema", LEAST.replace("schema = 1", ""), "schema", "'schema' is missing"),
    ("a later schema", LEAST.replace("schema = 1", "schema = 2"), "line 2, schema", "expected: schema = 1"),
    ("schema true", LEAST.replace("schema = 1", "schema = true"), "schema", "expected: schema = 1"),
    ("no engine", "schema = 1\n" + INTAKE, "engine", "'engine' is missing"),
    ("no count", LEAST.replace("cylinders = 4", ""), "engine.cylinders", "'cylinders' is missing"),
    (
        "no order",
        LEAST.replace("firing_order = [1, 3, 4, 2]", ""),
        "engine.firing_order",
        "'firing_order' is missing",
    ),
    ("no probe", ENGINE, "probe", "[[probe]]"),
    ("an empty list of probes", "probe = []\n" + ENGINE, "probe", "at least one [[probe]]"),
    ("no name", ENGINE + '[[probe]]\nrole = "other"\n', "line 6, probe[0].name", "'name' is missing"),
    (
        "no role",
        ENGINE + '[[probe]]\nname = "a"\n',
        "line 6, probe[0].role (probe 'a')",
        "intake_pulse, exhaust_pulse",
    ),
    (
        "an unknown role",
        LEAST.replace("intake_pulse", "intake_puls"),
        "line 8, probe[0].role",
        "did you mean 'intake_pulse'?",
    ),
    ("text for a number", LEAST + 'travel_m = "0.4"\n', "probe[0].travel_m", "expected: a number"),
    ("a fraction for a whole number", LEAST + "input = 1.5\n", "probe[0].input", "expected: a whole number"),
    ("true for a number", LEAST + "travel_m = true\n", "probe[0].travel_m", "found:    true"),
    ("a table for probes", ENGINE + '[probe]\nname = "a"\n', "line 6, probe", "a list in [ ]"),
    (
        "an unknown key",
        LEAST + "low_cornr_hz = 2\n",
        "line 9, probe[0].low_cornr_hz (probe 'intake')",
        "did you mean 'low_corner_hz'?",
    ),
    (
        "a key of elsewhere",
        LEAST + "rate_hz = 2\n",
        "line 9, probe[0].rate_hz",
        "'rate_hz' belongs to acquisition",
    ),
    ("an unknown key at the top", "tittle = 'x'\n" + LEAST, "line 1, tittle", "did you mean 'title'?"),
    (
        "an unknown engine key",
        with_engine("cylinder = 4"),
        "line 6, engine.cylinder",
        "did you mean 'cylinders'?",
    ),
    (
        "an unknown valve event",
        with_engine("[engine.valve_events_deg]\nintake_open = 350"),
        "line 7, engine.valve_events_deg.intake_open",
        "did you mean 'intake_opens'?",
    ),
    (
        "an unknown condition",
        LEAST + "[conditions]\nfuell = 'on'\n",
        "line 10, conditions.fuell",
        "did you mean 'fuel'?",
    ),
    (
        "an unknown fitted key",
        LEAST + "[[fitted]]\nwhat = 'x'\ncylinder = 1\nvolume_cc = 2\n",
        "line 12, fitted[0].volume_cc",
        "added_volume_cc",
    ),
    ("no cylinders", LEAST.replace("cylinders = 4", "cylinders = 0"), "line 4, engine.cylinders", "1 to 12"),
    ("too many cylinders", LEAST.replace("cylinders = 4", "cylinders = 13"), "engine.cylinders", "1 to 12"),
    (
        "an order that repeats",
        LEAST.replace("[1, 3, 4, 2]", "[1, 3, 3, 2]"),
        "line 5, engine.firing_order",
        "1 to 4 once",
    ),
    ("an order too short", LEAST.replace("[1, 3, 4, 2]", "[1, 3, 2]"), "engine.firing_order", "[1, 3, 2]"),
    (
        "intervals too few",
        with_engine("firing_intervals_deg = [360, 360]"),
        "engine.firing_intervals_deg",
        "4 intervals",
    ),
    (
        "intervals that do not sum",
        with_engine("firing_intervals_deg = [180, 180, 180, 170]"),
        "engine.firing_intervals_deg",
        "found:    710",
    ),
    (
        "an interval of nothing",
        with_engine("firing_intervals_deg = [360, 0, 180, 180]"),
        "engine.firing_intervals_deg",
        "above 0",
    ),
    ("a bore of nothing", with_engine("bore_mm = 0"), "engine.bore_mm", "above 0"),
    ("litres", with_engine("displacement_cc = 3.0"), "engine.displacement_cc", "3 litres are 3000"),
    ("cubic inches", with_engine("displacement_cc = 122"), "engine.displacement_cc", "180 to 16000 cc"),
    ("a bore in inches", with_engine("bore_mm = 3.5"), "engine.bore_mm", "25 to 200 mm"),
    ("a stroke in centimetres", with_engine("stroke_mm = 8.19"), "engine.stroke_mm", "25 to 250 mm"),
    ("a rod in metres", with_engine("rod_mm = 0.14"), "engine.rod_mm", "40 to 450 mm"),
    ("a way in centimetres", LEAST + "travel_m = 40\n", "line 9, probe[0].travel_m", "40 cm are 0.4"),
    ("a corner in millihertz", LEAST + "low_corner_hz = 500\n", "probe[0].low_corner_hz", "0 to 50 Hz"),
    ("a low-pass in kilohertz", LEAST + "lowpass_hz = 0.05\n", "probe[0].lowpass_hz", "1 to 20000 Hz"),
    (
        "Fahrenheit",
        LEAST + "[conditions]\nengine_temperature_c = 190\n",
        "conditions.engine_temperature_c",
        "190 F are 88",
    ),
    (
        "a hose in litres",
        LEAST + "[[fitted]]\nwhat = 'hose'\ncylinder = 1\nadded_volume_cc = 0.009\n",
        "fitted[0].added_volume_cc ('hose')",
        "0.1 to 300 cc, or 0 for none",
    ),
    ("a negative displacement", with_engine("displacement_cc = -2"), "engine.displacement_cc", "above 0"),
    (
        "a compression in bar",
        with_engine("compression_ratio = 140"),
        "engine.compression_ratio",
        "not the pressure",
    ),
    ("a rod too short", with_engine("stroke_mm = 80\nrod_mm = 40"), "engine.rod_mm", "more than 40"),
    (
        "a valve event from another zero",
        with_engine("valve_events_deg.intake_opens = -10"),
        "engine.valve_events_deg.intake_opens",
        "firing TDC = 0",
    ),
    ("not a number", LEAST + "travel_m = nan\n", "line 9, probe[0].travel_m", "finite"),
    (
        "infinity",
        with_engine("firing_intervals_deg = [inf, 1, 1, 1]"),
        "engine.firing_intervals_deg[0]",
        "finite",
    ),
    (
        "another test",
        LEAST + "[conditions]\nmode = 'snap throttle'\n",
        "line 10, conditions.mode",
        "does not judge the test 'snap throttle'",
    ),
    (
        "an unknown fuel state",
        LEAST + "[conditions]\nfuel = 'off'\n",
        "conditions.fuel",
        "disabled, clear_flood, on",
    ),
    (
        "an impossible temperature",
        LEAST + "[conditions]\nengine_temperature_c = 361\n",
        "conditions.engine_temperature_c",
        "Celsius",
    ),
    (
        "an unknown acknowledgement",
        LEAST + "[conditions]\nacknowledged = ['plug_out']\n",
        "line 10, conditions.acknowledged[0]",
        "plug_out_ignition_on or fuel_on_ignition_disabled",
    ),
    ("an empty name", LEAST.replace('"intake"', '""'), "probe[0].name", "not a usable name"),
    ("blanks around a name", LEAST.replace('"intake"', '" intake"'), "probe[0].name", "not a usable name"),
    (
        "a name used twice",
        LEAST + INTAKE,
        "line 10, probe[1].name (probe 'intake')",
        "name 'intake' is used twice",
    ),
    (
        "an input used twice",
        LEAST + "input = 1\n" + SYNC + "input = 1\n",
        "line 14, probe[1].input (probe 'spark')",
        "input 1 is used twice",
    ),
    (
        "a column used twice",
        LEAST + "column = 'a'\n" + SYNC + "column = 'a '\n",
        "probe[1].column",
        "column 'a' is used twice",
    ),
    (
        "a column that is another's name",
        LEAST + SYNC + "column = 'intake'\n",
        "probe[1].column",
        "column 'intake' is used twice",
    ),
    (
        "input and column",
        LEAST + "input = 1\ncolumn = 'a'\n",
        "probe[0].column",
        "both an input and a column",
    ),
    ("a negative input", LEAST + "input = -1\n", "probe[0].input", "0 or more"),
    ("an empty column", LEAST + "column = ' '\n", "probe[0].column", "an empty column name"),
    (
        "inputs for some only",
        LEAST + "input = 1\n" + SYNC,
        "probe[1].input (probe 'spark')",
        "for none (a CSV file)",
    ),
    (
        "acquisition with columns",
        LEAST + "column = 'a'\n[acquisition]\nrate_hz = 1000\n",
        "line 10, acquisition",
        "take [acquisition] out for a CSV file",
    ),
    (
        "a rate of nothing",
        LEAST + "input = 1\n[acquisition]\nrate_hz = 0\n",
        "line 11, acquisition.rate_hz",
        "above 0",
    ),
    ("no rate", LEAST + "input = 1\n[acquisition]\n", "line 10, acquisition.rate_hz", "'rate_hz' is missing"),
    (
        "a baud rate of nothing",
        LEAST + "input = 1\n[acquisition]\nrate_hz = 1\nbaud = -1\n",
        "acquisition.baud",
        "above 0",
    ),
    (
        "a sync without cylinder",
        LEAST + SYNC.replace("cylinder = 1\n", ""),
        "probe[1].cylinder (probe 'spark')",
        "needs its cylinder",
    ),
    (
        "a pressure without cylinder",
        LEAST + P2.replace("cylinder = 2\n", ""),
        "probe[1].cylinder (probe 'p2')",
        "needs its cylinder",
    ),
    (
        "a cylinder that is not there",
        LEAST + P2.replace("= 2", "= 5"),
        "line 12, probe[1].cylinder",
        "1 to 4",
    ),
    ("a wheel without teeth", LEAST + WHEEL, "probe[1].teeth (probe 'wheel')", "a wheel needs its teeth"),
    (
        "a wheel of one number",
        LEAST + WHEEL + "teeth = '60'\n",
        "line 12, probe[1].teeth",
        "not of the form N-M",
    ),
    ("a gap of nothing", LEAST + WHEEL + "teeth = '60-0'\n", "probe[1].teeth", "lacks at least one tooth"),
    ("a wheel that is all gaps", LEAST + WHEEL + "teeth = '4-1-1-1'\n", "probe[1].teeth", "too few teeth"),
    ("a wheel of too many teeth", LEAST + WHEEL + "teeth = '10000-2'\n", "probe[1].teeth", "more than 720"),
    ("angles that do not begin at 0", LEAST + WHEEL + "teeth = [10, 20]\n", "probe[1].teeth", "the first 0"),
    ("angles that do not ascend", LEAST + WHEEL + "teeth = [0, 20, 20]\n", "probe[1].teeth", "ascending"),
    ("angles beyond a revolution", LEAST + WHEEL + "teeth = [0, 360]\n", "probe[1].teeth", "below 360"),
    ("one angle only", LEAST + WHEEL + "teeth = [0]\n", "probe[1].teeth", "two angles or more"),
    ("text among angles", LEAST + WHEEL + "teeth = [0, 'a']\n", "probe[1].teeth[1]", "expected: a number"),
    (
        "a first tooth of no edge",
        LEAST + WHEEL + "teeth = '36-1'\nfirst_tooth_deg = 4\n",
        "probe[1].first_tooth_deg",
        'edge = "rising" or edge = "falling"',
    ),
    (
        "a first tooth far off",
        LEAST + WHEEL + "teeth = '36-1'\nedge = 'rising'\nfirst_tooth_deg = 800\n",
        "probe[1].first_tooth_deg",
        "modulo 360",
    ),
    (
        "an offset of a cycle",
        LEAST + SYNC + "offset_deg = 720\n",
        "line 13, probe[1].offset_deg",
        "between -720 and 720",
    ),
    ("an unknown period", LEAST + SYNC + "every = 'turn'\n", "probe[1].every", "cycle, revolution"),
    ("hearing a stranger", LEAST + "sees = [1, 5]\n", "probe[0].sees", "some of 1 to 4"),
    ("hearing nothing", LEAST + "sees = []\n", "probe[0].sees", "some of 1 to 4"),
    ("hearing one twice", LEAST + "sees = [1, 1]\n", "probe[0].sees", "each once"),
    ("a filter at nothing", LEAST + "lowpass_hz = 0\n", "probe[0].lowpass_hz", "above 0"),
    ("a negative corner", LEAST + "low_corner_hz = -1\n", "probe[0].low_corner_hz", "0 or more"),
    ("a negative path", LEAST + "travel_m = -1\n", "probe[0].travel_m", "0 or more"),
    ("a negative volume", LEAST + P2 + "added_volume_cc = -1\n", "probe[1].added_volume_cc", "0 or more"),
    ("a scale of nothing", LEAST + "volts_per_unit = 0\n", "probe[0].volts_per_unit", "not 0"),
    (
        "a scale in mV",
        LEAST + "input = 0\nvolts_per_unit = 500\n",
        "probe[0].volts_per_unit",
        "0.0001 to 100 V for one kPa",
    ),
    (
        "a clamp's mV",
        LEAST
        + "input = 0\n[[probe]]\nname = 's'\nrole = 'starter_current'\ninput = 1\nvolts_per_unit = 10\n",
        "probe[1].volts_per_unit",
        "0.0001 to 1 V for one A",
    ),
    (
        "a transducer's mV",
        LEAST + "input = 0\n" + P2 + "input = 1\nvolts_per_unit = -2\n",
        "probe[1].volts_per_unit",
        "1e-05 to 1 V for one kPa",
    ),
    (
        "edges of a board",
        LEAST + SYNC.replace("ignition_sync", "cam_sync") + "sampling = 'edges'\ninput = 1\n",
        "probe[0].input",
        "a probe without an input",
    ),
    (
        "edges of a board's only probe",
        ENGINE + SYNC + "sampling = 'edges'\ninput = 1\n",
        "probe[0].sampling",
        "the board knows",
    ),
    ("edges of a waveform", LEAST + "sampling = 'edges'\n", "probe[0].sampling", "cannot give the waveform"),
    (
        "edges for some only",
        ENGINE + SYNC + "sampling = 'edges'\n" + WHEEL + "teeth = '36-1'\n",
        "probe[1].sampling",
        "or for none",
    ),
    (
        "fitted without a name",
        LEAST + "[[fitted]]\nwhat = ''\ncylinder = 1\nplug_removed = true\n",
        "fitted[0].what",
        "no name",
    ),
    (
        "fitted nowhere",
        LEAST + "[[fitted]]\nwhat = 'hose'\nplug_removed = true\n",
        "fitted[0].cylinder",
        "'cylinder' is missing",
    ),
    (
        "fitted in a stranger",
        LEAST + "[[fitted]]\nwhat = 'hose'\ncylinder = 9\nplug_removed = true\n",
        "fitted[0].cylinder ('hose')",
        "1 to 4",
    ),
    (
        "fitted with no effect",
        LEAST + "[[fitted]]\nwhat = 'hose'\ncylinder = 1\n",
        "fitted[0].added_volume_cc",
        "plug_removed = true",
    ),
    (
        "fitted with less than nothing",
        LEAST + "[[fitted]]\nwhat = 'hose'\ncylinder = 1\nadded_volume_cc = -1\n",
        "line 12, fitted[0].added_volume_cc",
        "0 or more",
    ),
]


@pytest.mark.parametrize(
    ("text", "place", "words"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED]
)
def test_what_is_wrong_is_refused_with_its_place_and_what_to_do(text: str, place: str, words: str) -> None:
    message = refusal(text)
    first = message.splitlines()[0]
    assert first.startswith("engine.toml")
    assert place in first
    assert words in message
    assert "do this:" in message


ODD_VALUES = [
    '"x"',
    '""',
    "-1",
    "0",
    "1e400",
    "nan",
    "[]",
    "[[1]]",
    "{}",
    "{ a = 1 }",
    "true",
    "2026-01-01",
    "[1, 'a']",
]

MANY_MISTAKES = """schema = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 4]
stroke = 80
bore_mm = "86"
rod_mm = nan
[conditions]
mode = "crank"
[acquisition]
rate_hz = 0
[[probe]]
name = "intake"
role = "intake"
[[probe]]
name = "p5"
role = "cylinder_pressure"
cylinder = 5
input = 0
[[probe]]
role = "starter_current"
[[probe]]
name = "cam"
role = "cam_sync"
cylinder = 2
offset_deg = 900
input = 0
[[fitted]]
what = "hose"
cylinder = 7
"""


def all_of(text: str) -> list[str]:
    with pytest.raises(SetupError) as caught:
        parse_setup(text, "engine.toml")
    return [str(caught.value), *getattr(caught.value, "__notes__", ())]


def test_every_mistake_is_told_at_once_in_the_order_of_the_file() -> None:
    assert [told.splitlines()[0].partition(": ")[0] for told in all_of(MANY_MISTAKES)] == [
        "engine.toml, line 4, engine.firing_order",
        "engine.toml, line 5, engine.stroke",
        "engine.toml, line 6, engine.bore_mm",
        "engine.toml, line 7, engine.rod_mm",
        "engine.toml, line 9, conditions.mode",
        "engine.toml, line 11, acquisition.rate_hz",
        "engine.toml, line 14, probe[0].role (probe 'intake')",
        "engine.toml, line 18, probe[1].cylinder (probe 'p5')",
        "engine.toml, line 20, probe[2].name",
        "engine.toml, line 26, probe[3].offset_deg (probe 'cam')",
        "engine.toml, line 27, probe[3].input (probe 'cam')",
        "engine.toml, line 28, fitted[0].added_volume_cc ('hose')",
        "engine.toml, line 30, fitted[0].cylinder ('hose')",
    ]


def test_a_key_that_several_things_are_wrong_with_is_told_once() -> None:
    told = all_of(ENGINE.replace("[1, 3, 4, 2]", "[1, 3, 4, 9]\nfiring_intervals_deg = [0, 5]") + INTAKE)
    assert len(told) == 2


LEADS_TO_ANOTHER = {"cylinders = 3", "cylinders = 4"}
"""Of a six, whose order and intervals these contradict."""


@pytest.mark.parametrize("value", [*ODD_VALUES, '"cranking"', "3", "4"])
def test_one_mistake_is_told_as_one(value: str) -> None:
    lines = EXAMPLE.splitlines()
    for number, line in enumerate(lines):
        key = line.partition(" = ")[0]
        if " = " not in line or f"{key} = {value}" in LEADS_TO_ANOTHER:
            continue
        try:
            parse_setup("\n".join([*lines[:number], f"{key} = {value}", *lines[number + 1 :]]))
        except SetupError as error:
            assert not hasattr(error, "__notes__"), f"{key} = {value}: {error.__notes__}"


@pytest.mark.parametrize(
    ("role_lines", "line", "for_roles"),
    [
        (INTAKE, "cylinder = 1", "cylinder_pressure, ignition_sync"),
        (INTAKE, "every = 'revolution'", "cam_sync"),
        (INTAKE, "offset_deg = 4", "cam_sync"),
        (INTAKE, "teeth = '60-2'", "crank_teeth"),
        (INTAKE, "edge = 'rising'", "crank_teeth"),
        (INTAKE, "first_tooth_deg = 4", "crank_teeth"),
        (INTAKE, "added_volume_cc = 4", "cylinder_pressure"),
        (INTAKE, "check_valve = true", "cylinder_pressure"),
        (SYNC, "edge = 'rising'", "crank_teeth"),
        (
            SYNC,
            "positive_is = 'vacuum'",
            "crankcase_pulse, exhaust_pulse and intake_pulse",
        ),
        (SYNC, "lowpass_hz = 50", "intake_pulse"),
        (SYNC, "low_corner_hz = 2", "intake_pulse"),
        (SYNC, "travel_m = 2", "exhaust_pulse"),
        (SYNC, "sees = [1]", "intake_pulse"),
    ],
)
def test_a_key_that_means_nothing_for_the_role_is_refused(role_lines: str, line: str, for_roles: str) -> None:
    message = refusal(ENGINE + role_lines + line + "\n")
    assert f"'{line.split()[0]}' means nothing for the role" in message.splitlines()[0]
    assert for_roles in message


def test_a_default_written_out_on_any_role_is_no_error() -> None:
    assert parse_setup(LEAST + "every = 'cycle'\ncheck_valve = false\n").probe[0].every == "cycle"


def test_no_line_is_named_where_a_text_of_several_lines_could_mislead() -> None:
    text = 'title = """\n[engine]\ncylinders = 9\n"""\n' + LEAST.replace("cylinders = 4", "cylinders = 99")
    assert "line" not in refusal(text).splitlines()[0]


@pytest.mark.parametrize(
    "deep",
    ["[" * 3000 + "]" * 900, "{a = " * 900 + "1" + "}" * 900, "[" * 1500],
    ids=["lists", "tables", "open"],
)
def test_lists_and_tables_however_deep_are_refused(deep: str) -> None:
    said = refusal(LEAST + f"[job]\nx = {deep[:3900]}\n")
    assert "set-up" in said or "TOML" in said


def test_a_line_of_endless_parts_is_refused_before_it_costs_memory() -> None:
    assert "line 4" in refusal("schema = 1\n" + "# a\n" * 2 + "a" + ".a" * 100_000 + " = 1\n")


def test_nested_brackets_on_lines_of_their_own_are_not_taken_for_tables() -> None:
    text = (
        LEAST.replace("firing_order = [1, 3, 4, 2]", "firing_order = [\n  1, 3,\n  4, 2,\n]")
        + "travel_m = -1\n"
    )
    assert "line 12, probe[0].travel_m" in refusal(text)


@pytest.mark.parametrize(
    ("teeth", "slots", "gaps"),
    [("60-2", 60, (2,)), ("36-1", 36, (1,)), ("36-2-2-2", 36, (2, 2, 2)), ("4-1", 4, (1,))],
)
def test_wheels(teeth: str, slots: int, gaps: tuple[int, ...]) -> None:
    assert wheel_slots(teeth) == (slots, gaps)
    assert parse_setup(LEAST + WHEEL + f"teeth = '{teeth}'\n").probe[1].teeth == teeth


def test_a_wheel_may_be_a_list_of_angles_in_whole_degrees() -> None:
    assert parse_setup(LEAST + WHEEL + "teeth = [0, 20, 50.5]\n").probe[1].teeth == (0.0, 20.0, 50.5)


def test_intervals_of_a_seven_may_be_rounded_to_two_decimals() -> None:
    text = (
        "schema = 1\n[engine]\ncylinders = 7\nfiring_order = [1, 3, 5, 7, 2, 4, 6]\n"
        "firing_intervals_deg = [102.86, 102.86, 102.86, 102.86, 102.86, 102.86, 102.86]\n"
    )
    assert isinstance(parse_setup(text + INTAKE), Setup)


def test_an_unknown_probe_name_raises_key_error() -> None:
    with pytest.raises(KeyError):
        parse_setup(LEAST).probe_named("exhaust")


def test_the_unit_is_the_roles_only_where_a_scale_is_given() -> None:
    assert Probe(name="a", role="starter_current", volts_per_unit=0.01).unit == "A"
    # A file may hold millivolts, or pressure in hPa or Pa, instead of volts.
    for role, scale in (("starter_current", 10), ("manifold_pressure", 10), ("intake_pulse", -1000)):
        parse_setup(f"{ENGINE}[[probe]]\nname = 'a'\nrole = '{role}'\nvolts_per_unit = {scale}\n")
    assert Probe(name="a", role="starter_current").unit == "V"


@pytest.mark.parametrize("value", ODD_VALUES)
def test_any_value_at_any_key_is_taken_or_refused_with_its_place(value: str) -> None:
    lines = EXAMPLE.splitlines()
    refused = 0
    for number, line in enumerate(lines):
        if " = " not in line:
            continue
        changed = [*lines[:number], f"{line.partition(' = ')[0]} = {value}", *lines[number + 1 :]]
        try:
            parse_setup("\n".join(changed), "engine.toml")
        except SetupError as error:
            refused += 1
            assert error.where.startswith("engine.toml")
            assert error.todo
    assert refused > 20


@pytest.mark.parametrize("name", ["probe", "fitted"])
@pytest.mark.parametrize("value", ODD_VALUES)
def test_any_value_in_the_place_of_all_probes_or_fitted_parts_is_refused_with_its_place(
    name: str, value: str
) -> None:
    lists = "" if name == "probe" else '[[probe]]\nname = "a"\nrole = "other"\n'
    text = f"schema = 1\n{name} = {value}\n[engine]\ncylinders = 1\nfiring_order = [1]\ncolour = 1\n{lists}"
    with pytest.raises(SetupError) as refused:
        parse_setup(text, "engine.toml")
    assert refused.value.where.startswith("engine.toml")
    together = [str(refused.value), *getattr(refused.value, "__notes__", [])]
    assert any("colour" in one for one in together)


def test_a_file_without_any_of_its_lines_is_taken_or_refused() -> None:
    lines = EXAMPLE.splitlines()
    for number in range(len(lines)):
        try:
            parse_setup("\n".join(lines[:number] + lines[number + 1 :]))
        except SetupError as error:
            assert error.todo


def test_types_are_worked_out_before_threads_can_need_them_at_once() -> None:
    # msgspec reads a class's annotations as it works its type out; two threads doing so at once crash it.
    program = """
import sys, tomllib
import msgspec
from evenstroke_dsp.setup import Setup
called = set()
tree = tomllib.loads(sys.argv[1])
sys.setprofile(lambda frame, event, _: called.add(frame.f_code.co_name))
setup = msgspec.convert(tree, Setup)
sys.setprofile(None)
assert setup.acquisition is not None
assert not {name for name in called if "annotations" in name}, called
"""
    done = subprocess.run(
        [sys.executable, "-c", program, EXAMPLE], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
