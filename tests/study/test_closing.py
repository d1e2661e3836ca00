"""Searches for what would close the gap: on the stored curve for ratings, by solving again for anything else."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from wire_case import ROOM, curve_settings, small_case

from ampsoak.base.errors import Fault, ScenarioError, UsageError
from ampsoak.coverage.compare import cover
from ampsoak.library.load import device_family
from ampsoak.runfile.records import Curve
from ampsoak.scenario.case import CurrentProfile, DeviceChoice, TimeTable
from ampsoak.study.closing import Candidate, Span, closing_search, expected_cost, largest_rating
from ampsoak.study.closing_question import Question
from ampsoak.study.curve import limit_curve

B = DeviceChoice("circuit", "IEC 60898-1", "B", 16.0)
CURRENTS = [12.0, 20.0, 23.0, 26.0, 30.0, 40.0, 100.0, 200.0]  # [A]; the slow image of 16 A picks up at 22.72 A
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)


def one_node(knee, time_constant=2400.0, limit=343.15, low=8.0, high=400.0, count=60):
    """Stored curve of a one-node cable that settles at its limit at ``knee`` [A]: t = -tau ln(1 - (knee / I)²)."""
    current = np.unique([*np.geomspace(low, high, count), knee * 0.9999, knee * 1.001])  # the knee is bracketed closely
    count = len(current)
    with np.errstate(invalid="ignore", divide="ignore"):
        time = -time_constant * np.log(1.0 - (knee / current) ** 2)
    reached = current > knee
    history = np.concatenate([[0.0], np.geomspace(1e-3, 1e6, 120)])
    rise = (limit - ROOM) * (current / knee) ** 2
    temperature = ROOM + rise[:, None] * (1.0 - np.exp(-history / time_constant))
    return Curve(
        title="one node", circuit="main", current=current,
        limits=[{"name": "line 70", "temperature": limit, "parts": (0,), "source": "test"}],
        time_to_limit=np.where(reached, time, np.inf)[None, :], outcome=np.where(reached, 0, 1)[None, :].astype(np.int8),
        steady=np.ones(count, dtype=bool), steady_temperature=(ROOM + rise)[None, :], history_time=history,
        conductor_names=["line"], conductor_temperature=temperature[None], part_names=["line"],
        part_maximum=temperature[None], start_description="cold at 25 °C", start_temperature=np.array([ROOM]),
        adiabatic_k=np.nan, adiabatic_area=np.nan, adiabatic_limit="", fault_current=np.nan, horizon=1e6, section=None,
    )  # fmt: skip


def test_largest_rating_is_the_one_whose_slow_pickup_lies_below_the_knee():
    """Our slow image opens from 1.42 In (its pickup): in time at every current only if the cable settles above that; with
    knee 30 A: 20 A has 28.4 A (in), 25 A has 35.5 A (out); a slow cable of 2400 s needs no more (checked by the laws)."""
    found = largest_rating(one_node(30.0), B, basis="default")
    assert found.answer == "20 A"
    assert found.monotonic and found.solved == 0
    assert found.candidates == tuple(f"{rating:g} A" for rating in device_family("IEC 60898-1").ratings)
    nearest = cover(one_node(30.0), [replace(B, rating=25.0)], basis="default").devices[0].limits[0]
    assert nearest.not_covered[0][0] < 35.5
    assert 'limit "line 70" (70 °C) from' in found.next_binding


def test_no_feasible_answer_is_said_plainly():
    """A knee of 8.2 A is below 1.42 x 6 A = 8.5 A, the smallest rating's slow pickup."""
    found = largest_rating(one_node(8.2, low=5.0), B, basis="default")
    assert found.answer is None
    assert found.text.startswith("No listed value of the rating of IEC 60898-1 B (6 A to 125 A)")
    assert found.next_binding


def test_the_load_binds_too():
    """30 A of knee, 24 A to carry: 25 A does not clear and smaller ones do not carry the load."""
    found = largest_rating(one_node(30.0), B, basis="default", load=24.0)
    assert found.answer is None
    assert found.candidates[0] == "25 A"
    assert "below the load of 24 A were left out" in found.text
    with pytest.raises(UsageError, match="carries the load"):
        largest_rating(one_node(30.0), B, load=500.0)


def test_everything_clears_where_the_cable_never_reaches_its_limit():
    """Asked about currents below the knee only: the whole list clears and nothing binds."""
    found = largest_rating(one_node(300.0), B, basis="default", highest=150.0, ratings=[6.0, 16.0, 32.0])
    assert found.answer == "32 A" and found.next_binding == ""
    assert "Every listed value" in found.text


def test_points_have_no_ratings_to_search():
    """One clear error (issue 4)."""
    drawn = DeviceChoice("drawn", "points", slow=((20.0, 100.0), (30.0, 10.0)))
    with pytest.raises(UsageError, match="given by points"):
        largest_rating(one_node(30.0), drawn)


def at_ambient(kelvin):
    """The small case with room and start at one temperature [K]."""
    case = small_case(CurrentProfile.constant(10.0, 60.0), 60.0, curve=curve_settings(kelvin))
    film = tuple(replace(boundary, temperature=TimeTable.constant(kelvin)) for boundary in case.boundaries)
    return replace(case, boundaries=film, limits=case.limits[:1])


def at_currents(candidate, case):
    """The limit curve of a case at few currents."""
    return limit_curve(case, currents=CURRENTS)


