"""Every units-aware function: value against its kernel-free neighbour units, shapes, arrays, and an error for every argument.

One table lists the functions with sound arguments and the rule of each; completeness is checked against `__all__`, so a
new function without a row here fails.
"""

import inspect
import math

import numpy as np
import pytest

from curecalc.errors import QuantityError
from curecalc.formulas import beam, field, raster, resin, scan, stack
from curecalc.units import Measured, Quantity

Q = Quantity
OTHER = {  # the same quantity written in another unit
    "mm": "um",
    "um": "inch",
    "nm": "um",
    "mW": "W",
    "mm/s": "m/s",
    "mJ/cm^2": "J/m^2",
    "mJ/mm^2": "uJ/cm^2",
    "Hz": "kHz",
    "deg": "rad",
    "rad/s": "deg/ms",
}
WRONG = {
    "mm": "mW",
    "um": "mW",
    "nm": "s",
    "mW": "mJ",
    "mm/s": "mm",
    "mJ/cm^2": "mW/cm^2",
    "mJ/mm^2": "mJ",
    "Hz": "s",
    "deg": "mm",
    "rad/s": "rad",
}

# rule: + above zero, 0 not below zero, f any finite, a 0 to 80 deg, n count, r plain ratio, L layers (count or infinity)
P, W0, V = (30.0, "mW", "+"), (0.125, "mm", "+"), (1000.0, "mm/s", "+")
DP, EC, CD = (0.15, "mm", "+"), (8.0, "mJ/cm^2", "+"), (0.12, "mm", "0")
FUNCTIONS = {
    resin.cure_depth: {"exposure": (20.0, "mJ/cm^2", "0"), "penetration_depth": DP, "critical_exposure": EC},
    resin.exposure_for_depth: {"cure_depth": CD, "penetration_depth": DP, "critical_exposure": EC},
    resin.exposure_at_depth: {"exposure": (20.0, "mJ/cm^2", "0"), "depth": CD, "penetration_depth": DP},
    resin.penetration_depth_from_absorbance: {"absorbance": (0.9, None, "r"), "path_length": (0.093, "mm", "+")},
    resin.bleaching_cure_depth: {
        "exposure": (30.0, "mJ/cm^2", "0"),
        "penetration_depth": DP,
        "critical_exposure": EC,
        "bleaching_exposure": (10.0, "mJ/cm^2", "+"),
    },
    resin.bleaching_exposure_for_depth: {
        "cure_depth": CD,
        "penetration_depth": DP,
        "critical_exposure": EC,
        "bleaching_exposure": (10.0, "mJ/cm^2", "+"),
    },
    resin.initiation_rate: {
        "exposure": (30.0, "mJ/cm^2", "+"),
        "depth": CD,
        "penetration_depth": DP,
        "bleaching_exposure": (10.0, "mJ/cm^2", "+"),
    },
    resin.threshold_cure_depth: {
        "equivalent_exposure": (20.0, "mJ/cm^2", "0"),
        "penetration_depth": DP,
        "critical_exposure": EC,
        "exponent": (0.8, None, "r"),
    },
    resin.threshold_exposure_for_depth: {"cure_depth": CD, "penetration_depth": DP, "critical_exposure": EC, "exponent": (0.8, None, "r")},
    beam.radius_from_diameter: {"diameter": (0.25, "mm", "+")},
    beam.radius_from_fwhm: {"fwhm": (0.25, "mm", "+")},
    beam.radius_from_d4sigma: {"d4sigma": (0.25, "mm", "+")},
    beam.beam_diameter: {"beam_radius": W0},
    beam.beam_fwhm: {"beam_radius": W0},
    beam.beam_irradiance: {"power": P, "beam_radius": W0, "distance": (0.1, "mm", "0")},
    beam.enclosed_power: {"beam_radius": W0, "distance": (0.1, "mm", "0")},
    beam.top_hat_irradiance: {"power": P, "beam_radius": W0},
    beam.perpendicular_radius: {
        "radius_x": W0,
        "radius_y": (0.2, "mm", "+"),
        "track_angle": (25.0, "deg", "f"),
        "spot_angle": (-7.0, "deg", "f"),
    },
    beam.rayleigh_range: {"waist_radius": W0, "wavelength": (355.0, "nm", "+"), "beam_quality": (1.3, None, "r")},
    beam.radius_at: {"defocus": (-12.0, "mm", "f"), "waist_radius": W0, "wavelength": (355.0, "nm", "+"), "beam_quality": (1.3, None, "r")},
    beam.defocus_for_radius: {
        "beam_radius": (0.5, "mm", "+"),
        "waist_radius": W0,
        "wavelength": (355.0, "nm", "+"),
        "beam_quality": (1.3, None, "r"),
    },
    scan.scan_exposure: {"power": P, "beam_radius": W0, "scan_speed": V},
    scan.scan_speed: {"power": P, "beam_radius": W0, "penetration_depth": DP, "critical_exposure": EC, "cure_depth": CD},
    scan.power_for_depth: {"scan_speed": V, "beam_radius": W0, "penetration_depth": DP, "critical_exposure": EC, "cure_depth": CD},
    scan.line_width: {"beam_radius": W0, "cure_depth": CD, "penetration_depth": DP, "depth": (0.05, "mm", "0")},
    scan.section_depth: {"distance": (-0.05, "mm", "f"), "beam_radius": W0, "cure_depth": CD, "penetration_depth": DP},
    scan.segment_exposure: {
        "power": P,
        "beam_radius": W0,
        "scan_speed": V,
        "length": (0.5, "mm", "+"),
        "position": (0.1, "mm", "f"),
        "distance": (-0.02, "mm", "f"),
    },
    scan.top_hat_exposure: {"power": P, "beam_radius": W0, "scan_speed": V, "distance": (-0.02, "mm", "f")},
    field.incidence_angle: {"distance": (100.0, "mm", "0"), "beam_height": (500.0, "mm", "+")},
    field.footprint_factor: {"incidence_angle": (20.0, "deg", "a")},
    field.refraction_angle: {"incidence_angle": (20.0, "deg", "a"), "refractive_index": (1.5, None, "r")},
    field.vertical_depth_factor: {"incidence_angle": (20.0, "deg", "a"), "refractive_index": (1.5, None, "r")},
    field.fresnel_loss: {"incidence_angle": (20.0, "deg", "a"), "refractive_index": (1.5, None, "r")},
    field.transmission_ratio: {"incidence_angle": (20.0, "deg", "a"), "refractive_index": (1.5, None, "r")},
    field.surface_speed: {"beam_height": (500.0, "mm", "+"), "beam_turn_rate": (2.0, "rad/s", "+"), "incidence_angle": (20.0, "deg", "a")},
    raster.mean_exposure: {"power": P, "scan_speed": V, "hatch_spacing": (0.1, "mm", "+")},
    raster.raster_exposure: {"power": P, "beam_radius": W0, "scan_speed": V, "hatch_spacing": (0.16, "mm", "+"), "passes": (2, None, "n")},
    raster.raster_profile: {
        "power": P,
        "beam_radius": W0,
        "scan_speed": V,
        "hatch_spacing": (0.16, "mm", "+"),
        "distance": (-0.05, "mm", "f"),
    },
    raster.hatch_spacing_for_exposure: {"power": P, "beam_radius": W0, "scan_speed": V, "exposure": (20.0, "mJ/cm^2", "+")},
    raster.pulse_exposure: {"power": P, "beam_radius": W0, "scan_speed": V, "pulse_rate": (5000.0, "Hz", "+")},
    raster.breakup_speed: {"power": P, "beam_radius": W0, "pulse_rate": (5000.0, "Hz", "+"), "critical_exposure": EC},
    raster.light_limited_area_rate: {"power": P, "exposure": (20.0, "mJ/cm^2", "+")},
    stack.stack_exposure: {
        "exposure": (20.0, "mJ/cm^2", "+"),
        "depth": CD,
        "layer_thickness": (0.1, "mm", "+"),
        "penetration_depth": DP,
        "layers": (5, None, "L"),
    },
    stack.interface_exposure: {
        "exposure": (20.0, "mJ/cm^2", "+"),
        "layer_thickness": (0.1, "mm", "+"),
        "penetration_depth": DP,
        "layers": (5, None, "L"),
    },
    stack.print_through: {
        "cure_depth": (0.12, "mm", "+"),
        "layer_thickness": (0.1, "mm", "+"),
        "penetration_depth": DP,
        "layers": (5, None, "L"),
    },
}
CALLED = {  # what the message calls an argument where that is not the argument's own name
    (beam.radius_from_diameter, "diameter"): "beam_diameter",
    (beam.radius_from_fwhm, "fwhm"): "beam_fwhm",
}
IDS = [f"{f.__module__.rpartition('.')[2]}.{f.__name__}" for f in FUNCTIONS]
ARGUMENTS = [(f, name) for f, table in FUNCTIONS.items() for name in table]
ARGUMENT_IDS = [f"{f.__module__.rpartition('.')[2]}.{f.__name__}-{name}" for f, name in ARGUMENTS]


