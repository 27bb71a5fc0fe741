"""A lot and a measured beam stand wherever a resin and a beam are asked for, or one line says what is wanted."""

import math

import pytest

from curecalc import Beam, Resin, Scan, evaluate, evaluate_stack, make_recipe, plan_coupons, solve, solve_power
from curecalc.errors import QuantityError
from curecalc.jobs.beam import BeamRecord
from curecalc.jobs.lot import RESIN
from curecalc.jobs.machine import MACHINE, starting_machine
from curecalc.jobs.needs import NEEDS, starting_needs
from curecalc.units import Measured
from curecalc.units import Quantity as Q

LOT = RESIN.parse('schema = 1\nname = "d"\npenetration_depth = "0.15 mm"\ncritical_exposure = "8 mJ/cm^2"', source="r.toml")
RECORD = BeamRecord(radius_x=Measured(Q(0.125, "mm"), Q(0.002, "mm")), power=Measured(Q(30.0, "mW"), Q(0.5, "mW")))
LINE = Scan(scan_speed=Q(300.0, "mm/s"))
LAYER = Q(0.1, "mm")


def test_a_lot_and_a_beam_record_give_what_their_resin_and_beam_give():
    e = math.sqrt(2.0 / math.pi) * 30.0 / (0.125 * 300.0)  # mJ/mm^2 on the axis, `gibson2015` eq. 4.14
    got = evaluate(beam=RECORD, resin=LOT, scan=LINE, layer_thickness=LAYER)
    assert got.outputs["cure_depth"].m_as("mm") == pytest.approx(0.15 * math.log(100.0 * e / 8.0), rel=1e-12)
    assert got.standard_uncertainty["cure_depth"].m > 0
    plain = evaluate(beam=RECORD.beam(), resin=LOT.resin, scan=LINE, layer_thickness=LAYER)
    assert got.to_dict() == plain.to_dict()
    speed = solve("scan_speed", beam=RECORD, resin=LOT, cure_depth=Q(0.15 * math.log(100.0 * e / 8.0), "mm"))
    assert speed.value.m_as("mm/s") == pytest.approx(300.0, rel=1e-9)
    stack = evaluate_stack(beam=RECORD, resin=LOT, scan=LINE, layer_thickness=LAYER)
    assert stack.to_dict() == evaluate_stack(beam=RECORD.beam(), resin=LOT.resin, scan=LINE, layer_thickness=LAYER).to_dict()
    guess = {"penetration_depth": Q(0.15, "mm"), "critical_exposure": Q(8.0, "mJ/cm^2"), "coupons": 8}
    assert plan_coupons(**guess, beam=RECORD).to_dict() == plan_coupons(**guess, beam=RECORD.beam()).to_dict()


def test_a_beam_record_without_power_serves_where_the_power_is_asked_for():
    bare = BeamRecord(radius_x=RECORD.radius_x)
    assert solve_power(beam=bare, resin=LOT, scan=LINE, cure_depth=Q(0.2, "mm")).value.m_as("mW") > 0
    with pytest.raises(QuantityError, match=r"power is missing from the beam record\. Give power="):
        evaluate(beam=bare, resin=LOT, scan=LINE)


@pytest.mark.parametrize("wrong", [None, 3.0, "r.toml", LINE])
def test_anything_else_gets_one_line(wrong):
    beam, resin = RECORD.beam(), LOT.resin
    for call in (
        lambda: evaluate(beam=beam, resin=wrong, scan=LINE),
        lambda: solve("scan_speed", beam=beam, resin=wrong, cure_depth=Q(0.15, "mm")),
        lambda: evaluate_stack(resin=wrong, layer_thickness=LAYER, exposure=Q(20.0, "mJ/cm^2")),
    ):
        with pytest.raises(QuantityError, match=f"^resin must be a Resin, or a lot as read_resin reads it, got {type(wrong).__name__}"):
            call()
    for call in (
        lambda: evaluate(beam=wrong, resin=resin, scan=LINE),
        lambda: solve("scan_speed", beam=wrong, resin=resin, cure_depth=Q(0.15, "mm")),
    ):
        with pytest.raises(QuantityError, match=f"^beam must be a Beam, or the record of a measured one, got {type(wrong).__name__}"):
            call()


def test_a_recipe_says_that_it_needs_a_lot():
    machine, needs = MACHINE.parse(starting_machine(), source="m"), NEEDS.parse(starting_needs(), source="n")
    resin = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
    with pytest.raises(QuantityError, match=r"^resin must be a lot, as read_resin reads it or lot_of_fit makes it, got Resin"):
        make_recipe(machine=machine, resin=resin, needs=needs)
    assert isinstance(RECORD.beam(), Beam)
