"""What can be varied in a scenario, and in which order it gets harder."""

from __future__ import annotations

from pathlib import Path

import pytest

from ampsoak.cli.closing import Quantity
from ampsoak.scenario.load import load_scenario
from ampsoak.study.closing import Span, most_solved
from ampsoak.study.remedies import FIBRE_DENSITIES, QUANTITIES, varied

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"
WALL, LOFT = "12awg_evening_dense_pack_bay", "6mm2_shower_loft_mineral_fibre_b40"


def of(name, scenario):
    path = SCENARIOS / f"{scenario}.toml"
    case = load_scenario(path)
    return varied(name, case, path.parent, case.devices[0])


def test_the_command_offers_exactly_what_can_be_varied():
    assert [one.value for one in Quantity] == list(QUANTITIES)


@pytest.mark.parametrize(
    ("scenario", "which"),
    [
        (WALL, ["rating", "conductor_size", "cables", "air_temperature", "load"]),
        (LOFT, ["rating", "conductor_size", "fill_thickness", "fill_density", "cables", "air_temperature", "load"]),
    ],
)
def test_what_the_scenario_does_not_have_is_left_out_with_a_reason(scenario, which):
    """A bay packed full has no thickness of its own, and cellulose no law of its density."""
    found = {name: of(name, scenario) for name in QUANTITIES}
    assert [name for name, entry in found.items() if entry.applies] == which
    assert all(entry.reason for entry in found.values() if not entry.applies)


def test_sizes_fall_cables_and_thickness_rise():
    """Easy first: thick conductors, one cable, thin fill, cold air, no load."""
    areas = [candidate.value for candidate in of("conductor_size", LOFT).values]
    assert areas == sorted(areas, reverse=True)
    assert [candidate.value for candidate in of("cables", LOFT).values] == list(range(1, 10))
    for name in ("fill_thickness", "air_temperature", "load"):
        assert of(name, LOFT).values.low < of(name, LOFT).values.high


def test_both_ends_of_every_span_are_valid_cases_with_that_value():
    for name in QUANTITIES:
        values = of(name, LOFT).values
        if isinstance(values, Span):
            for end in (values.low, values.high):
                assert values.candidate(end).scenario().curve is not None


def test_thinnest_fill_still_covers_the_cable():
    """The cable lies on the board: what stands above its top is fill."""
    case = load_scenario(SCENARIOS / f"{LOFT}.toml")
    thin = of("fill_thickness", LOFT).values
    board = case.height - 0.270
    top = max(paint.shape.bounds[3] for paint in case.paints if case.parts[paint.part].role == "jacket")
    assert thin.low * 1e-3 > top - board
    assert thin.high == pytest.approx(270.0)


def test_density_follows_the_law_of_the_fill_within_its_span():
    """k = k_air + s rho + r / rho at 24 °C: 0.196/100 + 5.5e-5 x 100 above air at 100 kg/m³ (the library's law)."""
    span = of("fill_density", LOFT).values
    assert (span.low, span.high) == FIBRE_DENSITIES
    fill = span.candidate(100.0).scenario().parts[0].material
    assert dict(fill.conductivity.parameters)["density"] == pytest.approx(100.0)
    assert fill.density.typical == pytest.approx(100.0)


def test_the_count_that_is_told_first_is_kept():
    """Both ends, the middle, then halvings: 9 listed values need at most 3 + 3."""
    assert most_solved(of("cables", LOFT).values) == 6
    assert most_solved([None]) == 1 and most_solved([None] * 3) == 3
