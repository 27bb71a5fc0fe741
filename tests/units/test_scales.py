"""The two factors between what kernels carry and what people read."""

from curecalc.units import IN_CM2, IN_UM, Quantity


def test_factors_of_what_people_read_are_those_of_the_units():
    # the unit library's own conversion
    assert Quantity(1.0, "mJ/mm^2").to("mJ/cm^2").magnitude == IN_CM2
    assert abs(Quantity(1.0, "mm").to("um").magnitude - IN_UM) < 1e-9
