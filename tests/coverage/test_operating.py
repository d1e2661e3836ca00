"""Devices on a current history: opening, re-closing with what the device still holds, two in series."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.base.errors import UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.device_images import device_image
from ampsoak.coverage.operating import Reclosing, operate
from ampsoak.scenario.case import CurrentProfile, DeviceChoice

B20 = DeviceChoice("circuit", "IEC 60898-1", "B", 20.0)
B32 = DeviceChoice("board", "IEC 60898-1", "B", 32.0)
G20 = DeviceChoice("fuse", "IEC 60269", "gG", 20.0)
OVERLOAD = CurrentProfile.constant(40.0, 7200.0)  # twice the rating of 20 A
FIRST = 44.3  # [s] nominal household image at 2 x rated, cold (facts section 2, computed)


def nominal(*choices):
    return [device_image(choice, "nominal") for choice in choices]


def test_the_current_stops_where_the_device_opens():
    """Nominal image at 2 x rated: opens at 44.3 s, no current from there on."""
    found = operate(OVERLOAD, nominal(B20))
    assert [(o.kind, o.device, o.element, o.current) for o in found.operations] == [
        ("opens", "circuit", "thermal", 40.0)
    ]
    assert found.opens.time == pytest.approx(FIRST, abs=0.1)
    assert found.profile.at(found.opens.time - 1e-6) == 40.0
    assert found.profile.at(found.opens.time + 1e-6) == 0.0
    assert found.profile.duration == pytest.approx(7200.0)
    assert found.levels["circuit"]["thermal"] < 0.01  # two hours later it has cooled


def test_a_history_it_carries_is_left_as_it_is():
    """1.13 x rated (IEC 60898-1 row a holds): no opening, the current unchanged, the state at the end kept."""
    found = operate(CurrentProfile.constant(22.6, 3600.0), nominal(B20))
    assert found.opens is None and np.isinf(found.unknown_from)
    assert found.profile == CurrentProfile.constant(22.6, 3600.0)
    slow_node = 1.13**2 * (1 - np.exp(-4.0))
    assert found.levels["circuit"]["thermal"] == pytest.approx(0.5 * (1.13**2 + slow_node) / 1.28**2, rel=1e-9)


def test_closed_again_it_opens_sooner_because_it_is_still_warm():
    """After 60 s of cooling each node holds x e^(-60/tau): the second time solves the two-node equation from there."""
    found = operate(OVERLOAD, nominal(B20), reclose=Reclosing(delay=60.0, attempts=2))
    kinds = [operation.kind for operation in found.operations]
    assert kinds == ["opens", "closes", "opens", "closes", "opens"]
    first = found.operations[0].time
    assert found.operations[1].time == pytest.approx(first + 60.0)
    held = [4.0 * (1 - np.exp(-first / tau)) * np.exp(-60.0 / tau) for tau in (30.0, 900.0)]
    second = found.operations[2].time - found.operations[1].time
    level = sum(0.5 * (4.0 + (x - 4.0) * np.exp(-second / tau)) for x, tau in zip(held, (30.0, 900.0)))
    assert level == pytest.approx(1.28**2, rel=1e-9)
    assert second < first
    assert found.profile.at(found.operations[1].time + 1e-6) == 40.0


def test_timed_closing_by_hand():
    """Closed at 600 s: what is open then is closed; at 601 s it is not open and nothing happens."""
    found = operate(OVERLOAD, nominal(B20), reclose=Reclosing(times=(600.0, 601.0)))
    assert [o.kind for o in found.operations] == ["opens", "closes", "opens"]
    assert found.operations[1].time == 600.0
    with pytest.raises(UsageError, match="either"):
        Reclosing()
    with pytest.raises(UsageError, match="either"):
        Reclosing(delay=5.0, times=(3.0,))
    with pytest.raises(UsageError, match="increase"):
        Reclosing(times=(3.0, 2.0))


def test_a_fuse_stays_open():
    """Single shot: no re-closing (facts section 5)."""
    found = operate(OVERLOAD, [device_image(G20, "slow")], reclose=Reclosing(delay=10.0))
    assert [o.kind for o in found.operations] == ["opens"]


def test_of_two_in_series_the_first_to_open_wins_and_the_other_keeps_its_state():
    """20 A under 32 A at 40 A: the smaller opens; the larger has the state of 44.3 s at 1.25 x its rating."""
    found = operate(OVERLOAD, nominal(B32, B20), end=60.0)
    assert [o.device for o in found.operations] == ["circuit"]
    time = found.opens.time
    share, tau = 0.5, (30.0, 900.0)
    nodes = [(40.0 / 32.0) ** 2 * (1 - np.exp(-time / t)) * np.exp(-(60.0 - time) / t) for t in tau]
    assert found.levels["board"]["thermal"] == pytest.approx(share * sum(nodes) / 1.28**2, rel=1e-9)


def test_preloaded_devices_start_from_their_state():
    """0.9 x rated before, then 2 x: 20.6 s (O18, computed)."""
    image = nominal(B20)[0]
    found = operate(OVERLOAD, [image], [image.soaked(18.0)])
    assert found.opens.time == pytest.approx(20.600, abs=5.1e-3)
    assert found.opens.time == pytest.approx(laws.two_node_time(2.0, 1.28, 0.5, 30.0, 900.0, 0.9), rel=1e-9)


def test_from_the_moment_nothing_is_known_nothing_is_said():
    """A device of points ends at 100 A: a history that goes beyond is followed up to there."""
    drawn = DeviceChoice("drawn", "points", rating=20.0, slow=((29.0, 9000.0), (100.0, 20.0)))
    ramp = CurrentProfile((0.0, 10.0), (90.0,), (110.0,))
    found = operate(ramp, [device_image(drawn, "slow")])
    assert found.unknown_from == pytest.approx(5.0)
    assert '"drawn"' in found.reason and "above 100 A" in found.reason
    assert found.opens is None


def test_what_cannot_be_followed_is_refused():
    """One clear error each (issue 4)."""
    with pytest.raises(UsageError, match="no device"):
        operate(OVERLOAD, [])
    with pytest.raises(UsageError, match="same edge"):
        operate(OVERLOAD, [device_image(B20, "fast"), device_image(B32, "slow")])
