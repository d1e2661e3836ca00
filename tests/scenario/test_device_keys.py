"""Everything a scenario may say of devices: what it resolves to, and one clear fault for each slip (issue 4, item 1)."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from ampsoak.coverage import laws
from ampsoak.coverage.relays import ELECTRONIC
from ampsoak.scenario import load_scenario_text, scenario_schema
from ampsoak.scenario.device_case import DeviceChoice, LetThrough, LoadPoint, Reclosing, RelayChoice
from ampsoak.scenario.device_record import device_of_record, device_record, load_point_of_record, load_point_record
from ampsoak.scenario.model_devices import CURVES_WITH_RESET, RELAY_CURVES

BREAKER = 'name = "breaker"\nstandard = "UL 489"\nrating = "15 A"\n'
LINE = 'line = [["20 A", "1 h"], ["30 A", "1 min"], ["60 A", "5 s"]]\n'
RELAY = '[[relay]]\nname = "feeder"\npickup = "100 A"\ncurve = "IEC very inverse"\nsetting = 0.2\n'
WORKSHOP = f"""\
[[device]]
name = "by line"
circuit = "load"
rating = "16 A"
{LINE}current_tolerance = 0.1
time_tolerance = 0.2
start_state = "hot"
breaking_capacity = "6 kA"
let_through = {{ energy = "20000 A2.s", current = "3 kA", source = "sheet 4" }}
opening_time = "20 ms"
source = "sheet 3"
[[relay]]
name = "last"
pickup = "100 A"
curve = "IEEE very inverse"
setting = 2
reset = "curve"
threshold = 1.2
tolerance = 0.07
instantaneous = {{ hold = "800 A", trip = "1 kA" }}
opening_time = "60 ms"
breaking_capacity = "10 kA"
source = "protocol 7"
[[load_point]]
name = "heater"
circuit = "load"
current = "15 A"
duration = "2 h"
source = "plate"
[[load_point]]
name = "pump"
motor = {{ full_load = "5 A", start_time = "3 s", multiple = 7 }}
[[load_point]]
name = "welder"
transformer = {{ full_load = "4 A" }}
[reclosing]
delay = "1 min"
attempts = 3
"""


def test_every_key_reaches_the_case(sound):
    scenario = load_scenario_text(sound + WORKSHOP)
    breaker, line, relay = scenario.devices  # as they stand in the file: upstream first
    assert breaker.name == "breaker"
    # 10 % of the current and 20 % of the time either way (arithmetic)
    assert np.array(line.fast) == pytest.approx(np.array([(18.0, 2880.0), (27.0, 48.0), (54.0, 4.0)]))
    assert np.array(line.slow) == pytest.approx(np.array([(22.0, 4320.0), (33.0, 72.0), (66.0, 6.0)]))
    assert line.nominal == ((20.0, 3600.0), (30.0, 60.0), (60.0, 5.0))
    assert line.source == "sheet 3; one line with 0.1 of current either way and 0.2 of time either way"
    assert (line.circuit, line.start_state, line.breaking_capacity, line.opening_time) == ("load", "hot", 6000.0, 0.02)
    assert line.let_through == LetThrough(20000.0, 3000.0, 0, "sheet 4")
    assert relay == RelayChoice(
        "last", 100.0, "E", 2.0, "curve", 0.0, 1.2, 0.07, (800.0, 1000.0), 0.06, "protocol 7", "", 10_000.0
    )
    heater, *rules = scenario.load_points
    assert heater == LoadPoint("heater", 15.0, 7200.0, "plate", "load")
    # 7 x 5 A, 1.8 times that; 12 and 25 x 4 A (coordination practice and IEEE 242, both from memory)
    assert [(one.name, one.current, one.duration) for one in rules] == [
        ("pump start", 35.0, 3.0),
        ("pump start, first half cycle", pytest.approx(63.0), 0.01),
        ("welder inrush, 0.1 s", 48.0, 0.1),
        ("welder inrush, 0.01 s", 100.0, 0.01),
    ]
    assert scenario.reclosing == Reclosing(60.0, 3)


def test_order_in_the_file_is_the_order_in_series(sound):
    between = RELAY + '[[device]]\nname = "second"\nstandard = "UL 489"\nrating = "20 A"\n'
    head, tail = sound.split("[[device]]")
    scenario = load_scenario_text(f"{head}{between}[[device]]{tail}")
    assert [device.name for device in scenario.devices] == ["feeder", "second", "breaker"]


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ('delays = ["1 s", "30 s"]', Reclosing(delays=(1.0, 30.0))),
        ('times = ["10 min", "1 h"]', Reclosing(times=(600.0, 3600.0))),
        ('delay = "5 min"', Reclosing(300.0, 1)),
    ],
)
def test_three_ways_of_closing_again(keys, expected, sound):
    assert load_scenario_text(f"{sound}[reclosing]\n{keys}\n").reclosing == expected


def test_delays_are_taken_in_turn():
    """After an opening at 100 s the first attempt comes 1 s later, the second 30 s, then none (definition)."""
    again = Reclosing(delays=(1.0, 30.0))
    assert [again.after(100.0, done) for done in range(3)] == [101.0, 130.0, math.inf]


def test_ambient_and_energy_class_of_a_breaker(sound):
    keys = 'standard = "IEC 60898-1"\ntype = "B"\nrating = "16 A"\nambient = "40 degC"\nbreaking_capacity = "6 kA"\n'
    text = sound.replace('standard = "UL 489"\nrating = "15 A"\n', f"{keys}let_through = {{ energy_class = 3 }}\n")
    (breaker,) = load_scenario_text(text).devices
    assert breaker.ambient == pytest.approx(313.15)
    assert (breaker.let_through.energy_class, breaker.let_through.current) == (3, 6000.0)


def test_what_is_not_said_is_listed(sound):
    assumed = " ".join(load_scenario_text(sound + RELAY).assumptions)
    for words in ('"breaker": ambient not given: 25 °C', '"feeder": reset not given', '"feeder": threshold not given'):
        assert words in assumed


def test_curve_names_are_those_of_the_laws():
    """This floor may not import the laws, so it holds their names; here both are seen."""
    assert set(RELAY_CURVES.values()) == {*laws.RELAY_CURVES, ELECTRONIC}
    assert set(CURVES_WITH_RESET) == set(laws.RESET_TIMES)
    # IEC and IEEE mean different constants by the same words (facts section 8, trap 8): neither stands alone
    assert not {"very inverse", "extremely inverse"} & set(RELAY_CURVES)


@pytest.mark.parametrize("name", ["line", "relay", "class"])
def test_a_record_gives_the_device_back(name):
    """As JSON and back; what an older file lacks is filled, what a newer one adds is left out."""
    device = {
        "line": DeviceChoice("x", "points", "", 16.0, ((1.0, 2.0), (3.0, 1.0)), ((2.0, 2.0), (4.0, 1.0)), (50.0, 80.0), nominal=((1.5, 2.0),),
                             circuit="c", let_through=LetThrough(5.0, 6.0)),
        "relay": RelayChoice("r", 10.0, "A", 0.1, instantaneous=(30.0, 40.0)),
        "class": DeviceChoice("b", "IEC 60898-1", "B", 16.0, ambient=300.0, breaking_capacity=6e3, let_through=LetThrough(current=6e3, energy_class=3)),
    }[name]  # fmt: skip
    record = json.loads(json.dumps(device_record(device), allow_nan=False))
    again = device_of_record(record | {"from the future": 1})
    assert repr(again) == repr(device)  # nan does not equal itself
    old = {key: record[key] for key in ("name", "standard", "type", "rating") if key in record}
    if name != "relay":
        assert device_of_record(old) == DeviceChoice(device.name, device.standard, device.type, device.rating)
    point = LoadPoint("p", 3.0, 4.0, "s", "c")
    assert load_point_of_record(json.loads(json.dumps(load_point_record(point)))) == point


POINTS = 'fast = [["20 A", "50 s"], ["30 A", "5 s"]]\nslow = [["20 A", "90 s"], ["30 A", "9 s"]]\n'
# (what stands instead of the breaker's data, key of the fault, words of the message, nearest name)
DEVICE_SLIPS = {
    "line without a tolerance": (LINE, "device[0].line", "neither the earliest nor the latest time", None),
    "line with a tolerance of nothing": (f"{LINE}current_tolerance = 0\n", "device[0].line", "give its current_tol", None),
    "tolerance of all": (f"{LINE}current_tolerance = 1\n", "device[0].current_tolerance", "at most 0.9", None),
    "tolerance with a unit": (f'{LINE}time_tolerance = "10 %"\n', "device[0].time_tolerance", "plain number", None),
    "tolerance of a band": (f"{POINTS}current_tolerance = 0.1\n", "device[0].current_tolerance", "one drawn line", None),
    "line beside a band": (f"{LINE}{POINTS}current_tolerance = 0.1\n", "device[0].fast", "no place beside one line", None),
    "line of one point": ('line = [["20 A", "1 h"]]\ncurrent_tolerance = 0.1\n', "device[0].line", "at least 2", None),
    "line with swapped columns": (
        'line = [["5 A", "1 s"], ["9 A", "9 s"]]\ncurrent_tolerance = 0.1\n', "device[0].line[1][1]", "swapped", None,
    ),
    "currents that fall": (
        'line = [["9 A", "9 s"], ["5 A", "1 s"]]\ncurrent_tolerance = 0.1\n', "device[0].line[1][0]", "greater than", None,
    ),
    "line and standard": (f'{LINE}standard = "UL 489"\ncurrent_tolerance = 0.1\n', "device[0].standard", "beside line", None),
    "one edge": ('slow = [["20 A", "90 s"], ["30 A", "9 s"]]\n', "device[0].fast", "points of the fast edge", None),
    "crossed edges": (
        'fast = [["20 A", "50 s"], ["30 A", "5 s"]]\nslow = [["20 A", "90 s"], ["30 A", "4 s"]]\n', "device[0].fast",
        "at 30 A it is the later", None,
    ),
    "edges apart": (
        'fast = [["2 A", "50 s"], ["3 A", "5 s"]]\nslow = [["20 A", "90 s"], ["30 A", "9 s"]]\n', "device[0].fast",
        "no current in common", None,
    ),
    "air of points": (f'{POINTS}ambient = "40 degC"\n', "device[0].ambient", "points hold for the air", None),
    "unknown circuit": (f'{POINTS}circuit = "laod"\n', "device[0].circuit", "no such circuit", "load"),
    "air of a fuse": (
        'standard = "IEC 60269"\ntype = "gG"\nrating = "16 A"\nambient = "40 degC"\n', "device[0].ambient", "no law for", None,
    ),
    "opening time of a breaker": (
        'standard = "UL 489"\nrating = "15 A"\nopening_time = "20 ms"\n', "device[0].opening_time", "end with the current",
        None,
    ),
    "rating outside the family": ('standard = "UL 489"\nrating = "17 A"\n', "device[0].rating", "no data for this", None),
    "let-through without its current": (
        f'{POINTS}let_through = {{ energy = "1 A2.s" }}\n', "device[0].let_through.current", "is missing", None,
    ),
    "let-through in thousands": (
        f'{POINTS}let_through = {{ energy = "45 kA2.s", current = "6 kA" }}\n', "device[0].let_through.energy", "A2.s", "A2.s",
    ),
    "class without breaking capacity": (
        f"{POINTS}let_through = {{ energy_class = 3 }}\n", "device[0].let_through", "breaking_capacity", None,
    ),
    "class beside a value": (
        f'{POINTS}breaking_capacity = "6 kA"\nlet_through = {{ energy_class = 3, energy = "1 A2.s" }}\n',
        "device[0].let_through.energy", "no place beside energy_class", None,
    ),
    "misspelt key": (f'{POINTS}breaking_capasity = "6 kA"\n', "device[0].breaking_capasity", "unknown key", "breaking_capacity"),
}  # fmt: skip
TABLE_SLIPS = {
    "relay without pickup": (RELAY.replace('pickup = "100 A"\n', ""), "relay[0].pickup", "is missing", None),
    "relay of no standard": (RELAY.replace("IEC very", "very"), "relay[0].curve", "must be one of", "IEC very inverse"),
    "relay without setting": (RELAY.replace("setting = 0.2\n", ""), "relay[0].setting", "time multiplier", None),
    "setting of nothing": (RELAY.replace("0.2", "0"), "relay[0].setting", "greater than 0", None),
    "time of a curve": (f'{RELAY}time_at_six = "10 s"\n', "relay[0].time_at_six", "give setting instead", None),
    "electronic without its time": (
        RELAY.replace("IEC very inverse", "electronic").replace("setting = 0.2\n", ""), "relay[0].time_at_six", "six times", None,
    ),
    "low instantaneous": (
        f'{RELAY}instantaneous = {{ hold = "90 A", trip = "200 A" }}\n', "relay[0].instantaneous.hold", "pickup, 100 A", None,
    ),
    "instantaneous the wrong way": (
        f'{RELAY}instantaneous = {{ hold = "900 A", trip = "200 A" }}\n', "relay[0].instantaneous.trip", "greater than hold", None,
    ),
    "reset without a time": (f'{RELAY}reset = "curve"\n', "relay[0].reset_time", "no standard fixes it", None),
    "memory without a time": (f'{RELAY}reset = "memory"\n', "relay[0].reset_time", "time constant", None),
    "time of an instant": (f'{RELAY}reset = "instant"\nreset_time = "9 s"\n', "relay[0].reset_time", "no place", None),
    "threshold": (f"{RELAY}threshold = 2\n", "relay[0].threshold", "at most 1.3", None),
    "a slow breaker": (f'{RELAY}opening_time = "1 h"\n', "relay[0].opening_time", "at most 10 s", None),
    "name of a device": (RELAY.replace("feeder", "breaker"), "relay[0].name", "name of a device", None),
    "load point of nothing": ('[[load_point]]\nname = "x"\n', "load_point[0]", "exactly one of", None),
    "load point without a time": ('[[load_point]]\nname = "x"\ncurrent = "9 A"\n', "load_point[0].duration", "how long", None),
    "load point twice": (
        '[[load_point]]\nname = "x"\ncurrent = "9 A"\nduration = "1 s"\nmotor = { full_load = "1 A", start_time = "1 s" }\n',
        "load_point[0]", "exactly one of", None,
    ),
    "load point by rule and time": (
        '[[load_point]]\nname = "x"\nduration = "1 s"\ntransformer = { full_load = "1 A" }\n', "load_point[0].duration",
        "says it by rule", None,
    ),
    "motor without a time": (
        '[[load_point]]\nname = "x"\nmotor = { full_load = "1 A" }\n', "load_point[0].motor.start_time", "is missing", None,
    ),
    "closing without a way": ("[reclosing]\nattempts = 2\n", "reclosing", "exactly one of", None),
    "closing two ways": ('[reclosing]\ndelay = "1 s"\ntimes = ["1 h"]\n', "reclosing", "exactly one of", None),
    "closing in no time": ('[reclosing]\ndelay = "0 s"\n', "reclosing.delay", "greater than 0", None),
    "attempts of delays": ('[reclosing]\ndelays = ["1 s"]\nattempts = 2\n', "reclosing.attempts", "says how often", None),
    "times that fall": ('[reclosing]\ntimes = ["2 h", "1 h"]\n', "reclosing.times[1]", "greater than the one before", None),
    "closing an unknown circuit": (
        '[reclosing]\ndelay = "1 s"\ncircuit = "laod"\n', "reclosing.circuit", "no such circuit", "load",
    ),
}  # fmt: skip


@pytest.mark.parametrize("slip", DEVICE_SLIPS)
def test_a_slip_in_a_device_is_one_fault_at_its_key(slip, faults_of, sound):
    keys, key, words, nearest = DEVICE_SLIPS[slip]
    (fault,) = faults_of(sound.replace('standard = "UL 489"\nrating = "15 A"\n', keys))
    assert (fault.key, fault.nearest) == (key, nearest)
    assert words in fault.message
    assert fault.file == "case.toml" and fault.line >= sound[: sound.index("[[device]]")].count("\n") + 1


@pytest.mark.parametrize("slip", TABLE_SLIPS)
def test_a_slip_in_a_relay_a_load_point_or_the_reclosing_is_one_fault_at_its_key(slip, faults_of, sound):
    text, key, words, nearest = TABLE_SLIPS[slip]
    (fault,) = faults_of(sound + text)
    assert (fault.key, fault.nearest) == (key, nearest)
    assert words in fault.message
    assert fault.line > sound.count("\n")


def test_all_slips_are_told_at_once(faults_of, sound):
    """Four slips in four tables: four faults, in the order of the file."""
    text = sound.replace('rating = "15 A"', 'rating = "17 A"') + RELAY.replace("0.2", "-1")
    text += '[[load_point]]\nname = "x"\ncurrent = "9 A"\n[reclosing]\ndelay = "1 A"\n'
    found = faults_of(text)
    assert [fault.key for fault in found] == ["device[0].rating", "relay[0].setting", "load_point[0].duration", "reclosing.delay"]


def test_closing_with_nothing_to_close_is_a_fault(faults_of, sound):
    head = sound[: sound.index("[[device]]")]
    (fault,) = faults_of(f'{head}[reclosing]\ndelay = "1 s"\n')
    assert "no device to close" in fault.message


def test_a_line_may_come_from_a_file(tmp_path, faults_of, sound):
    (tmp_path / "line.csv").write_text("I,t\n20,60\n30,10\n")
    keys = 'line_csv = { file = "line.csv", current_column = "I", time_column = "t", current_unit = "A", time_unit = "min" }\n'
    text = sound.replace('standard = "UL 489"\nrating = "15 A"\n', f"{keys}time_tolerance = 0.25\n")
    (device,) = load_scenario_text(text, "case.toml", tmp_path).devices
    assert np.array(device.slow) == pytest.approx(np.array([(20.0, 4500.0), (30.0, 750.0)]))
    (tmp_path / "line.csv").write_text("I,t\n20,10\n30,60\n")
    (fault,) = faults_of(text)
    assert fault.key == "device[0].line_csv" and "swapped" in fault.message


@pytest.mark.parametrize("rows", ["3600,29\n100,50\n7,125\n", "7,125\n100,50\n3600,29\n"])
def test_swapped_columns_of_a_file_are_told_once_with_its_line(tmp_path, faults_of, sound, rows):
    """No device has to open below its rating, so a column from 7 up beside one from 29 A up is no current of a 25 A device."""
    (tmp_path / "line.csv").write_text(f"# off the sheet\ntime,current\n{rows}")
    keys = 'line_csv = {{ file = "line.csv", current_column = "{}", time_column = "{}", current_unit = "A", time_unit = "s" }}\n'
    text = sound.replace('standard = "UL 489"\nrating = "15 A"\n', 'rating = "25 A"\ntime_tolerance = 0.25\n')
    (fault,) = faults_of(text.replace("time_tolerance", keys.format("time", "current") + "time_tolerance"))
    assert (fault.file.endswith("line.csv"), fault.line, "swapped" in fault.message) == (True, 3, True)
    right = text.replace("time_tolerance", keys.format("current", "time") + "time_tolerance")
    if rows.startswith("3600"):
        assert load_scenario_text(right, "case.toml", tmp_path).devices[0].rating == 25.0


def test_the_schema_takes_it(sound):
    jsonschema = pytest.importorskip("jsonschema")
    import tomllib

    check = jsonschema.Draft4Validator(scenario_schema())
    assert check.is_valid(tomllib.loads(sound + WORKSHOP))
    assert not check.is_valid(tomllib.loads(sound + RELAY.replace("IEC very", "very")))


def test_every_key_of_devices_is_described():
    """The reference of keys is the docstring: a key that is not in it cannot be found."""
    from ampsoak.scenario import model, model_devices

    said = model.__doc__
    for keys in vars(model_devices).values():
        if isinstance(keys, type) and keys.__module__ == model_devices.__name__ and keys.__name__ != "Tolerance":
            for name in keys.model_fields:
                assert re.search(rf"\b{name}\b", said), f"{keys.__name__}.{name}"