def sound(function, **changed):
    given = {n: v if u is None else Q(v, u) for n, (v, u, _) in FUNCTIONS[function].items()}
    return given | changed


def numbers(result):
    """A flat list of magnitudes, whatever record came back; each must be a quantity."""
    parts = result if isinstance(result, tuple) else (result,)
    assert all(isinstance(part, Quantity) for part in parts)
    return [part.m for part in parts]


def test_the_table_has_every_public_function_and_every_argument():
    for module in (resin, beam, scan, field, raster, stack):
        for name in module.__all__:
            thing = getattr(module, name)
            if inspect.isfunction(thing):
                assert thing in FUNCTIONS, f"{module.__name__}.{name} has no row"
                assert list(FUNCTIONS[thing]) == list(inspect.signature(thing).parameters)


@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_a_scalar_call_gives_finite_float64_and_the_documented_unit(function):
    result = function(**sound(function))
    for number in numbers(result):
        assert np.ndim(number) == 0
        assert isinstance(number, float)
        assert math.isfinite(number)
    parts = result if isinstance(result, tuple) else (result,)
    again = function(**sound(function, **scaled_units(function)))
    for part, same in zip(parts, again if isinstance(again, tuple) else (again,)):
        assert part.units == same.units, "one answer unit, whatever the inputs were in"


