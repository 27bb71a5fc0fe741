"""Recipe, window and field edge against the moving beam integrated by itself, from the files people write."""

from __future__ import annotations

import re
from dataclasses import replace
from math import atan, cos, degrees, hypot, inf, pi, sqrt

import numpy as np
import pytest
from scipy import integrate, optimize

from curecalc.errors import FileError
from curecalc.jobs.lot import read_resin
from curecalc.physics import laws
from curecalc.recipe.bounds import Hold
from curecalc.recipe.inputs import gather
from curecalc.recipe.outcome import at_settings
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.steps import vector_steps
from curecalc.recipe.window import process_window

from . import integration as oracle
from .cases import CLOSE, EVERY, LAWS, SENSIBLE, Case, Kind, drawn
from .shop import TODAY, machine_file, needs_file, resin_file
from .test_every_caller import all_of, told

_MADE = [kind for kind in SENSIBLE if kind.spot != "flat" and not kind.leans]


def files(folder, case: Case, **more):
    """The three records, read from files."""
    return {"machine": machine_file(folder, case), "resin": resin_file(folder, case), "needs": needs_file(folder, case, **more)}


def gathered(folder, case: Case, **more):
    three = files(folder, case, **more)
    return gather(three["machine"], three["resin"], three["needs"], today=TODAY).tasks[0]


def near(case: Case, got, wanted) -> bool:
    return abs(float(got) - wanted) <= case.near(abs(wanted))


@pytest.mark.parametrize("kind", all_of(_MADE))
def test_settings_of_a_recipe(kind, tmp_path):
    case, doses = told(kind)
    task = gathered(tmp_path, case)
    assert task.layers == 4
    scan = case.scan
    found = at_settings(task, scan.power, case.spot.wx, scan.spacing, scan.speed)
    for name, dose in (("min", doses.low), ("mean", doses.mean), ("max", doses.high)):
        assert float(found[f"dose_{name}"]) == pytest.approx(dose, rel=CLOSE)
    if case.w != 1.0:
        plain = case.doses(weighted=False)
        for name, dose in (("min", plain.low), ("mean", plain.mean), ("max", plain.high)):
            assert float(found[f"exposure_{name}"]) == pytest.approx(dose, rel=CLOSE)
    depth = case.depth(doses.low)
    assert near(case, found["depth"], depth)
    assert near(case, found["depth"] + found["ripple"], case.depth(doses.high))
    # the down-facing layer at its strongest, those on it at their mean
    wanted = oracle.print_through([doses.high, *[doses.mean] * 3], case.law, 4, case.layer)
    assert near(case, found["print_through"], wanted)
    if not kind.raster:
        beads = doses.low / doses.mean
        for name, bottom in (("line_width", 0.0), ("line_width_at_layer", case.layer)):
            _edge(case, float(found[name]), bottom, beads)


def _edge(case: Case, width: float, bottom: float, beads: float) -> None:
    """Just inside the edge the solid reaches the bottom, just outside it does not."""
    if width == 0.0:
        assert case.depth(beads * case.doses(scan=replace(case.scan, rate=None)).mean) <= bottom * (1 + CLOSE)
        return
    for y, solid in ((0.5 * width * (1 - 1e-6), True), (0.5 * width * (1 + 1e-6), False)):
        value = oracle.surface_value((0.0, y), case.spot, replace(case.scan, rate=None), case.law)
        assert (case.depth(beads * value) > bottom) == solid


_ELLIPSES = [k for k in _MADE if k.spot == "ellipse"]


@pytest.mark.parametrize("kind", all_of(_ELLIPSES, [k for k in _ELLIPSES if not k.pulsed and k.pattern != "crossed"][::3]))
def test_an_ellipse_without_a_direction_holds_in_all(kind, tmp_path):
    """The weakest of its own axes (of a crossed pattern also half-way between) is what counts, and the strongest."""
    case = drawn(kind)
    found = at_settings(gathered(tmp_path, case, turned=False), case.scan.power, case.spot.wx, case.scan.spacing, case.scan.speed)
    turns = (0.0, 45.0) if case.scan.crossed else (0.0, 90.0)
    seen = [case.doses(scan=replace(case.scan, track_angle=case.spot.spot_angle + turn)) for turn in turns]
    assert float(found["dose_min"]) == pytest.approx(min(d.low for d in seen), rel=CLOSE)
    assert float(found["dose_max"]) == pytest.approx(max(d.high for d in seen), rel=CLOSE)
    if not kind.pulsed:  # and no other direction is weaker
        others = [case.doses(scan=replace(case.scan, track_angle=case.spot.spot_angle + turn)) for turn in (10.0, 30.0, 60.0, 80.0)]
        assert min(d.low for d in others) >= float(found["dose_min"]) * (1 - CLOSE)


