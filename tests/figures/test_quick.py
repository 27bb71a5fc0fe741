"""Axes that write themselves: every element at its place in points, by hand; what they do not know the library draws."""

import re
from io import StringIO

import numpy as np
import pytest
from matplotlib.markers import MarkerStyle

from curecalc.figures.quick import Pen, QuickAxes, _Area, _Line, _plain, _Words
from curecalc.figures.style import axes, new_figure

WIDE, HIGH = 254.0, 127.0  # mm, of a sheet of 720 x 360 points
BOX = (0.1, 0.2, 0.8, 0.6)  # 72 to 648 and 72 to 288 points


@pytest.fixture
def sheet():
    figure = new_figure(WIDE, HIGH)
    pen = Pen(figure)
    ax = axes(figure, BOX, QuickAxes)
    ax.set_xlim(0.0, 8.0)
    ax.set_ylim(0.0, 2.0)
    ax.window("name", pen.height)
    return pen, ax


def at(x, y):
    """Places in points from the upper left corner, of places on the axes."""
    return [72.0 + 72.0 * x, 360.0 - 72.0 - 108.0 * y]


def numbers(text):
    return [float(v) for v in re.findall(r"-?[\d.]+", text)]


def path(pen, one):
    """Places of the one path that an artist writes, and its look."""
    pen.writer = type(pen.writer)(out := StringIO())
    one.draw(pen)
    text = out.getvalue()
    (drawn,) = re.findall(r'<path d="([^"]*)"([^>]*)/?>', text)
    return np.reshape(numbers(drawn[0]), (-1, 2)).tolist(), dict(re.findall(r'([\w-]+)="([^"]*)"', drawn[1])), text


def test_paper_is_counted_in_points(sheet):
    pen, ax = sheet
    assert (pen.width, pen.height) == pytest.approx((720.0, 360.0))
    assert ax.inside == {"clip-path": "url(#name)"}
    window = ax.window("other", pen.height)
    assert numbers(window.partition("<rect")[2]) == pytest.approx([72.0, 72.0, 576.0, 216.0])


def test_a_line_and_its_dashes(sheet):
    pen, ax = sheet
    (plain,) = ax.plot([0.0, 8.0], [0.0, 2.0], color="red", linewidth=2.0)
    places, look, _ = path(pen, plain)
    assert places == [at(0.0, 0.0), at(8.0, 2.0)]
    assert (look["stroke"], look["stroke-width"], look["fill"], look["stroke-linecap"]) == ("red", "2.0", "none", "square")
    (dashed,) = ax.plot([0.0, 8.0], [0.0, 2.0], color="red", linewidth=2.0, linestyle="--", clip_on=False)
    _, look, _ = path(pen, dashed)
    assert numbers(look["stroke-dasharray"]) == pytest.approx([7.4, 3.2])  # the library's 3.7 and 1.6 widths
    assert "clip-path" not in look
    (usual,) = ax.plot([0.0, 8.0], [0.0, 2.0], color="red")
    assert path(pen, usual)[1]["stroke-width"] == "1.5"
    assert (usual.zorder, plain.places.shape) == (2, (2, 2))
    places, _, _ = path(pen, ax.axhline(1.0, color="red"))
    assert places == [at(0.0, 1.0), at(8.0, 1.0)]
    places, _, _ = path(pen, ax.axvline(4.0, color="red"))
    assert places == [at(4.0, 0.0), at(4.0, 2.0)]
    assert path(pen, ax.axvline(4.123456, color="red"))[0][0] == [368.89, 288.0]  # 72 + 72 x 4.123456, to a hundredth


def test_marks_stand_at_their_places(sheet):
    pen, ax = sheet
    (marks,) = ax.plot([1.0, 3.0], [1.0, 1.5], color="red", linestyle="none", marker="s", markersize=8.0)
    assert not marks.line
    places, look, _ = path(pen, marks)
    corners = np.array(places).reshape(2, -1, 2)
    for square, (x, y) in zip(corners, (at(1.0, 1.0), at(3.0, 1.5))):
        assert (square[:, 0].min(), square[:, 0].max()) == pytest.approx((x - 4.0, x + 4.0))
        assert (square[:, 1].min(), square[:, 1].max()) == pytest.approx((y - 4.0, y + 4.0))
    assert (look["fill"], look["stroke"], look["stroke-width"]) == ("red", "red", "1.0")
    assert look["stroke-linejoin"] == str(MarkerStyle("s").get_joinstyle())
    (one,) = ax.plot([1.0], [1.0], color="none", marker="o", markeredgecolor="blue")
    assert not one.line, "a single place is no line"
    assert one.marked["stroke"] == "blue"
    places, _, _ = path(pen, one)
    assert np.ptp(np.array(places), axis=0) == pytest.approx([6.0, 6.0])  # as wide as the library's
    assert "C" in re.search(r'd="([^"]*)"', path(pen, one)[2])[1], "a ring is round"
    every = {"color": "red", "linewidth": 1.0, "linestyle": "-", "clip_on": True, "zorder": 2.5, "marker": "o"}
    every |= {"markersize": 5.0, "markeredgecolor": "blue", "markeredgewidth": 0.5}
    assert isinstance(ax.plot([1.0], [1.0], **every)[0], _Line)


