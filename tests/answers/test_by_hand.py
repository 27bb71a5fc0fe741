"""Uncertainties, stacks and the remarks beside a setting, worked by hand: each remark just on either side of where it begins."""

import math

import pytest

from curecalc.formulas.beam import Beam
from curecalc.formulas.resin import Resin
from curecalc.formulas.scan import Scan
from curecalc.setting.answer import evaluate
from curecalc.setting.layers import evaluate_stack
from curecalc.setting.plausible import RANGES, odd_values
from curecalc.units import Measured, NoSolution
from curecalc.units import Quantity as Q

E_LINE = math.sqrt(2.0 / math.pi) * 30.0 / (0.125 * 1000.0)  # mJ/mm^2 of the worked line
LN = math.log(E_LINE / 0.08)


def beam(power=0.0, radius=0.0):
    return Beam(power=Measured(Q(30.0, "mW"), Q(30.0 * power, "mW")), radius_x=Measured(Q(0.125, "mm"), Q(0.125 * radius, "mm")))


def resin(dp=0.0, ec=0.0, correlation=0.0, depth=0.15):
    return Resin(
        penetration_depth=Measured(Q(depth, "mm"), Q(depth * dp, "mm")),
        critical_exposure=Measured(Q(8.0, "mJ/cm^2"), Q(8.0 * ec, "mJ/cm^2")),
        correlation=correlation,
    )


LINE = Scan(scan_speed=Q(1.0, "m/s"))


def relative(answer, name):
    return (answer.standard_uncertainty[name] / answer.outputs[name]).m_as("dimensionless")


@pytest.mark.parametrize(
    ("given", "width", "depth"),
    [
        # Lw = W sqrt(2 L), Cd = Dp L with L = ln(E/Ec), E = c P/(W v): d ln Lw = d ln W + dL/(2 L), d ln Cd = d ln Dp + dL/L
        ({"power": 0.02}, 0.02 / (2 * LN), 0.02 / LN),
        ({"radius": 0.03}, 0.03 * abs(1 - 1 / (2 * LN)), 0.03 / LN),
        ({"ec": 0.05}, 0.05 / (2 * LN), 0.05 / LN),
        ({"dp": 0.04}, 0.0, 0.04),
        ({"dp": 0.04, "ec": 0.05, "correlation": 0.8}, 0.05 / (2 * LN), math.sqrt(0.04**2 + 0.05**2 / LN**2 - 1.6 * 0.04 * 0.05 / LN)),
        ({"power": 0.02, "ec": 0.05}, math.hypot(0.02, 0.05) / (2 * LN), math.hypot(0.02, 0.05) / LN),
    ],
    ids=lambda v: "-".join(v) if isinstance(v, dict) else "",
)
def test_uncertainty_of_a_line(given, width, depth):
    light = {k: v for k, v in given.items() if k in ("power", "radius")}
    cure = {k: v for k, v in given.items() if k not in light}
    answer = evaluate(beam=beam(**light), resin=resin(**cure), scan=LINE)
    assert relative(answer, "line_width") == pytest.approx(width, rel=1e-5, abs=1e-12)
    assert relative(answer, "cure_depth") == pytest.approx(depth, rel=1e-5)