_WINDOWS = [k for k in _MADE if k.pattern in ("line", "raster", "crossed")]


@pytest.mark.parametrize("kind", all_of(_WINDOWS, [k for k in _WINDOWS if not (k.pulsed and k.raster)][::6]))
def test_the_window_of_a_recipe(kind, tmp_path):
    case = drawn(kind)
    recipe = make_recipe(**files(tmp_path, case, layers_above=2), today=TODAY, gains=False)
    vector = recipe.vectors[0]
    window = process_window(vector, "scan_speed", "power" if kind.raster else "beam_radius", points=5, with_assurance=False)
    solid = 0
    for i, j in ((0, 4), (3, 1), (4, 0)):
        held = {**window.held, window.across: float(window.x[j]), window.up: float(window.y[i])}
        ratio = 1.0 if case.spot.wy is None else case.spot.wy / case.spot.wx
        at = replace(
            case,
            spot=replace(case.spot, wx=held["beam_radius"], wy=None if case.spot.wy is None else ratio * held["beam_radius"]),
            scan=replace(case.scan, power=held["power"], speed=held["scan_speed"], spacing=held.get("hatch_spacing")),
        )
        doses = at.doses()
        assert near(at, window.cure_depth[i, j], at.depth(doses.low))
        if window.cure_depth[i, j] > 0.0:  # below gelling the ripple is one of doses
            assert near(at, window.cure_depth[i, j] + window.ripple[i, j], at.depth(doses.high))
            solid += 1
        wanted = oracle.print_through([doses.high, *[doses.mean] * 2], at.law, 3, at.layer)
        assert near(at, window.print_through[i, j], wanted)
    assert solid
    # and the recipe's own settings reach the depth they were asked for, by the integration
    best = replace(
        case,
        spot=replace(case.spot, wx=vector.best.beam_radius, wy=None if case.spot.wy is None else ratio * vector.best.beam_radius),
        scan=replace(case.scan, power=vector.best.power, speed=vector.best.scan_speed, spacing=vector.best.hatch_spacing),
    )
    assert best.depth(best.doses().low) >= case.layer + 0.01
    assert near(best, vector.cure_depth.m_as("mm"), best.depth(best.doses().low))


@pytest.mark.parametrize("law", LAWS)
def test_a_recipe_taken_apart(law, tmp_path):
    """The steps read the resin's own law backwards and forwards: dose of the depth asked for, depth of the dose aimed at."""
    case = drawn(Kind("round", law, "line", False, False))
    recipe = make_recipe(**files(tmp_path, case), today=TODAY, gains=False)
    vector = recipe.vectors[0]
    asked, needed, _, expected, aimed, *rest = vector_steps(recipe, vector)
    assert needed.formula == aimed.formula == case.resin().told.dose
    assert f"Dp = {case.law.dp:.6g} mm, Ec = {100 * case.law.ec:.6g} mJ/cm^2" in needed.numbers
    number = float(needed.result.removesuffix(" mJ/cm^2")) / 100
    assert case.depth(number) == pytest.approx(case.layer + 0.01, rel=2e-4)
    assert float(asked.result.removesuffix(" mm")) == pytest.approx(case.layer + 0.01, rel=1e-3)
    number = float(aimed.result.removesuffix(" mJ/cm^2")) / 100
    assert case.depth(number) == pytest.approx(float(expected.result.removesuffix(" mm")), rel=2e-4)
    assert float(expected.result.removesuffix(" mm")) == pytest.approx(vector.cure_depth.m_as("mm"), rel=2e-4)
    width = [step for step in rest if step.formula == "Lw = W0 sqrt(2 Cd/Dp)"]
    assert len(width) == (law is not oracle.Bleaching)  # no parabola where the law has not one reach
    for step in width:
        radius, depth, dp = (float(text) for text in re.findall(r"[0-9.]+(?= mm x|/|\))", step.numbers))
        assert radius * sqrt(2 * depth / dp) == pytest.approx(vector.line_width.m_as("mm"), rel=1e-4)


# ---------------------------------------------------------------- where the beam leans: the corner of the field

_EDGES = [k for k in _MADE if k.pattern in ("line", "raster") and not (k.pulsed and k.raster)]


def leaning(case: Case, theta: float, turn: float, wider: float = 1.0) -> Case:
    """The case where the beam leans by theta (rad) at an angle to the tracks, its spot wider by a factor."""
    wy = None if case.spot.wy is None else case.spot.wy * wider
    tilt = oracle.Tilt(degrees(theta), case.scan.track_angle + turn, case.tilt.n)
    return replace(case, spot=replace(case.spot, wx=case.spot.wx * wider, wy=wy), tilt=tilt)