def scaled_units(function):
    return {n: Q(v, u).to(OTHER[u]) for n, (v, u, _) in FUNCTIONS[function].items() if u}


@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_units_of_the_inputs_do_not_matter(function):
    want = numbers(function(**sound(function)))
    assert numbers(function(**sound(function, **scaled_units(function)))) == pytest.approx(want, rel=1e-12)
    for name, value in scaled_units(function).items():
        assert numbers(function(**sound(function, **{name: value}))) == pytest.approx(want, rel=1e-12)


def spread(value, rule, shape):
    """Sound values around the given one."""
    steps = np.linspace(0.9, 1.1, math.prod(shape)).reshape(shape)
    if rule == "n" or rule == "L":
        return np.arange(1, 1 + math.prod(shape)).reshape(shape)
    return value * steps


@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_arrays_equal_scalars_and_broadcast(function):
    table = FUNCTIONS[function]
    shapes = [(3, 1), (4,), (1, 1), (3, 4), (), (1, 4)]
    given = {}
    for (name, (value, unit, rule)), shape in zip(table.items(), shapes):
        values = spread(value, rule, shape)
        given[name] = values if unit is None else Q(np.asarray(values, float), unit)
    result = numbers(function(**given))
    whole = np.broadcast_shapes(*shapes[: len(table)])
    for index in np.ndindex(whole):
        one = {}
        for name, (_, unit, rule) in table.items():
            magnitudes = np.broadcast_to(given[name] if unit is None else given[name].m, whole)
            value = magnitudes[index].item()
            one[name] = (int(value) if rule in "nL" else value) if unit is None else Q(value, unit)
        for part, single in zip(result, numbers(function(**one))):
            assert part.shape == whole
            assert part.dtype == np.float64
            # vector and scalar forms of exp and log may differ in the last digit
            assert part[index] == pytest.approx(single, rel=2e-14, abs=1e-300)