def test_sensitivities_are_those_of_one_percent():
    """Cd = Dp ln(E/Ec): one per cent of power or speed moves it by Dp/100, of Dp by Cd/100."""
    moved = evaluate(beam=beam(), resin=resin(), scan=LINE).sensitivity
    assert moved["power"].m_as("mm") == pytest.approx(0.0015, rel=1e-6)
    assert moved["scan_speed"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    assert moved["beam_radius"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    assert moved["critical_exposure"].m_as("mm") == pytest.approx(-0.0015, rel=1e-6)
    assert moved["penetration_depth"].m_as("mm") == pytest.approx(0.0015 * LN, rel=1e-6)


# ---------------------------------------------------------------- stacks

Q_ = math.exp(-0.1 / 0.15)  # what a layer of 0.1 mm lets through


def stack(**given):
    return evaluate_stack(resin=resin(**given.pop("resin", {})), layer_thickness=Q(0.1, "mm"), **given)


@pytest.mark.parametrize(("layers", "sum_"), [(1, 1.0), (2, 1 + Q_), (3, 1 + Q_ + Q_**2), (math.inf, 1 / (1 - Q_))])
def test_exposure_at_the_bottom_of_a_layer(layers, sum_):
    """Beer-Lambert: a layer's own light times q, that of each layer above once more."""
    answer = stack(exposure=Q(21.7, "mJ/cm^2"), layers=layers)
    assert answer.interface_exposure.m_as("mJ/cm^2") == pytest.approx(21.7 * Q_ * sum_, rel=1e-12)
    assert answer.own_exposure.m_as("mJ/cm^2") == pytest.approx(21.7 * Q_, rel=1e-12)
    # solid where E sum exp(-z/Dp) = Ec, counted from the first layer's bottom
    assert answer.print_through.m_as("mm") == pytest.approx(0.15 * math.log(21.7 * sum_ / 8.0) - 0.1, rel=1e-12)
    record = answer.to_dict()
    assert record["layers"] == (None if layers == math.inf else layers)
    assert [row["layers_above"] for row in record["interfaces"]] == list(range(len(record["interfaces"])))
    for k, row in enumerate(record["interfaces"][:4]):
        assert row["exposure"]["value"] == pytest.approx(21.7 * Q_ * sum(Q_**j for j in range(k + 1)), rel=1e-12)


def test_layers_to_leave_out():
    """Print-through 0.158 mm of 0.1 mm layers: one left out leaves 0.058, two go 0.042 too far; two is nearer."""
    answer = stack(exposure=Q(21.7, "mJ/cm^2"))
    through = 0.15 * math.log(21.7 / (1 - Q_) / 8.0) - 0.1
    assert answer.compensation_layers == 2
    assert answer.residual.m_as("mm") == pytest.approx(through - 0.2, rel=1e-9)
    assert [k for k, _ in answer.choices] == [1, 2, 3]
    assert [rest.m_as("mm") for _, rest in answer.choices] == pytest.approx([through - 0.1, through - 0.2, through - 0.3], rel=1e-9)


def test_uncertainty_of_a_stack():
    exact = evaluate_stack(
        resin=resin(ec=0.05), layer_thickness=Q(0.1, "mm"), exposure=Measured(Q(21.7, "mJ/cm^2"), Q(0.03 * 21.7, "mJ/cm^2"))
    )
    assert exact.standard_uncertainty["print_through"].m_as("mm") == pytest.approx(0.15 * math.hypot(0.03, 0.05), rel=1e-5)
    assert exact.standard_uncertainty["interface_exposure"].m_as("mJ/cm^2") == pytest.approx(0.03 * 21.7 * Q_ / (1 - Q_), rel=1e-5)
    assert exact.sensitivity["exposure"].m_as("mm") == pytest.approx(0.0015, rel=1e-6)


@pytest.mark.parametrize(("share", "said"), [(0.999, True), (1.001, False)])
def test_a_layer_that_does_not_bond_alone(share, said):
    warnings = stack(exposure=Q(share * 8.0 / Q_, "mJ/cm^2")).warnings
    words = (
        f"The layer alone does not bond: {8.0 * share:.4g} mJ/cm^2 reaches its bottom, not more than the critical exposure of 8 mJ/cm^2.",
    )
    assert warnings == (words if said else ())


@pytest.mark.parametrize(("layers_deep", "said"), [(3.95, False), (4.05, True)])
def test_one_exposure_that_cures_many_layers(layers_deep, said):
    warnings = stack(exposure=Q(8.0 * math.exp(layers_deep * 0.1 / 0.15), "mJ/cm^2")).warnings
    assert warnings == (("One exposure cures more than four layers deep: print-through will be large.",) if said else ())


def test_a_line_is_no_face_and_a_layer_that_does_not_cure_no_stack():
    warnings = evaluate_stack(resin=resin(), layer_thickness=Q(0.1, "mm"), beam=beam(), scan=LINE).warnings
    assert "A single line was taken for the face: a flat face is a raster. Give the hatch spacing for its mean exposure." in warnings
    with pytest.raises(NoSolution) as caught:
        stack(exposure=Q(7.9, "mJ/cm^2"))
    assert str(caught.value) == (
        "A single layer does not cure: its exposure does not exceed the critical exposure of 8 mJ/cm^2. Slow the scan or raise the power."
    )
    assert caught.value.limit == "critical_exposure"


# ---------------------------------------------------------------- remarks beside a setting


def remarks(answer, start):
    return [text for text in answer.warnings if text.startswith(start)]


@pytest.mark.parametrize(("radii", "said"), [(1.29, False), (1.31, True)])
def test_spacing_beyond_one_point_three_radii(radii, said):
    answer = evaluate(beam=beam(), resin=resin(), scan=Scan(scan_speed=Q(0.3, "m/s"), hatch_spacing=Q(radii * 0.125, "mm")))
    words = "The hatch spacing exceeds 1.3 beam radii across the lines: the mean exposure says little about the weakest place."
    assert remarks(answer, "The hatch spacing") == ([words] if said else [])


def test_the_smaller_radius_across_crossed_lines_counts():
    wide = Beam(power=Q(30.0, "mW"), radius_x=Q(0.1, "mm"), radius_y=Q(0.2, "mm"))
    for cross, spacing, said in ((False, 0.25, False), (False, 0.27, True), (True, 0.125, False), (True, 0.135, True)):
        scan = Scan(scan_speed=Q(0.3, "m/s"), hatch_spacing=Q(spacing, "mm"), cross_hatch=cross)
        assert bool(remarks(evaluate(beam=wide, resin=resin(), scan=scan), "The hatch spacing")) == said


@pytest.mark.parametrize(("radii", "said"), [(0.99, False), (1.01, True)])
def test_pulses_beyond_one_radius(radii, said):
    pulsed = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), pulse_rate=Q(300.0 / (radii * 0.125), "Hz"))
    answer = evaluate(beam=pulsed, resin=resin(), scan=Scan(scan_speed=Q(0.3, "m/s")))
    words = "Pulses land more than one beam radius apart: the line is beaded along the track."
    assert remarks(answer, "Pulses") == ([words] if said else [])
    oval = Beam(power=Q(30.0, "mW"), radius_x=Q(0.125, "mm"), radius_y=Q(0.5, "mm"), pulse_rate=Q(300.0 / (radii * 0.125), "Hz"))
    assert remarks(evaluate(beam=oval, resin=resin(), scan=Scan(scan_speed=Q(0.3, "m/s"))), "Pulses") == ([words] if said else [])


