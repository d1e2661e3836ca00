"""Peak temperature against current: each edge opens at a constant current, and heat flows on (issue 4, item 4)."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from wire_case import ROOM, curve_settings, small_case

from ampsoak.base.errors import UsageError
from ampsoak.scenario.case import CurrentProfile
from ampsoak.study.curve import limit_curve
from ampsoak.study.peaks import peak_currents, peaks_after_opening

LINE, JACKET, FILL = 2, 1, 0  # parts of the case


@pytest.fixture(scope="module")
def case():
    return small_case(CurrentProfile.constant(10.0, 60.0), 60.0, curve=curve_settings())


@pytest.fixture(scope="module")
def found(case):
    """Just below every pickup of a B 16 A (1.13 x 16 = 18.1 A holds), two overloads, and a fault beyond 5 x 16 = 80 A."""
    return peaks_after_opening(case, [17.0, 32.0, 60.0, 150.0])


def test_an_edge_that_does_not_open_has_no_temperature_and_says_so(found):
    """IEC 60898-1 table 7 (from memory): 1.13 In is held for an hour and more; our slow image holds 1.42 In for good."""
    slow = found.edges.index("slow")
    assert found.state[slow][0] == "never opens"
    assert np.isinf(found.opening_time[slow, 0])
    assert np.isnan(found.at_opening[slow, 0]).all() and np.isnan(found.peak[slow, 0]).all()
    assert [row[1:] for row in found.state] == [("opens",) * 3] * 3


def test_edges_open_in_order_and_later_is_hotter(found):
    """A slower device lets the same current flow longer, so nothing is cooler with it (physics)."""
    for place in (1, 2, 3):
        times = found.opening_time[:, place]
        assert (np.diff(times) >= 0).all()
        assert (np.diff(found.peak[:, place], axis=0) > -0.2).all()  # twice the two tolerances of 0.05 K


def test_temperature_at_opening_is_that_of_the_limit_curve(case, found):
    """Two ways to one number: the stored history of the same constant current, from the same start, read at the opening."""
    curve = limit_curve(case, currents=found.current)
    slow = found.edges.index("slow")
    for place in (1, 2):
        history = np.interp(
            np.log(found.opening_time[slow, place]), np.log(curve.history_time[1:]), curve.conductor_temperature[0, place, 1:]
        )
        assert found.at_opening[slow, place, LINE] == pytest.approx(history, abs=1.0)  # straight between 24 times a decade


def test_what_lies_outside_peaks_after_the_opening_and_the_conductor_at_it(found):
    """Heat flows from the conductor outwards once the current has stopped: the jacket's hottest place warms on, the
    conductor cools at once (second law)."""
    for number in range(len(found.edges)):
        for place in (1, 2, 3):
            opening, peak = found.at_opening[number, place], found.peak[number, place]
            assert peak[LINE] == pytest.approx(opening[LINE], abs=0.1)
            assert (peak - opening > -1e-9).all()
    fault = found.current.tolist().index(150.0)
    slow = found.edges.index("slow")
    assert found.peak[slow, fault, JACKET] - found.at_opening[slow, fault, JACKET] > 0.05
    assert (found.peak[slow, 1:] >= ROOM - 0.05).all()


def test_currents_run_from_the_first_that_opens_to_the_largest_of_the_curve_and_stand_beside_every_pickup(case):
    """Default images of IEC 60898-1 pick up between the conventional currents, 1.13 and 1.45 In: 18.1 and 23.2 A."""
    current = peak_currents(case, count=5)
    assert 18.0 < current[0] < 23.2
    assert current[-1] == pytest.approx(case.curve.highest)
    assert np.sum(current < 25.0) >= 5  # two beside each of three pickups, the first of the spread among them
    assert (np.diff(current) > 0).all()


def test_what_is_known_is_given_after_every_current(case):
    kept = []
    whole = peaks_after_opening(case, [60.0, 150.0], edges=("slow",), done=kept.append)
    assert [len(one.current) for one in kept] == [1, 2]
    assert kept[0].peak[0, 0] == pytest.approx(whole.peak[0, 0])
    json.loads(json.dumps(whole.to_dict(), allow_nan=False))


def test_what_cannot_be_asked_is_refused(case):
    with pytest.raises(UsageError, match=r"no \[curve\]"):
        peaks_after_opening(replace(case, curve=None), [20.0])
    with pytest.raises(UsageError, match="no device stands"):
        peaks_after_opening(replace(case, devices=()), [20.0])
    with pytest.raises(UsageError, match="positive"):
        peaks_after_opening(case, [0.0])
    with pytest.raises(UsageError, match="no edge of the devices opens"):
        peak_currents(replace(case, curve=replace(case.curve, lowest=1.0, highest=5.0)))
