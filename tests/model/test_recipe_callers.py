"""Recipe, window and field edge against the moving beam integrated by itself, from the files people write."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf

import numpy as np
import pytest

from curecalc.errors import FileError
from curecalc.physics import laws
from curecalc.recipe.consequences import edge_depth_needed, field_edge
from curecalc.recipe.inputs import gather
from curecalc.recipe.outcome import at_settings
from curecalc.recipe.recipe import make_recipe
from curecalc.recipe.window import process_window

from . import integration as oracle
from .cases import CLOSE, EVERY, SENSIBLE, Case, Kind, drawn
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


@pytest.mark.parametrize(
    "kind", all_of([k for k in _MADE if k.spot == "ellipse"], [k for k in _MADE if k.spot == "ellipse" and not (k.pulsed and k.raster)])
)
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


@pytest.mark.parametrize("kind", all_of(_WINDOWS, [k for k in _WINDOWS if not (k.pulsed and k.raster)][::2]))
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


# ---------------------------------------------------------------- where the beam leans: the corner of the field

_EDGES = [k for k in _MADE if k.pattern in ("line", "raster") and not (k.pulsed and k.raster)]


@pytest.mark.parametrize("kind", all_of(_EDGES, _EDGES[::2]))
def test_the_corner_of_the_field(kind, tmp_path):
    """The change of depth there is that of the worse of a beam that leans along the tracks and one that leans across."""
    case = drawn(kind)
    recipe = make_recipe(**files(tmp_path, case), today=TODAY, gains=False)
    best = recipe.vectors[0].best
    edge = field_edge(best, 150.0, 600.0, case.tilt.n)
    ratio = None if case.spot.wy is None else case.spot.wy / case.spot.wx * best.beam_radius
    at = replace(
        case,
        spot=replace(case.spot, wx=best.beam_radius, wy=ratio),
        scan=replace(case.scan, power=best.power, speed=best.scan_speed, spacing=best.hatch_spacing),
    )
    angle = float(np.degrees(np.arctan2(150.0, 600.0)))
    slanted = [replace(at, tilt=oracle.Tilt(angle, at.scan.track_angle + turn, case.tilt.n, 0.5)) for turn in (0.0, 90.0)]
    centre = at.depth(at.doses().low)
    weakest = min(one.doses().low for one in slanted)
    assert near(at, edge.depth_change, slanted[0].depth(weakest) - centre)


@pytest.mark.parametrize(
    ("law", "ours"),
    [
        (oracle.Plain(0.15, 0.08), laws.Plain(0.15, 0.08)),
        (oracle.Bleaching(0.15, 0.08, 0.2), laws.Bleaching(0.15, 0.08, 0.2)),
        (oracle.Threshold(0.15, 0.08, 0.6, 40.0), laws.Threshold(0.15, 0.08, 0.6, 40.0)),
        (oracle.Threshold(0.15, 0.08, 1.5, 40.0), laws.Threshold(0.15, 0.08, 1.5, 40.0)),
    ],
)
@pytest.mark.parametrize("raster", [False, True])
def test_a_depth_held_to_the_corner(law, ours, raster):
    """A line, or a close raster, that reaches the deeper target in the centre reaches its depth in the corner however the beam leans."""
    aim = edge_depth_needed(0.18, ours, hypot(120.0, 120.0), 500.0, 1.5, raster_lines=raster)
    spot, scan = oracle.Spot(0.1), oracle.Scan(power=50.0, speed=1000.0, spacing=0.05 if raster else None)
    w, i_ref = getattr(law, "w", 1.0), getattr(law, "i_ref", 1.0)
    # the speed at which the centre reaches the aim
    scale = float(ours.dose(aim)) / oracle.dose_power((0.0, 0.025 if raster else 0.0), w, i_ref, spot, scan)
    scan = replace(scan, speed=scan.speed / scale)
    place = (0.0, 0.025 if raster else 0.0)
    assert oracle.depth(oracle.dose_power(place, w, i_ref, spot, scan), law) == pytest.approx(aim, rel=CLOSE)
    angle = float(np.degrees(np.arctan2(hypot(120.0, 120.0), 500.0)))
    reached = [oracle.local_depth(place, spot, scan, law, oracle.Tilt(angle, turn)) for turn in (0.0, 90.0)]
    assert min(reached) >= 0.18 * (1 - CLOSE)
    if not raster:
        assert min(reached) == pytest.approx(0.18, rel=CLOSE)


# ---------------------------------------------------------------- refused


def test_pulses_under_a_threshold_are_refused(tmp_path):
    for kind in [k for k in EVERY if k.pulsed and k.law is oracle.Threshold and k.spot != "flat" and not k.leans]:
        with pytest.raises(FileError, match="a pulsed laser and a resin in which reciprocity fails cannot go together"):
            gathered(tmp_path, drawn(kind))


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
