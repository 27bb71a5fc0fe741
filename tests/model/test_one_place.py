"""A dose and a depth are worked out in one room: the source is walked for what such a formula is made of, and for names of laws.

Whoever needs exp, log or erf elsewhere names the module here, with the reason: none of them is a dose or a depth.
"""

from __future__ import annotations

import ast
from functools import cache

import program
import pytest
from program import ROOT

GROWTH = {"exp", "exp2", "expm1", "log", "log2", "log10", "log1p", "logaddexp", "erf", "erfc", "erfinv", "ndtr", "ndtri"}
LIBRARIES = {"np", "numpy", "math", "special", "scipy"}
LAW_NAMES = {"plain", "bleaching", "threshold", "power_threshold", "power threshold", "reciprocity"}

FIT = "statistics of depth over ln E: there and back"
SEARCH = "a search or a root in the logarithm of a setting"
RATIO = "how far a value is off, as a ratio"
BEAM = "a profile fitted to a beam's readings"
DIGITS = "decimals of a number shown"
DRAWN = "a quantity drawn or fitted by its logarithm"
CHART = "a chart of the logarithm of what was recorded"
SURFACE = "a surface through the logarithm of a field"
NORMAL = "tails and quantiles of the normal distribution"
INVENTED = "invented scatter and ageing of demonstration data"
SLIP = "wrong answers, each made by the slip it names"

REASONS = {
    "calibration/comparing": FIT,
    "calibration/coupons": FIT,
    "calibration/curve": FIT,
    "calibration/datasheet": FIT,
    "calibration/design": "the bias of a standard deviation",
    "calibration/fit": FIT,
    "calibration/findings": RATIO,
    "calibration/laws": "statistics of depth over ln E; the bleaching curve itself is asked of the law",
    "calibration/many": FIT,
    "calibration/outliers": FIT,
    "calibration/planning": FIT,
    "calibration/prior_use": FIT,
    "calibration/report": FIT,
    "calibration/verdict": FIT,
    "calibration/wanted": FIT,
    "figures/comparison": "an axis in ln E",
    "figures/drift": CHART,
    "figures/map": "figures of a number; bands between doses of the law over ln E",
    "figures/spot": BEAM,
    "figures/style": DIGITS,
    "figures/working_curve": "an axis in ln E",
    "jobs/fitted": FIT,
    "jobs/lot": FIT,
    "lessons/examples": FIT,
    "lessons/exercises/draw": INVENTED,
    "lessons/exercises/first": SLIP,
    "lessons/exercises/second": SLIP,
    "lessons/exercises/third": "the line through two coupons, and wrong answers, each made by the slip it names",
    "lessons/numbers": FIT,
    "lessons/pictures": "the line of coupons in ln E; an invented laser that fades; an axis in decades",
    "logbook/demoshop": INVENTED,
    "logbook/drifting": CHART,
    "logbook/judge": "doses of the model over ln E; quantiles of the normal distribution",
    "logbook/status": CHART,
    "logbook/today": CHART,
    "map/beam": "a beam on the grid of a field, and its transform",
    "map/correcting": SURFACE,
    "map/field": DIGITS,
    "map/outline": SURFACE,
    "map/reasons": SURFACE,
    "recipe/assurance": "the law's doses and depths over ln E; quantiles of the normal distribution",
    "recipe/carried": FIT,
    "recipe/consequences": "a dose of the model kept as its logarithm",
    "recipe/draws": DRAWN,
    "recipe/field": "a map of logarithms; a dose of the model kept as its logarithm",
    "recipe/inputs": FIT,
    "recipe/light": RATIO,
    "recipe/ends": "local powers of the dose along a vector, over ln radius and ln speed",
    "recipe/outcome": "doses of the model over ln E; limits as ratios",
    "recipe/rates": "a dose of the model kept as its logarithm",
    "recipe/recipe": "doses of the model kept as their logarithms",
    "recipe/refusal": RATIO,
    "recipe/search": SEARCH,
    "recipe/steps": "doses of the model kept as their logarithms",
    "recipe/window": RATIO,
    "setting/solving": SEARCH,
    "setting/unknowns": SEARCH,
    "spot/cured": DRAWN,
    "spot/field": DRAWN,
    "spot/gauss2d": BEAM,
    "spot/image": RATIO,
    "spot/knife": BEAM,
    "spot/measurement": DRAWN,
    "spot/pictures": BEAM,
    "spot/power": "a laser that warms up",
    "spot/profile": BEAM,
    "spot/surface": "likelihood of a background surface",
    "spot/scanfit": BEAM,
    "spot/scatter": "a Gaussian's own higher terms",
    "statistics/change": NORMAL,
    "statistics/charts": "tails and transients of control charts",
    "statistics/constants": "the bias of a standard deviation",
    "statistics/coupon_line": "likelihood of a share between two scatters",
    "statistics/rules": NORMAL,
    "statistics/turning": NORMAL,
    "statistics/steps": "how far noise blurs the steps of a display",
    "statistics/uncertainty": DRAWN,
    "statistics/watch": DIGITS,
    "units/showing": DIGITS,
    "validation": DIGITS,
}


