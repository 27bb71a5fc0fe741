"""Two settings beside each other: how far each output of one lies from that of the other."""

from __future__ import annotations

from ..units import Quantity
from .answer import Answer

__all__ = ["differences"]


def differences(now: Answer, before: Answer) -> dict[str, Quantity]:
    """Each output both have, the second taken from the first.

    >>> from curecalc.formulas.beam import Beam
    >>> from curecalc.formulas.resin import Resin
    >>> from curecalc.formulas.scan import Scan
    >>> from curecalc.setting.answer import evaluate
    >>> from curecalc.units import Quantity as Q
    >>> resin = Resin(penetration_depth=Q(0.15, "mm"), critical_exposure=Q(8.0, "mJ/cm^2"))
    >>> a, b = (
    ...     evaluate(beam=Beam(power=Q(p, "mW"), radius_x=Q(0.1, "mm")), resin=resin, scan=Scan(scan_speed=Q(1000.0, "mm/s")))
    ...     for p in (60.0, 30.0)
    ... )
    >>> f"{differences(a, b)['cure_depth'].m_as('mm'):.4f} mm"
    '0.1040 mm'
    """
    return {name: value - before.outputs[name] for name, value in now.outputs.items() if name in before.outputs}