@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_whole_numbers_and_float32_become_float64(function):
    table = FUNCTIONS[function]
    for name, (value, unit, _) in table.items():
        if unit:
            low = np.float32(value)
            got = numbers(function(**sound(function, **{name: Q(np.array([low]), unit)})))
            want = numbers(function(**sound(function, **{name: Q(float(low), unit)})))
            for g, w in zip(got, want):
                assert g.dtype == np.float64
                assert g[0] == pytest.approx(w, rel=1e-14)


@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_inputs_are_left_as_they_were(function):
    given = {n: Q(np.array([v, v]), u) for n, (v, u, _) in FUNCTIONS[function].items() if u}
    kept = {n: q.m.copy() for n, q in given.items()}
    function(**sound(function, **given))
    for n, q in given.items():
        assert np.array_equal(q.m, kept[n])


def refused(function, name, value):
    with pytest.raises(QuantityError) as caught:
        function(**sound(function, **{name: value}))
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 240
    assert message.endswith(".")
    called = CALLED.get((function, name), name)
    assert called in message, message
    return message


@pytest.mark.parametrize(("function", "name"), ARGUMENTS, ids=ARGUMENT_IDS)
def test_every_argument_is_checked(function, name):
    value, unit, rule = FUNCTIONS[function][name]
    required = inspect.signature(function).parameters[name].default is inspect.Parameter.empty
    refused(function, name, "nonsense")
    refused(function, name, object())
    refused(function, name, True)
    if required:
        refused(function, name, None)
    if unit is None:
        for bad in (math.nan, -math.inf, -1.0, 1j, [], "2") + ((1.5, 0) if rule in "nL" else (0.0,)):
            refused(function, name, bad)
        if rule != "L":
            refused(function, name, math.inf)
        refused(function, name, np.array([value, math.nan]))
        refused(function, name, Q(1.0, "mm"))
        return
    assert "no unit" in refused(function, name, value)
    assert "no unit" in refused(function, name, np.array([value]))
    assert "no unit" in refused(function, name, [value, value])
    assert "must convert to" in refused(function, name, Q(value, WRONG[unit]))
    assert ("no unit" if unit == "deg" else "must convert to") in refused(function, name, Q(value, ""))
    assert "uncertainty" in refused(function, name, Measured(Q(value, unit), Q(0.0, unit)))
    for bad in (math.nan, math.inf, -math.inf):
        assert "finite" in refused(function, name, Q(bad, unit)) or rule == "a"
        assert "index 1" in refused(function, name, Q(np.array([value, bad]), unit)) or rule == "a"
    assert "empty" in refused(function, name, Q(np.array([]), unit))
    refused(function, name, Q(value + 1j, unit))
    refused(function, name, Q(np.array(["x"], dtype=object), unit))
    refused(function, name, Q(np.ma.masked_array([value, value], [0, 1]), unit))
    if rule == "+":
        assert "above zero" in refused(function, name, Q(0.0, unit))
        assert "above zero" in refused(function, name, Q(-value, unit))
        assert "index 2" in refused(function, name, Q(np.array([value, value, -value]), unit))
    elif rule == "0":
        function(**sound(function, **{name: Q(0.0, unit)}))
        assert "below zero" in refused(function, name, Q(-value, unit))
        assert "below zero" in refused(function, name, Q(np.array([value, -value]), unit))
    elif rule == "f":
        function(**sound(function, **{name: Q(0.0, unit)}))
        function(**sound(function, **{name: Q(-value, unit)}))
    elif rule == "a":
        function(**sound(function, **{name: Q(0.0, unit)}))
        function(**sound(function, **{name: Q(80.0, unit)}))
        for bad in (-0.001, 80.001, 90.0):
            assert "0 to 80 deg" in refused(function, name, Q(bad, unit))
            assert "0 to 80 deg" in refused(function, name, Q(np.array([20.0, bad]), unit))