@cache
def sources():
    """Module name and syntax tree of everything but `physics`."""
    return tuple(_parsed())


def _parsed():
    for path in sorted(ROOT.rglob("*.py")):
        name = path.relative_to(ROOT).with_suffix("").as_posix()
        if not name.startswith("physics/"):
            yield name, program.tree(path)


def growths(tree):
    """Lines in which exp, log or erf are used, however they were brought in."""
    found, own = [], set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in LIBRARIES:
            own |= {name.asname or name.name for name in node.names if name.name in GROWTH}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in GROWTH:
            base = node.value
            while isinstance(base, ast.Attribute):
                base = base.value
            if isinstance(base, ast.Name) and base.id.lstrip("_") in LIBRARIES:
                found.append(node.lineno)
        elif isinstance(node, ast.Name) and node.id in own and isinstance(node.ctx, ast.Load):
            found.append(node.lineno)
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow) and getattr(node.left, "attr", "") == "e":
            found.append(node.lineno)  # math.e ** x
    return found


def test_what_grows_as_a_dose_stands_where_a_reason_is_given():
    used = {name: lines for name, tree in sources() if (lines := growths(tree))}
    unexplained = {name: lines for name, lines in used.items() if name not in REASONS}
    assert not unexplained, "exp, log or erf in these lines: ask physics, or give the reason here"
    assert not REASONS.keys() - used.keys(), "no reason is needed any more: take them off the list"


def test_the_walk_sees_every_way_to_write_it():
    for text in (
        "import numpy as np\nnp.exp(1)",
        "import math\nmath.log1p(1)",
        "from math import log as ln\nln(2)",
        "from scipy.special import erf\nerf(1)",
        "import scipy.special\nscipy.special.erfc(1)",
        "import math as _math\n_math.expm1(1)",
        "import math\nmath.e ** 2",
    ):
        assert growths(ast.parse(text)) == [2], text
    assert growths(ast.parse("log(entry)\nself.log.add(1)\nbook.exp(2)")) == []


def compared(tree):
    """Strings that anything is compared with, matched against or looked up by."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            parts = [node.left, *node.comparators]
        elif isinstance(node, ast.MatchValue):
            parts = [node.value]
        elif isinstance(node, ast.Subscript):
            parts = [node.slice]
        elif isinstance(node, ast.Dict):
            parts = [key for key in node.keys if key is not None]
        else:
            continue
        for part in parts:
            for inner in ast.walk(part):
                if isinstance(inner, ast.Constant) and isinstance(inner.value, str):
                    yield inner.value, node.lineno


@pytest.mark.slow
def test_no_string_names_a_cure_law():
    """A law is a record with methods. The report of a fit heads two of its paragraphs in JSON with the names of laws it tried."""
    found = [(name, line, text) for name, tree in sources() for text, line in compared(tree) if text.lower() in LAW_NAMES]
    assert [(name, text) for name, _, text in found] == [("calibration/report", "power_threshold"), ("calibration/report", "bleaching")]


def test_the_walk_sees_every_way_to_name_a_law():
    for text in ('x == "plain"', 'x in ("a", "bleaching")', 'd["threshold"]', '{"plain": 1}', 'match x:\n    case "plain":\n        pass'):
        assert {t for t, _ in compared(ast.parse(text))} & LAW_NAMES, text


def test_no_list_of_laws_outside_the_laws():
    """Classes of laws are named where a resin is defined, a lot read, coupons fitted; nothing asks which one it has."""
    asked = []
    for name, tree in sources():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("isinstance", "issubclass"):
                kinds = {getattr(n, "id", getattr(n, "attr", "")) for n in ast.walk(node.args[1])}
                if kinds & {"Plain", "Bleaching", "Threshold", "BleachingResin", "PowerThresholdResin"}:
                    asked.append((name, node.lineno))
    assert asked == []