def test_an_area_lies_between_its_curves(sheet):
    pen, ax = sheet
    area = ax.fill_between([0.0, 8.0], 0.0, [1.0, 2.0], color="red", edgecolor="none")
    assert path(pen, area)[0] == [at(0.0, 1.0), at(8.0, 2.0), at(8.0, 0.0), at(0.0, 0.0)]
    area = ax.fill_betweenx([0.0, 2.0], 1.0, [2.0, 4.0], color="red", linewidth=0.0)
    assert path(pen, area)[0] == [at(2.0, 0.0), at(4.0, 2.0), at(1.0, 2.0), at(1.0, 0.0)]
    assert area.zorder == 1
    assert [
        _plain(style)
        for style in (
            {"color": "a"},
            {"linewidth": 0.5},
            {"linewidth": 0.0},
            {"color": "a", "edgecolor": "none", "linewidth": 1.0, "zorder": 1.0},
        )
    ] == [False, False, True, True]
    assert not isinstance(ax.fill_between([0.0, 8.0], 0.0, 1.0, color="red"), _Area)
    assert not isinstance(ax.fill_betweenx([0.0, 2.0], 0.0, 1.0, color="red", edgecolor="none", alpha=0.5), _Area)


def told(pen, words):
    pen.writer = type(pen.writer)(out := StringIO())
    words.draw(pen)
    found = re.search(r"<text ([^>]*)>", out.getvalue())
    return None if found is None else dict(re.findall(r'([\w-]+)="([^"]*)"', found[1])), out.getvalue()


@pytest.mark.parametrize(("ha", "anchor", "share"), [("left", "start", 0.0), ("center", "middle", 0.5), ("right", "end", 1.0)])
def test_words_are_anchored_and_their_plate_lies_under_them(sheet, ha, anchor, share):
    pen, ax = sheet
    wide, above, below = pen.size("Depth", 10.0)
    assert wide > 20.0
    assert above > 5.0 > below >= 0.0
    for va, up in (("baseline", 0.0), ("bottom", below), ("center", (below - above) / 2.0), ("top", -above)):
        words = ax.text(
            2.0, 1.0, "Depth", fontsize=10.0, color="red", ha=ha, va=va, bbox={"boxstyle": "square,pad=0", "facecolor": "white"}
        )
        assert isinstance(words, _Words)
        look, text = told(pen, words)
        x, y = at(2.0, 1.0)
        assert (float(look["x"]), float(look["y"])) == pytest.approx((x, y - up), abs=0.006)
        assert (look["text-anchor"], look["font-size"], look["fill"]) == (anchor, "10px", "red")
        plate = np.reshape(numbers(re.search(r'<path d="([^"]*)"', text)[1]), (-1, 2))
        assert plate.min(axis=0) == pytest.approx([x - share * wide, y - up - above], abs=0.02)
        assert plate.max(axis=0) == pytest.approx([x - share * wide + wide, y - up + below], abs=0.02)
        assert 'fill="#ffffff"' in text


def test_words_beside_a_place_are_seen_while_it_is(sheet):
    pen, ax = sheet
    aside = {"fontsize": 10.0, "color": "red", "textcoords": "offset points"}
    look, _ = told(pen, ax.annotate("Depth", (2.0, 1.0), xytext=(6, 5), **aside))
    x, y = at(2.0, 1.0)
    assert (float(look["x"]), float(look["y"])) == pytest.approx((x + 6.0, y - 5.0), abs=0.006)
    assert told(pen, ax.annotate("Depth", (9.0, 1.0), xytext=(6, 5), **aside))[0] is None
    look, _ = told(pen, ax.text(0.5, 0.25, "Depth", transform=ax.transAxes, fontsize=10.0, color="red"))
    assert (float(look["x"]), float(look["y"])) == pytest.approx(at(4.0, 0.5), abs=0.006)
    assert not list(ax.texts)


def test_what_the_axes_do_not_know_the_library_draws(sheet):
    _, ax = sheet
    for line in (ax.plot([0.0], [0.0], "o", color="red"), ax.plot([0.0], [0.0]), ax.plot([0.0], [0.0], color="red", alpha=0.5)):
        assert not isinstance(line[0], _Line)
    assert not isinstance(ax.text(0.0, 0.0, "a", rotation=20.0), _Words)
    assert not isinstance(ax.annotate("a", (0.0, 0.0), xytext=(1, 1), textcoords="data"), _Words)
    assert ax.set_title("title").get_position()[1] == 1.02


def test_parts_of_a_picture_keep_their_order_and_their_names(sheet):
    pen, ax = sheet
    (one,) = ax.plot([0.0, 8.0], [0.0, 2.0], color="red")
    (other,) = ax.plot([0.0], [0.0], "o", color="blue")
    (third,) = ax.plot([0.0, 8.0], [1.0, 2.0], color="green")
    text = pen.part([one, other, third], prefix="p")
    assert [text.index(word) for word in ("red", "#0000ff", "green")] == sorted(text.index(word) for word in ("red", "#0000ff", "green"))
    assert "p-1-" in text
    assert re.fullmatch(r"\s*<path [^>]*/>\s*", pen.part([one], prefix="p"))