def test_a_quantity_that_changes_the_cable_is_bisected_with_solves():
    """Warmer surroundings are harder: the highest listed ambient that clears, few solves, the same as trying all."""
    celsius = (-40.0, -20.0, 0.0, 30.0, 60.0)
    listed = [Candidate(f"{t:g} °C", lambda t=t: at_ambient(t + 273.15)) for t in celsius]
    asked, solve = Question(B, highest=200.0, basis="default"), at_currents
    found = closing_search("ambient", listed, asked, solve=solve)
    every = [closing_search("ambient", [one], asked, solve=solve).answer for one in listed]
    assert found.monotonic
    assert found.solved < len(celsius)
    clearing = [answer for answer in every if answer]
    assert 0 < len(clearing) < len(celsius)
    assert every == clearing + [None] * (len(celsius) - len(clearing))  # warmer is harder (monotonicity)
    assert found.answer == clearing[-1]
    assert found.next_binding
    count, seconds = expected_cost(listed)
    assert found.solved <= count and seconds > 0.0


def test_a_list_in_the_wrong_order_is_noticed():
    """Hard first: nothing clears at the front but the end does; said, not guessed."""
    listed = [Candidate(f"{t:g} °C", lambda t=t: at_ambient(t + 273.15)) for t in (60.0, -40.0)]
    found = closing_search("ambient", listed, Question(B, highest=200.0, basis="default"), solve=at_currents)
    assert found.monotonic and found.reversed
    assert found.answer == "-40 °C"
    assert found.text.startswith("The first listed value of ambient (60 °C to -40 °C)")
    with pytest.raises(UsageError, match="no value of ambient"):
        closing_search("ambient", [], Question(B))


def knees(row):
    """Candidates whose stored one-node cable has these knees [A]; found by name, nothing is solved."""
    return [Candidate(f"{knee:g}", lambda knee=knee: knee, float(knee), "A") for knee in row]


def stored(candidate, knee):
    return one_node(knee)


ASKED = Question(B, basis="default", highest=60.0)  # 16 A opens from 22.72 A on: knees above that clear (our model)


def test_a_list_whose_order_is_no_guide_is_scanned_and_said():
    """Ends and middle go in, out, in: every value is tried, every clearing one is named (brief: say so and scan)."""
    found = closing_search("knee", knees([40.0, 30.0, 10.0, 10.0, 50.0]), ASKED, solve=stored)
    assert not found.monotonic
    assert found.clearing == ("40", "30", "50")
    assert len(found.trials) == found.solved == 5
    assert "not one from easy to hard" in found.text


def test_a_continuous_quantity_is_bracketed_to_the_width_asked_for():
    """The answer is the knee at which our slow image of 16 A stops being in time; from the laws it lies between its pickup,
    22.72 A, and the knee of 30 A that clears above."""
    span = Span(40.0, 10.0, "A", 0.25, lambda knee: knee)
    found = closing_search("knee", span, ASKED, solve=stored)
    clearing = [trial.value for trial in found.trials if trial.clears]
    failing = [trial.value for trial in found.trials if not trial.clears]
    assert found.monotonic
    assert min(clearing) > max(failing)
    assert min(clearing) - max(failing) <= 0.25
    assert 22.72 < min(clearing) < 30.0
    assert found.answer == f"{min(clearing):g} A"
    assert [trial.value for trial in found.trials] == sorted((trial.value for trial in found.trials), reverse=True)
    count, _ = expected_cost(span, small_case(CurrentProfile.constant(10.0, 60.0), 60.0, curve=curve_settings()))
    assert found.solved <= count


def test_a_continuous_quantity_whose_order_is_no_guide_is_scanned():
    """A knee that is low in the middle only."""
    span = Span(0.0, 10.0, "m", 0.1, lambda place: 40.0 - 30.0 * (abs(place - 5.0) < 2.0))
    found = closing_search("place", span, ASKED, solve=stored)
    assert not found.monotonic
    assert [trial.clears for trial in found.trials] == [True, True, True, False, False, False, True, True, True]
    assert found.clearing[0] == "0 m" and found.clearing[-1] == "10 m"


def test_the_binding_constraint_is_named_with_limit_current_and_edge():
    """Knee 10 A: the device holds 1.13 x 16 = 18.1 A (IEC 60898-1 table 7, from memory), so it need not open there."""
    found = closing_search("knee", knees([10.0]), replace(ASKED, basis=None), solve=stored)
    (trial,) = found.trials
    assert trial.binding.limit == "line 70"
    assert trial.binding.verdict == "below_pickup"
    assert trial.binding.edge == "hold current, standard"
    assert trial.binding.low == pytest.approx(10.0, rel=2e-3)
    assert "has to carry 18.1 A" in found.next_binding


def test_only_the_limits_asked_about_count_and_a_wrong_name_is_told():
    """A limit that is not there: the nearest name."""
    assert closing_search("knee", knees([40.0]), replace(ASKED, limits=("line 70",)), solve=stored).answer == "40"
    with pytest.raises(UsageError, match='did you mean "line 70"'):
        closing_search("knee", knees([40.0]), replace(ASKED, limits=("lien 70",)), solve=stored)


def test_a_value_without_a_case_is_no_answer_and_says_why():
    """A changed scenario that is not valid counts as one at which the device does not open in time."""
    def refused():
        raise ScenarioError([Fault("case.toml", 3, "cable[0]", "", "lies outside the bay")])

    listed = [*knees([40.0]), Candidate("nine", refused)]
    found = closing_search("knee", listed, ASKED, solve=stored)
    assert found.answer == "40"
    assert found.solved == 1
    assert found.next_binding == "there is no such case, cable[0]: lies outside the bay"


def test_result_is_strict_json_and_words_do_not_overstate():
    """Facts users 1.6; JSON without nan."""
    found = largest_rating(one_node(30.0), B)
    json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert not FORBIDDEN.search(found.text)
    assert "nan" not in found.text
