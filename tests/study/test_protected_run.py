"""Devices in the loop: the cable sees the current that is left, heat flows on, and the words say only that."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from wire_case import ROOM, small_case

from ampsoak.base.errors import FileError, UsageError
from ampsoak.coverage.device_images import device_image
from ampsoak.coverage.operating import Reclosing, operate
from ampsoak.coverage.own_curves import device_from_line
from ampsoak.coverage.protected import run_of_record
from ampsoak.coverage.relays import Relay
from ampsoak.runfile.provenance import verify
from ampsoak.runfile.read import open_run
from ampsoak.scenario.case import Circuit, CurrentProfile, DeviceChoice, Limit, RelayChoice, Start
from ampsoak.study.protection import protected_run
from ampsoak.study.run import simulate

TOLERANCE = 0.05  # [K] of the runs
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)


def with_profile(scenario, profile, duration=None):
    run = scenario.run if duration is None else replace(scenario.run, duration=duration)
    return replace(scenario, circuits=(replace(scenario.circuits[0], profile=profile),), run=run)


def test_with_a_device_the_cable_is_that_of_the_cut_history(overload):
    """Stepping the scenario with the current cut at the opening gives the same peaks (two ways to one answer)."""
    found = protected_run(overload, edges=("slow",))
    edge = found.edges[0]
    cut = with_profile(overload, edge.operating.profile)
    whole = simulate(cut)
    assert edge.operating.opens.time == pytest.approx(
        117.0, abs=0.6
    )  # slow image at 2 x rated (facts section 2, computed)
    at = int(np.argmin(np.abs(whole.time - edge.operating.opens.time)))
    assert whole.time[at] == pytest.approx(edge.operating.opens.time)  # a change of current ends a step
    assert edge.at_opening == pytest.approx(whole.part_maximum[at], abs=2 * TOLERANCE)
    assert edge.reached.peak == pytest.approx(whole.part_maximum.max(axis=0), abs=2 * TOLERANCE)


def test_with_no_device_it_is_the_plain_run(overload):
    """The course with no device is the run itself (identity, both within the stepping tolerance)."""
    found, plain_run = protected_run(overload), simulate(overload)
    assert found.without.peak == pytest.approx(plain_run.part_maximum.max(axis=0), abs=2 * TOLERANCE)
    passed = {event.name: event.time for event in plain_run.events if event.kind == "limit_reached"}
    assert found.without.limit_time == pytest.approx([passed["line 70"], passed["fill 60"]], rel=2e-3)


def test_later_edges_reach_more(overload):
    """Fast, nominal, slow open in this order and nothing gets cooler for it (monotonicity)."""
    found = protected_run(overload)
    times = [edge.operating.opens.time for edge in found.edges]
    assert [edge.edge for edge in found.edges] == ["fast", "nominal", "slow"]
    assert times == sorted(times)
    peaks = np.array([*(edge.reached.peak for edge in found.edges), found.without.peak])
    assert (np.diff(peaks, axis=0) > 0).all()


HEAT = 8900.0 * 385.0 * np.pi * (0.9e-3) ** 2  # [J/(K m)] of the wire
RESISTANCE, ALPHA = 7.41e-3, 0.00393  # [Ω/m] and [1/K] at 20 °C, as in the case


def test_heat_flows_on_after_the_opening():
    """0.1 s at 400 A: copper heats almost without loss, (1/alpha + 5 K)(exp(I² R alpha t / C) - 1) from 25 °C; then the
    jacket and fill round it get hotter for seconds (closed form; trap 12: stopping at the opening would miss it)."""
    case = small_case(CurrentProfile.constant(400.0, 600.0), 600.0)
    edge = protected_run(case, edges=("slow",)).edges[0]
    assert edge.operating.opens.element == "magnetic"
    assert edge.operating.opens.time == pytest.approx(0.1)
    lossless = (1 / ALPHA + 5.0) * np.expm1(400.0**2 * RESISTANCE * ALPHA * 0.1 / HEAT)
    assert 0.85 * lossless < edge.at_opening[2] - ROOM < lossless
    fill, jacket, line = edge.reached.peak
    assert line == pytest.approx(edge.at_opening[2], abs=2 * TOLERANCE)
    assert fill > edge.at_opening[0] + 10 * TOLERANCE
    assert edge.reached.peak_time[0] > 2.0
    assert not edge.reached.still_rising.any()
    assert line > jacket > fill > ROOM


def test_a_course_is_not_followed_past_the_melting_of_copper():
    """1 kA for ten minutes with no device, and a device that would open long after: said, not computed on."""
    late = DeviceChoice("late", "points", rating=16.0, slow=((20.0, 3000.0), (2000.0, 300.0)))
    found = protected_run(small_case(CurrentProfile.constant(1000.0, 600.0), 600.0), [late], ("slow",))
    lossless = HEAT / (1e6 * RESISTANCE * ALPHA) * np.log((1 + ALPHA * 1064.6) / (1 + ALPHA * 5.0))  # to 1084.6 °C
    assert lossless < found.without.ceiling_time < 1.5 * lossless
    assert found.edges[0].operating.opens.time > found.without.ceiling_time
    assert found.edges[0].reached is found.without
    assert found.without.limit_time[0] < found.without.ceiling_time
    assert "Before that the hottest conductor" in found.text
    assert "because copper melts" in found.text


def test_a_limit_passed_after_the_opening_is_told_from_one_before():
    """The fill has a limit between its temperature at the opening and its later peak."""
    case = small_case(CurrentProfile.constant(400.0, 600.0), 600.0)
    edge = protected_run(case, edges=("slow",)).edges[0]
    between = 0.5 * (edge.at_opening[0] + edge.reached.peak[0])
    line = 0.5 * (ROOM + edge.at_opening[2])
    limits = (
        Limit("fill late", float(between), (0,)),
        Limit("line early", float(line), (2,)),
        Limit("far", 1000.0, (0,)),
    )
    found = protected_run(replace(case, limits=limits), edges=("slow",))
    times = found.edges[0].reached.limit_time
    opened = found.edges[0].operating.opens.time
    assert opened < times[0] < found.edges[0].reached.peak_time[0] * 1.01
    assert times[1] < opened
    assert np.isinf(times[2])
    assert re.search(r'"fill late" .* after the first opening', found.text)
    assert re.search(r'"line early" .* before the opening', found.text)
    assert re.search(r'"far" .* is not passed', found.text)


def test_closing_again_heats_more(overload):
    """Three automatic attempts after 60 s: hotter than one opening, cooler than no device."""
    once = protected_run(overload, edges=("nominal",))
    again = protected_run(overload, edges=("nominal",), reclose=Reclosing(delay=60.0, attempts=3))
    operations = again.edges[0].operating.operations
    assert [o.kind for o in operations].count("opens") == 4
    assert once.edges[0].reached.peak[2] < again.edges[0].reached.peak[2] < again.without.peak[2]
    assert again.edges[0].reached.peak_time[2] == pytest.approx(operations[-1].time)
    assert "closed again 3 times" in again.text


def test_where_it_carries_the_history_nothing_changes():
    """1.13 x rated for half an hour (IEC 60898-1 row a, holds 1 h: read): no opening, the same course."""
    found = protected_run(small_case(CurrentProfile.constant(18.0, 1800.0), 1800.0), edges=("slow",))
    assert found.edges[0].operating.opens is None
    assert found.edges[0].reached is found.without
    assert np.isnan(found.edges[0].at_opening).all()
    assert "no device opens" in found.text


def test_what_nothing_is_known_of_is_not_stepped():
    """Points that end at 25 A, a history of 32 A: unknown, no temperatures with the device."""
    drawn = DeviceChoice("drawn", "points", rating=16.0, slow=((20.0, 3000.0), (25.0, 600.0)))
    found = protected_run(small_case(CurrentProfile.constant(32.0, 600.0), 600.0), [drawn], ("fast", "slow"))
    assert [edge.edge for edge in found.edges] == ["slow"]
    assert found.edges[0].reached is None
    assert "nothing can be said" in found.text
    assert any("fast edge" in note for note in found.notes)


def test_of_two_devices_the_first_to_open_is_named(overload):
    """32 A board breaker above the 16 A one: the smaller opens, the larger is in the record of states."""
    devices = [DeviceChoice("board", "IEC 60898-1", "C", 32.0), DeviceChoice("circuit", "IEC 60898-1", "B", 16.0)]
    found = protected_run(overload, devices, ("slow",))
    assert found.edges[0].operating.opens.device == "circuit"
    assert set(found.edges[0].operating.states) == {"board", "circuit"}


def test_a_soaked_start_warms_the_device_too(overload):
    """14.4 A = 0.9 x rated before: 20.6 s instead of 44.3 s at 2 x rated (O18, computed)."""
    soaked = replace(overload, start=Start("soaked", ROOM, (14.4,)))
    found = protected_run(soaked, edges=("nominal",))
    assert found.edges[0].operating.opens.time == pytest.approx(20.600, abs=5.1e-3)
    assert found.edges[0].at_opening[2] > protected_run(overload, edges=("nominal",)).edges[0].at_opening[2]


def test_warm_air_at_the_device_counts_apart_from_the_wall(overload):
    """Panel air of 40 °C: the fast edge opens sooner (two separate inputs, facts section 5)."""
    cool, warm = (
        protected_run(overload, edges=("fast",), ambients=ambients).edges[0].operating.opens.time
        for ambients in (None, {"circuit": 313.15})
    )
    assert warm < cool


def test_only_the_circuit_of_the_devices_is_opened(overload):
    """A second circuit goes on heating: not cut, and the parts need not fall."""
    other = Circuit("other", CurrentProfile.constant(10.0, 3600.0))
    found = protected_run(replace(overload, circuits=(*overload.circuits, other)), edges=("slow",), circuit="main")
    assert found.circuit == "main"
    with pytest.raises(UsageError, match='no circuit "man".*"main"'):
        protected_run(overload, circuit="man")


def test_result_is_strict_json_and_words_do_not_overstate(overload):
    """Numbers without nan, a row per edge and part, and none of the words a result may not use (facts users 1.6)."""
    found = protected_run(overload, reclose=Reclosing(delay=60.0))
    read = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert [edge["edge"] for edge in read["edges"]] == ["fast", "nominal", "slow"]
    assert read["edges"][0]["operating"]["operations"][0]["kind"] == "opens"
    assert read["edges"][0]["operating"]["states"]["circuit"][0][0] > 0.0
    assert "part_maximum" not in read["without"]
    assert len(found.table()) == 4 * 3
    assert not FORBIDDEN.search(found.text)
    assert "nan" not in found.text
    assert "With no device the hottest conductor, line, peaks at" in found.text


def test_what_cannot_be_asked_is_refused(overload):
    """One clear error each (issue 4)."""
    with pytest.raises(UsageError, match="names no device"):
        protected_run(replace(overload, devices=()))
    with pytest.raises(UsageError, match='no edge "quick"'):
        protected_run(overload, edges=("quick",))
    with pytest.raises(UsageError, match='no device "panel"'):
        protected_run(overload, ambients={"panel": 300.0})
    rewirable = DeviceChoice("board", "BS 3036", "", 30.0)
    with pytest.raises(UsageError, match="model for fast"):
        protected_run(overload, [rewirable], ("fast",))


def test_a_relay_stands_in_the_loop_like_any_device(overload):
    """Very inverse, set 16 A, multiplier 1, at M = 2: 13.5 s, and 60 ms for its breaker (IEC 60255-151 B)."""
    relay = Relay("feeder", 16.0, "B", 1.0, opening_time=0.06)
    found = protected_run(overload, [relay], ("nominal",))
    assert found.edges[0].operating.opens.time == pytest.approx(13.56, rel=1e-9)
    assert found.edges[0].operating.opens.device == "feeder"


def test_the_stored_state_of_a_device_takes_a_second_history_up_where_the_first_ended(overload):
    """Half an hour at 1.13 x, stored as JSON, then 2 x: the same opening as in one piece (state kept, never zeroed)."""
    first = protected_run(with_profile(overload, CurrentProfile.constant(18.0, 1800.0), 1800.0), edges=("slow",))
    stored = json.loads(json.dumps(first.to_dict(), allow_nan=False))["edges"][0]["operating"]["states"]["circuit"]
    image = device_image(overload.devices[0], "slow")
    second = operate(CurrentProfile.constant(32.0, 600.0), [image], [tuple(tuple(own) for own in stored)])
    whole = operate(CurrentProfile((0.0, 1800.0, 2400.0), (18.0, 32.0), (18.0, 32.0)), [image])
    assert second.opens.time + 1800.0 == pytest.approx(whole.opens.time, rel=1e-12)


def two_circuits(overload, *devices):
    """The case with a second circuit that heats nothing, and with ``devices``."""
    idle = Circuit("idle", CurrentProfile.constant(5.0, 3600.0))
    return replace(overload, circuits=(idle, *overload.circuits), conductors=tuple(
        replace(one, circuit=1) for one in overload.conductors), devices=devices)  # fmt: skip


def test_devices_are_followed_in_the_circuit_they_name(overload):
    """The circuit is the devices' own; those of another circuit, and none that says nothing, take part (issue 4, item 2)."""
    main, other = (DeviceChoice(name, "IEC 60898-1", "B", 16.0, circuit=name) for name in ("main", "idle"))
    found = protected_run(two_circuits(overload, main, other), edges=("slow",), circuit="main")
    assert (found.circuit, found.devices) == ("main", ("main",))
    assert found.edges[0].operating.opens.time == protected_run(overload, edges=("slow",)).edges[0].operating.opens.time
    assert protected_run(two_circuits(overload, main), edges=("slow",)).circuit == "main"
    with pytest.raises(UsageError, match='circuits "idle", "main"; choose one'):
        protected_run(two_circuits(overload, main, other))
    with pytest.raises(UsageError, match='nothing says in which circuit "circuit" stands'):
        protected_run(two_circuits(overload, *overload.devices))
    with pytest.raises(UsageError, match='no circuit "mian"'):
        protected_run(two_circuits(overload, replace(main, circuit="mian")))


