"""The demo: commands run for their text, and the same questions as the examples of the help."""

import importlib
import re
import shlex

import numpy as np
import pytest

from curecalc.cli import demo, demonstration, helping
from curecalc.errors import CurecalcError
from curecalc.units import parse


def test_a_command_run_for_a_page_of_text(monkeypatch):
    import sys

    def run(words):
        print("  out  ")
        print("wrote a.png\nnoise\nwrote b.pdf", file=sys.stderr)
        return {"good": 0, "due": 1, "bad": 2}[words[0]]

    seen = []
    monkeypatch.setattr("curecalc.cli.main", lambda words: seen.append(words) or run(words))
    assert demo.run_command(["good", "a b"]) == "$ curecalc good 'a b'\nout\nwrote a.png\nwrote b.pdf"
    assert demo.run_command(["due", "--sheet", "s"], also=(1,)).startswith("$ curecalc due --sheet s\n")
    assert seen[-1] == ["due", "--sheet", "s", "--overwrite"]
    for words in (["due"], ["bad"]):
        with pytest.raises(CurecalcError, match=f"demo: curecalc {words[0]} ended with status"):
            demo.run_command(words)


def test_the_demo_asks_what_the_examples_of_the_help_ask(tmp_path, monkeypatch):
    asked = {}

    def noted(name):
        def call(**given):
            asked.update(given)
            return whole(**given)

        whole = getattr(importlib.import_module(f"curecalc.calibration.{name.partition('.')[0]}"), name.partition(".")[2])
        monkeypatch.setattr(f"curecalc.calibration.{name}", call)

    noted("planning.plan_coupons")
    noted("comparing.compare_lots")
    monkeypatch.setattr("curecalc.figures.style.save", lambda figure, path: None)
    monkeypatch.setattr("curecalc.figures.working_curve.working_curve_figure", lambda fit: None)
    demonstration.calibrate_demo_lot(tmp_path)
    examples = {}
    for command in ("plan", "compare"):
        words = shlex.split(helping.COMMON[command][0])
        examples |= {option.removeprefix("--"): value for option, value in zip(words, words[1:]) if option.startswith("--")}
    for option, name, kind in (
        ("to", "to", "fraction"),
        ("at-depth", "at_depth", "length"),
        ("power", "power", "power"),
        ("hatch-spacing", "hatch_spacing", "length"),
        ("scan-speed-max", "scan_speed_max", "speed"),
        ("tolerance", "tolerance", "length"),
    ):
        assert (asked[name] / parse(option, examples[option], kind)).m_as("") == pytest.approx(1.0), option
    # the earlier lot's scatter holds both parts
    assert asked["thickness_repeatability"].m == 0.0
    layer, over = (parse("layer", examples[name], "length") for name in ("layer-thickness", "overcure"))
    assert (asked["cure_depth"] / (layer + over)).m_as("") == pytest.approx(1.0)


def test_the_demo_s_speed_by_hand(tmp_path, monkeypatch):
    """A depth of 0.18 mm asks for Ec exp(0.18/Dp) at the weakest place, where a raster holds 1 - 2 exp(-(pi W0/h)^2/2) of P/(v h)."""
    monkeypatch.setattr("curecalc.figures.style.save", lambda figure, path: None)
    told = demonstration.speed_demo(tmp_path)
    exposure = 0.094 * np.exp(0.18 / 0.142) / (1.0 - 2.0 * np.exp(-0.5 * (np.pi * 0.11 / 0.1) ** 2))
    assert "hatch at 0.1 mm spacing, layer 0.1 mm, overcure 0.08 mm\n" in told
    assert float(re.search(r"scan speed +(\d+) \+-", told)[1]) == pytest.approx(240.0 / (0.1 * exposure), rel=1e-3)
    assert "weakest depth   0.180" in told
