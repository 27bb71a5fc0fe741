"""A record shows itself by what it states: short fields as text and table, all of them as JSON, whatever they hold."""

import datetime
import math
from dataclasses import dataclass, field

import numpy as np

from curecalc.units import Measured
from curecalc.units import Quantity as Q
from curecalc.units.showing import Shown


@dataclass(frozen=True)
class Inner:
    depth: float = 0.5

    def to_dict(self):
        return {"depth": self.depth}


@dataclass(frozen=True)
class Record(Shown):
    power: Measured = field(default_factory=lambda: Measured(Q(30.0, "mW"), Q(0.6, "mW")))
    limits: tuple = field(default_factory=lambda: (Q(10.0, "mW"), Q(40.0, "mW")))
    share: float = 0.123456789
    count: int = 3
    held: bool = True
    loose: bool = False
    lot: str = "A<7>"
    empty: str = ""
    two_lines: str = "a\nb"
    day: datetime.date = datetime.date(2026, 3, 1)
    values: np.ndarray = field(default_factory=lambda: np.array([1.0, math.nan, 2.0]))
    inner: Inner = field(default_factory=Inner)
    many: dict = field(default_factory=lambda: {1: Q(2.0, "mm"), "x": [math.inf, None]})
    notes: tuple = ("read <twice>",)


def test_what_is_short_is_shown():
    rows = dict(Record().rows())
    assert rows == {
        "power": "30.00 ± 0.60 mW".replace("±", "+-"),
        "limits": "10 to 40 mW",
        "share": "0.123457",
        "count": "3",
        "held": "yes",
        "lot": "A<7>",
        "day": "2026-03-01",
    }
    text = str(Record()).splitlines()
    assert text[0] == "Record"
    assert text[1] == "  power   30.00 +- 0.60 mW"
    assert text[-1] == "  note    read <twice>"
    table = Record()._repr_html_()
    assert "<td>A&lt;7&gt;</td>" in table
    assert table.endswith("</table><ul><li>read &lt;twice&gt;</li></ul>")


def test_everything_is_in_the_json():
    record = Record().to_dict()
    assert record["power"] == {"value": 30.0, "unit": "mW", "standard_uncertainty": 0.6}
    assert record["limits"] == [{"value": 10.0, "unit": "mW"}, {"value": 40.0, "unit": "mW"}]
    assert record["values"] == [1.0, None, 2.0]
    assert record["inner"] == {"depth": 0.5}
    assert record["many"] == {"1": {"value": 2.0, "unit": "mm"}, "x": [None, None]}
    assert record["day"] == "2026-03-01"
    assert (record["loose"], record["count"], record["empty"]) == (False, 3, "")
