"""Every figure a command draws: axes inside the paper and beside each other, words on the paper and none over another."""

from itertools import combinations
from pathlib import Path

import pytest
from matplotlib.text import Text

import curecalc.figures.style as style
from curecalc.cli import main
from curecalc.figures.drift import drift_figure
from curecalc.lessons.telling import ORDER
from curecalc.logbook.demoshop import write_demo_shop
from curecalc.logbook.drifting import drift_report

DEMO = Path(__file__).parents[2] / "demo"
SETTING = ["--power", "30mW", "--beam-radius", "0.125mm", "--penetration-depth", "0.15mm", "--critical-exposure", "8mJ/cm^2"]
SETTING += ["--layer-thickness", "0.1mm"]
THREE = ["--machine", "machine.toml", "--resin", "resin.toml", "--needs", "needs.toml"]
COMMANDS = [
    ["depth", *SETTING, "--scan-speed", "1m/s"],
    ["stack", *SETTING, "--scan-speed", "900mm/s", "--hatch-spacing", "0.1mm", "--bleaching-exposure", "60mJ/cm^2"],
    ["fit", "coupons_lot_7.csv"],
    ["compare", "coupons_lot_6.csv", "coupons_lot_7.csv", "coupons_lot_7_read_again.csv", "--cure-depth", "0.18mm", "--tolerance", "10um"],
    ["recipe", *THREE],
    ["spot", "beam_image.png", "--pixel-size", "5um"],
    ["lesson", "stack"],
    ["part", "bracket.csv", "--resin", "resin.toml", "--layer-thickness", "0.1mm", "--overcure", "0.08mm"],
]
MORE = [
    ["depth", *SETTING, "--scan-speed", "1m/s", "--hatch-spacing", "0.2mm"],
    ["depth", *SETTING, "--scan-speed", "9m/s"],
    ["speed", *SETTING, "--overcure", "0.05mm", "--hatch-spacing", "0.1mm", "--passes", "3"],
    ["stack", *SETTING, "--scan-speed", "700mm/s"],
    ["stack", *SETTING, "--scan-speed", "700mm/s", "--layers", "3"],
    ["stack", *SETTING[:-1], "0.02mm", "--scan-speed", "700mm/s"],
    ["stack", *SETTING[:-1], "0.3mm", "--scan-speed", "700mm/s"],
    ["fit", "coupons_lot_6.csv", "--at-depth", "0.18mm"],
    ["compare", "coupons_lot_6.csv", "coupons_lot_7.csv", "--cure-depth", "0.18mm", "--tolerance", "10um"],
    ["window", *THREE],
    ["window", *THREE, "--vector-kind", "contour", "--up", "beam-radius"],
    ["spot", "beam_slit.csv"],
    ["spot", "beam_power.csv"],
    ["spot", "beam_cured_lines.csv"],
    ["spot", "beam_caustic.csv"],
    ["spot", "beam_knife_edge.csv"],
    ["map", "bracket.csv", "--resin", "resin.toml", "--layer", "15", "--layer-thickness", "0.1mm"],
    *(["lesson", name] for name in ORDER if name != "stack"),
]


def off_the_axis(figure):
    """Numbers of ticks beyond the ends of their axis, and of axes that are not shown: not drawn."""
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not (ax.axison and low <= tick.get_loc() <= high):
                    yield from (tick.label1, tick.label2)


def boxes(figure):
    """Words and the places they take, of all that is to be seen on the paper."""
    figure.canvas.draw()
    drawn, unseen = figure.canvas.get_renderer(), set(off_the_axis(figure))
    for text in figure.findobj(Text):
        if text.get_text().strip() and text.get_visible() and text not in unseen:
            yield text, Text.get_window_extent(text, drawn)  # without the line that leads to it


def layout(figure):
    """What is wrong with the places of things on the paper."""
    paper = figure.bbox
    wrong = []
    for ax in figure.axes:
        box = ax.get_window_extent()
        if not (box.x0 >= paper.x0 and box.x1 <= paper.x1 and box.y0 >= paper.y0 and box.y1 <= paper.y1):
            wrong.append(f"axes {ax.get_position().bounds} leave the paper")
    for a, b in combinations([ax.get_position() for ax in figure.axes], 2):
        if a.bounds != b.bounds and a.overlaps(b):
            wrong.append(f"axes {a.bounds} and {b.bounds} overlap")
    shown = list(boxes(figure))
    for text, box in shown:
        if box.x0 < paper.x0 - 1 or box.x1 > paper.x1 + 1 or box.y0 < paper.y0 - 1 or box.y1 > paper.y1 + 1:
            wrong.append(f"{text.get_text()!r} leaves the paper")
    for (a, one), (b, other) in combinations(shown, 2):
        wide, high = min(one.x1, other.x1) - max(one.x0, other.x0), min(one.y1, other.y1) - max(one.y0, other.y0)
        if wide > 2 and high > 2:
            wrong.append(f"{a.get_text()!r} over {b.get_text()!r}")
    return wrong


def named(words):
    return "-".join(word for word in words if word[0].isalpha() and not word.endswith(".toml"))


@pytest.mark.parametrize("words", [*COMMANDS, *(pytest.param(words, marks=pytest.mark.slow) for words in MORE)], ids=named)
def test_all_words_stand_on_the_paper_and_apart(words, tmp_path, monkeypatch, capsys):
    made = []
    monkeypatch.setattr(style, "figure_bytes", lambda figure, kind: made.append(figure) or b"")
    monkeypatch.chdir(DEMO)
    assert main([*words, "--figure", str(tmp_path / "f.png")]) in (0, 1), capsys.readouterr().err  # 1: the verdict on a lot
    (figure,) = made
    assert layout(figure) == []


def test_charts_of_the_logbook_do_too(tmp_path, monkeypatch):
    """Of readings of a machine, of lots, whose names stand along the upper edge, and under the longest title."""
    with write_demo_shop(tmp_path / "shop.db") as book:
        of_lots = drift_report(book, "critical_exposure")
        for report in (drift_report(book, "power", machine="bay 2"), of_lots, drift_report(book, "depth", machine="bay 2")):
            assert layout(drift_figure(report)) == []


def test_what_stands_wrong_is_seen():
    """Planted: axes beyond the paper and over others, a word cut off, one word over another."""
    figure = style.new_figure()
    style.axes(figure, (0.1, 0.2, 0.5, 0.5))
    assert layout(figure) == []
    style.axes(figure, (0.4, 0.2, 0.7, 0.5))
    figure.text(0.95, 0.9, "a long word")
    for y in (0.85, 0.86):
        figure.text(0.2, y, "here")
    found = " ".join(layout(figure))
    for said in ("leave the paper", "overlap", "'a long word' leaves the paper", "'here' over 'here'"):
        assert said in found