def answers_or_refuses(function, changed):
    said = ""
    try:
        result = numbers(function(**sound(function, **changed)))
    except QuantityError as error:
        result, said = [], str(error)
    assert "\n" not in said
    assert all(np.isfinite(part).all() for part in result)


EXTREME = [1e-300, 1e-160, 1e160, 1e300]


@pytest.mark.parametrize("size", EXTREME, ids=str)
@pytest.mark.parametrize(
    ("function", "name"),
    [a for a in ARGUMENTS if FUNCTIONS[a[0]][a[1]][1]],
    ids=[i for a, i in zip(ARGUMENTS, ARGUMENT_IDS) if FUNCTIONS[a[0]][a[1]][1]],
)
def test_absurd_sizes_give_an_answer_or_one_clear_line_never_nan(function, name, size):
    _, unit, _ = FUNCTIONS[function][name]
    for value in (Q(size, unit), Q(np.array([size, size]), unit)):
        answers_or_refuses(function, {name: value})


@pytest.mark.parametrize("size", EXTREME, ids=str)
@pytest.mark.parametrize("function", FUNCTIONS, ids=IDS)
def test_absurd_sizes_everywhere_at_once(function, size):
    rng = np.random.default_rng(1)
    for _ in range(4):
        given = {}
        for name, (_, unit, _) in FUNCTIONS[function].items():
            if unit:
                given[name] = Q(float(size if rng.random() < 0.7 else 1.0 / size), unit)
        answers_or_refuses(function, given)


def test_positional_use_of_the_main_functions_is_refused():
    for function in FUNCTIONS:
        if len(FUNCTIONS[function]) > 2:
            with pytest.raises(TypeError):
                function(*sound(function).values())


def test_a_depth_no_exposure_can_reach_is_said_so():
    for function in (scan.scan_speed, scan.power_for_depth, resin.exposure_for_depth, resin.threshold_exposure_for_depth):
        assert "penetration depths" in refused(function, "cure_depth", Q(800.0, "mm"))
    # a bleaching front walks on: far down the exposure grows by Eb for each penetration depth, and a number holds it
    far, near = (
        resin.bleaching_exposure_for_depth(**sound(resin.bleaching_exposure_for_depth, cure_depth=Q(d, "mm"))) for d in (800.0, 799.85)
    )
    assert (far - near).m_as("mJ/cm^2") == pytest.approx(10.0, rel=1e-9)


def test_angles_and_plain_numbers_do_not_pass_for_each_other():
    assert "no unit" in refused(beam.perpendicular_radius, "track_angle", Q(25.0, ""))
    assert "angle" in refused(field.fresnel_loss, "refractive_index", Q(1.5, "rad"))
    assert "angle" in refused(raster.breakup_speed, "pulse_rate", Q(5000.0, "rad/s"))
    assert "angle" in refused(raster.breakup_speed, "pulse_rate", Q(5000.0, "rpm"))
    assert "angle" in refused(field.surface_speed, "beam_turn_rate", Q(2.0, "Hz"))


def test_a_wanted_radius_below_the_waist_is_refused():
    assert "waist" in refused(beam.defocus_for_radius, "beam_radius", Q(0.1249, "mm"))
    assert "waist" in refused(beam.defocus_for_radius, "beam_radius", Q(np.array([0.2, 0.1]), "mm"))