@pytest.mark.parametrize("kind", all_of(_EDGES, [*_EDGES[::4], Kind("round", oracle.Bleaching, "line", False, False)]))
@pytest.mark.parametrize("held", ["true", "false"])
def test_the_corner_of_the_field(kind, held, tmp_path):
    """The change of depth is that of the worse of a beam that leans along the tracks and one that leans across, out of focus or not.

    W(z) = W sqrt(1 + (M^2 lambda z/(pi W^2))^2) with M^2 = 1.2, 355 nm and the longer way to the corner.
    """
    case = drawn(kind)
    field = {"field_width": "'180 mm'", "field_length": "'240 mm'", "beam_height": "'600 mm'", "focus_held": held}
    three = files(tmp_path, case) | {"machine": machine_file(tmp_path, case, beam={"beam_quality": "1.2"}, scanner=field)}
    vector = make_recipe(**three, today=TODAY, gains=False).vectors[0]
    best = vector.best
    ratio = None if case.spot.wy is None else case.spot.wy / case.spot.wx * best.beam_radius
    at = replace(
        case,
        spot=replace(case.spot, wx=best.beam_radius, wy=ratio),
        scan=replace(case.scan, power=best.power, speed=best.scan_speed, spacing=best.hatch_spacing),
    )
    theta = atan(150.0 / 600.0)
    off = 0.0 if held == "true" else 600.0 / cos(theta) - 600.0
    wider = hypot(1.0, 1.2 * 355e-6 * off / (pi * best.beam_radius**2))
    corner = [leaning(at, theta, turn, wider) for turn in (0.0, 90.0)]
    weakest = min(one.doses().low for one in corner)
    lost = vector.field_depth_change.m_as("mm")
    assert near(at, lost, corner[0].depth(weakest) - at.depth(at.doses().low))


@pytest.mark.parametrize(
    ("law", "ours"),
    [
        (oracle.Plain(0.15, 0.08), laws.Plain(0.15, 0.08)),
        (oracle.Bleaching(0.15, 0.08, 0.2), laws.Bleaching(0.15, 0.08, 0.2)),
        (oracle.Threshold(0.15, 0.08, 0.6, 40.0), laws.Threshold(0.15, 0.08, 0.6, 40.0)),
        (oracle.Threshold(0.15, 0.08, 1.5, 40.0), laws.Threshold(0.15, 0.08, 1.5, 40.0)),
    ],
)
@pytest.mark.parametrize("off", [0.0, 17.4])
@pytest.mark.parametrize("raster", [False, True])
def test_a_depth_held_to_the_corner(law, ours, raster, off, tmp_path):
    """A line, or a close raster, that reaches the deeper target in the centre reaches its depth in the corner however the beam leans."""
    theta, divergence = atan(170.0 / 500.0), 1.3 * 355e-6 / pi
    tilt = oracle.Tilt(degrees(theta))
    place = Hold(tilt.gain(), tilt.inner_cosine, 1 / cos(theta), off, divergence)
    kind = Kind("round", type(law), "raster" if raster else "line", False, False)
    case = replace(drawn(kind), spot=oracle.Spot(0.06), law=law, tilt=oracle.NORMAL, layer=0.1)
    task = gathered(tmp_path, case)
    task = replace(task, curve=replace(task.curve, law=ours), depth=0.18, hold=place)
    aim = float(task.depth_for(0.06))
    scan = oracle.Scan(power=50.0, speed=1000.0, spacing=0.03 if raster else None)
    scan = replace(scan, speed=1000.0 / float(ours.dose(aim)) * replace(case, scan=scan).doses().low)
    case = replace(case, scan=scan)
    assert case.depth(case.doses().low) == pytest.approx(aim, rel=CLOSE)
    wider = hypot(1.0, divergence * off / 0.06**2)
    there = [leaning(case, theta, turn, wider) for turn in (0.0, 90.0)]
    reached = min(one.depth(one.doses().low) for one in there)
    assert reached >= 0.18 * (1 - CLOSE)
    if not raster:
        assert reached == pytest.approx(0.18, rel=CLOSE)


# ---------------------------------------------------------------- refused


def test_pulses_under_a_threshold_are_refused(tmp_path):
    for kind in [k for k in EVERY if k.pulsed and k.law is oracle.Threshold and k.spot != "flat" and not k.leans]:
        with pytest.raises(FileError, match="a pulsed laser and a resin in which reciprocity fails cannot go together"):
            gathered(tmp_path, drawn(kind))