@pytest.mark.parametrize(("share", "said"), [(0.49, False), (0.51, True)])
def test_depth_within_two_uncertainties_of_zero(share, said):
    """u(Cd)/Cd = u(P)/P / L."""
    answer = evaluate(beam=beam(power=share * LN), resin=resin(), scan=LINE)
    words = "The depth is within two standard uncertainties of zero: the first-order uncertainty is not to be trusted there."
    assert remarks(answer, "The depth is within") == ([words] if said else [])


def test_a_layer_out_of_reach_and_nothing_cured():
    short = evaluate(beam=beam(), resin=resin(), scan=LINE, layer_thickness=Q(0.2, "mm"))
    assert remarks(short, "The layer does not") == [
        f"The layer does not reach the one below: the cured line ends {0.2 - 0.15 * LN:.4g} mm short of the layer thickness."
    ]
    raster = evaluate(
        beam=beam(), resin=resin(), scan=Scan(scan_speed=Q(1.0, "m/s"), hatch_spacing=Q(0.1, "mm")), layer_thickness=Q(0.4, "mm")
    )
    assert "the weakest place ends" in remarks(raster, "The layer does not")[0]
    unsure = evaluate(beam=beam(power=0.02), resin=resin(), scan=Scan(scan_speed=Q(3.0, "m/s")))
    none = evaluate(beam=beam(), resin=resin(), scan=Scan(scan_speed=Q(3.0, "m/s")))
    assert (
        list(none.warnings)
        == list(unsure.warnings)
        == [
            (
                f"Nothing cures on the axis of the line: its exposure of {100 * E_LINE / 3:.4g} mJ/cm^2 does not exceed the critical "
                "exposure of 8 mJ/cm^2. The depth there is 0."
            )
        ]
    )
    valley = evaluate(beam=beam(), resin=resin(), scan=Scan(scan_speed=Q(9.0, "m/s"), hatch_spacing=Q(0.1, "mm")))
    assert valley.warnings[0].startswith("Nothing cures half-way between the lines: ")
    assert not valley.cures


@pytest.mark.parametrize("name", RANGES)
def test_values_far_outside_the_trade(name):
    """The ranges themselves are common practice, no source; here: inside is silent, a hair outside is not."""
    _, low, high = RANGES[name]
    for value, said in ((low, False), (high, False), (low * 0.999, True), (high * 1.001, True)):
        assert bool(odd_values({name: value})) == said


def test_the_ranges_as_people_read_them():
    """Common practice, no source: half a milliwatt to 20 W, 2 um to 2 mm of spot, and so on."""
    usual = {
        "power": "0.5 to 20000 mW",
        "beam_radius": "0.002 to 2 mm",
        "radius_x": "0.002 to 2 mm",
        "radius_y": "0.002 to 2 mm",
        "scan_speed": "0.5 to 100000 mm/s",
        "hatch_spacing": "0.001 to 2 mm",
        "penetration_depth": "0.005 to 2 mm",
        "critical_exposure": "0.1 to 500 mJ/cm^2",
        "bleaching_exposure": "0.1 to 100000 mJ/cm^2",
        "exposure": "0.1 to 5000 mJ/cm^2",
        "layer_thickness": "0.002 to 2 mm",
        "pulse_rate": "500 to 1e+09 Hz",
        "passes": "1 to 100",
    }
    for name, span in usual.items():
        assert odd_values({name: RANGES[name][2] * 1.5})[0].partition("usual ")[2] == f"{span}: check its unit."