def test_air_relay_and_line_of_a_scenario_are_those_of_the_loop(overload):
    """40 °C at the device as if it had been passed; a relay and a line open when their own images do."""
    warm = replace(overload.devices[0], ambient=313.15)
    passed = protected_run(overload, edges=("fast",), ambients={"circuit": 313.15})
    assert protected_run(replace(overload, devices=(warm,)), edges=("fast",)).edges[0].operating.opens == passed.edges[0].operating.opens
    relay = RelayChoice("feeder", 16.0, "B", 1.0, opening_time=0.06)
    found = protected_run(replace(overload, devices=(relay,)), edges=("nominal",))
    assert found.edges[0].operating.opens.time == pytest.approx(13.56, rel=1e-9)  # B at M = 2: 13.5 s (IEC 60255-151)
    points = ((20.0, 3600.0), (32.0, 100.0), (60.0, 5.0))
    line = device_from_line("line", points, current_tolerance=0.1, rating=16.0)
    found = protected_run(replace(overload, devices=(line,)), edges=("fast", "nominal", "slow"))
    times = [edge.operating.opens.time for edge in found.edges]
    assert times[1] == pytest.approx(100.0, rel=1e-6)
    assert times[0] < times[1] < times[2]


def test_the_file_holds_the_courses_and_the_device_states(overload, tmp_path):
    """What is read back is what was followed: text, histories, levels, hash; and nothing half-written stays."""
    found = protected_run(overload, reclose=Reclosing(delays=(60.0,)), path=tmp_path / "p.h5")
    record = open_run(tmp_path / "p.h5")
    assert found.canonical_hash == record.canonical_hash == verify(tmp_path / "p.h5")
    again = run_of_record(record)
    assert again.text == found.text and again.reclosing == found.reclosing
    for one, other in zip(found.edges, again.edges, strict=True):
        assert np.array_equal(one.level, other.level) and one.element_names == other.element_names
        assert np.array_equal(found.course(one)[1], again.course(other)[1])
        time, _ = found.course(one)
        opened = np.flatnonzero(np.isin(time, [operation.time for operation in one.operating.operations if operation.kind == "opens"]))
        thermal = one.element_names.index(("circuit", "thermal"))
        assert one.level[opened, thermal] == pytest.approx(1.0, rel=1e-9)
    assert record.statistics["cells"] > 0 and list(tmp_path.iterdir()) == [tmp_path / "p.h5"]
    with pytest.raises(FileError, match="exists already"):
        protected_run(overload, edges=("slow",), path=tmp_path / "p.h5")
    assert protected_run(overload, edges=("slow",), path=tmp_path / "p.h5", force=True).canonical_hash != found.canonical_hash