@pytest.mark.parametrize(
    "more", ['bleaching_exposure = "20 mJ/cm^2"', 'exponent = 0.8\nreference_irradiance = "500 mW/mm^2"'], ids=["bleaching", "threshold"]
)
def test_depths_of_a_data_sheet_are_those_of_the_plain_curve(more, tmp_path):
    path = tmp_path / "resin.toml"
    sheet = (
        'schema = 1\nname = "invented"\ncritical_exposure = "8 mJ/cm^2"\n{}\n[[depths]]\ndepth = "0.15 mm"\nexposure = "21.7463 mJ/cm^2"\n'
    )
    path.write_text(sheet.format(""), encoding="utf-8")
    assert read_resin(path).resin.penetration_depth.value.m_as("mm") == pytest.approx(0.15, rel=1e-5)  # 8 e mJ/cm^2: one Dp
    path.write_text(sheet.format(more), encoding="utf-8")
    with pytest.raises(FileError, match="an exposure for a depth is read by the plain curve"):
        read_resin(path)


def test_a_raster_without_lines_is_no_task(tmp_path):
    case = drawn(Kind("round", oracle.Plain, "line", False, False))
    with pytest.raises(FileError, match="cross_hatch"):
        needs_file(tmp_path, case, cross_hatch="true")


def test_endless_layers_settle(tmp_path):
    case = drawn(Kind("ellipse", oracle.Bleaching, "raster", False, False))
    case = replace(
        case, law=oracle.Bleaching(0.1, 0.08, 0.5), layer=0.15, scan=replace(case.scan, power=0.3 * case.scan.speed * case.scan.spacing)
    )
    task = gathered(tmp_path, case, layers_above=None)
    assert task.layers == inf
    found = at_settings(task, case.scan.power, case.spot.wx, case.scan.spacing, case.scan.speed)
    doses = case.doses()
    many = oracle.print_through([doses.high, *[doses.mean] * 30], case.law, 31, case.layer)
    assert float(found["print_through"]) == pytest.approx(many, rel=1e-6)


@pytest.mark.parametrize("exponent", [None, 0.8, 1.7])
@pytest.mark.parametrize("beam", ["off", "on", "follows speed"])
def test_the_weakest_place_of_vectors_that_speed_up(beam, exponent, tmp_path):
    """The moving beam added up moment by moment at every place from the margin to the middle; power falls to 0.3 of full at the least."""
    law = oracle.Plain(0.15, 0.08) if exponent is None else oracle.Threshold(0.15, 0.08, exponent, 800.0)
    case = replace(drawn(Kind("round", oracle.Plain, "line", False, False)), law=law)
    v, a, length, radius, w = case.scan.speed, 0.1 * case.scan.speed**2, 30.0, case.spot.wx, exponent or 1.0
    scanner = {"acceleration": f'"{a!r} mm/s^2"', "run_up_beam": f'"{beam}"'}
    machine = machine_file(tmp_path, case, scanner=scanner)
    task = gather(machine, resin_file(tmp_path, case), needs_file(tmp_path, case, vector_length=f'"{length} mm"'), today=TODAY).tasks[0]
    task = replace(task, bounds=replace(task.bounds, power_least=0.3 * case.scan.power))
    found = at_settings(task, case.scan.power, radius, None, v)
    rise = v / a
    t = np.linspace(0.0, 2.0 * rise + (length - v * rise) / v, 40_001)
    speed = np.minimum(np.minimum(a * t, a * (t[-1] - t)), v)
    place = integrate.cumulative_trapezoid(speed, t, initial=0.0)
    light = {"off": np.ones_like(t), "on": np.ones_like(t), "follows speed": np.maximum(speed / v, 0.3)}[beam] ** w
    if beam == "off":  # at full speed from end to end
        t, place = t * length / v / t[-1], np.linspace(0.0, length, t.size)

    def along(x):
        return float(np.trapezoid(light * np.exp(-2.0 * w * ((x - place) / radius) ** 2), t)) / (radius * sqrt(0.5 * pi / w) / v)

    places = np.linspace(task.run_up.margin * radius, 0.5 * length, 301)
    k = int(np.argmin([along(x) for x in places]))
    around = places[max(k - 1, 0)], places[min(k + 1, 300)]
    least = min(optimize.minimize_scalar(along, bounds=around, method="bounded").fun, along(places[k]))
    assert float(found["along_min"]) == pytest.approx(least, rel=2e-5)
    assert float(found["dose_min"]) == pytest.approx(case.doses().low * least, rel=2e-5)
    if beam == "follows speed" and w > 1.0:
        assert along(places[k]) < 0.5 * min(along(places[0]), along(places[-1]))  # neither at the end nor half-way
