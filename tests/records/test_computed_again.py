"""What is asked again of kept data: the options as they were kept, in the order of their numbers, and what of the answer is compared."""

from types import SimpleNamespace

import pytest

from curecalc.errors import QuantityError
from curecalc.logbook import refit


def replaced(monkeypatch, place, answer):
    """A function in place of another: what it was asked."""
    asked = []

    def call(*given, **named):
        asked.append((given, named))
        return answer

    monkeypatch.setattr(f"curecalc.{place}", call)
    return asked


def test_a_fit_is_asked_with_its_options(monkeypatch) -> None:
    result = {"penetration_depth": {"value": 0.1, "unit": "mm", "n": 5}, "coupons": 3, "sentence": "s", "data": 1, "correlation": 0.5}
    coupons = replaced(monkeypatch, "calibration.coupons.coupons_from_bytes", "coupons")
    fits = replaced(monkeypatch, "calibration.curve.fit_coupons", SimpleNamespace(to_dict=lambda: result))
    payload = {"penetration_depth": {"value": 0.2, "unit": "mm"}, "options": {}}
    kept = {"coupons": ("c.csv", b"1")}
    assert refit.fit_again(payload, kept) == {
        "penetration_depth": {"value": 0.1, "unit": "mm"},
        "result": {"penetration_depth": result["penetration_depth"], "coupons": 3, "correlation": 0.5},
    }
    ((_, plain),) = fits
    assert (plain["confidence"], plain["same_machine"], plain["same_gauge"], plain["exclude"], plain["at_depth"]) == (
        0.95,
        True,
        True,
        [],
        [],
    )
    assert (plain["power_scale_uncertainty"], plain["thickness_bias_uncertainty"], plain["will_set"]) == (None, None, None)
    assert coupons == [(("c.csv", b"1"), {"sheet": None, "skip_blank": False})]
    options = {"confidence": "90 %", "elsewhere": True, "other_gauge": True, "exclude": ["7"], "at_depth": ["0.15 mm", "200 um"]}
    options |= {"power_scale_uncertainty": "2 %", "beam_radius_scale_uncertainty": "3 %", "thickness_bias_uncertainty": "2 um"}
    options |= {"skip_blank": True, "sheet": "one", "will_set": "x"}
    refit.fit_again(payload | {"options": options}, kept)
    given = fits[1][1]
    assert (given["confidence"], given["same_machine"], given["same_gauge"], given["exclude"]) == (0.9, False, False, ["7"])
    assert [depth.m_as("mm") for depth in given["at_depth"]] == pytest.approx([0.15, 0.2])
    assert (given["power_scale_uncertainty"], given["beam_radius_scale_uncertainty"], given["will_set"]) == (0.02, 0.03, "x")
    assert given["thickness_bias_uncertainty"].m_as("um") == pytest.approx(2.0)
    assert coupons[1][1] == {"sheet": "one", "skip_blank": True}


def test_lots_are_compared_in_their_order_at_a_depth_and_a_tolerance(monkeypatch) -> None:
    monkeypatch.setattr(refit, "_lot", lambda *given: given)
    found = {"verdict": "accept", "speed_change": {"value": 0.03}, "equivalent": True, "sentence": "s", "lots": 2}
    asked = replaced(monkeypatch, "calibration.comparing.compare_lots", SimpleNamespace(verdict="accept", to_dict=lambda: found))
    kept = {f"lot{n}": (f"{n}.csv", b"%d" % n) for n in (10, 2, 1)}
    options = {"cure_depth": "0.1 mm", "tolerance": "5 um"}
    for lacking in ({}, {"cure_depth": "0.1 mm"}, {"tolerance": "5 um"}):
        with pytest.raises(QuantityError, match="depth and tolerance could be left out"):
            refit.compare_again({"options": lacking}, kept)
    got = refit.compare_again({"options": options, "speed_change": 0.02}, kept)
    assert got == {
        "verdict": "accept",
        "speed_change": 0.03,
        "result": {"verdict": "accept", "speed_change": {"value": 0.03}, "equivalent": True},
    }
    ((_, given),) = asked
    assert given["lots"] == [(f"{n}.csv", b"%d" % n, f"{n}.csv", [], False) for n in (1, 2, 10)]
    assert (given["cure_depth"].m_as("mm"), given["tolerance"].m_as("mm")) == (pytest.approx(0.1), pytest.approx(0.005))
    assert set(given) == {"lots", "cure_depth", "tolerance"}
    more = {"names": ["a", "b", "c"], "exclude": {"lot2": ["4"]}, "skip_blank": True, "confidence": "90 %", "most_speed_change": "5 %"}
    assert "speed_change" not in refit.compare_again({"options": options | more}, kept)
    given = asked[1][1]
    assert given["lots"] == [("1.csv", b"1", "a", [], True), ("2.csv", b"2", "b", ["4"], True), ("10.csv", b"10", "c", [], True)]
    assert (given["confidence"], given["most_speed_change"]) == (0.9, 0.05)


def test_a_scan_is_measured_from_a_file_of_its_name(monkeypatch) -> None:
    measured = {"kind": "image", "beam_radius": {"value": 0.1, "unit": "mm", "more": 1}, "sentence": "s", "points": 3, "notes": ["n"]}
    read = []

    def measure(path, **options):
        read.append((path.name, path.read_bytes(), options))
        return SimpleNamespace(to_dict=lambda: measured)

    monkeypatch.setattr("curecalc.spot.measure.measure_file", measure)
    payload = {"beam_radius": {"value": 0.2, "unit": "mm"}, "power": 1, "options": {"pixel": {"quantity": {"value": 5.0, "unit": "um"}}}}
    got = refit.measure_again(payload, {"scan": ("dir/a.png", b"1")})
    assert got == {"beam_radius": {"value": 0.1, "unit": "mm"}, "result": {"kind": "image", "beam_radius": measured["beam_radius"]}}
    ((name, data, options),) = read
    assert (name, data, options["pixel"].m_as("mm")) == ("a.png", b"1", pytest.approx(0.005))
    losses = replaced(monkeypatch, "spot.light.loss_of", "loss")
    refit.measure_again({"options": {"losses": ["window = 4 %", "a=b = 5 % +- 1 %"]}}, {"scan": ("a.csv", b"")})
    assert read[1][2] == {"losses": ["loss", "loss"]}
    assert [(label, float(share.value.m_as("")), k) for (label, share, k), _ in losses] == [
        ("window", pytest.approx(0.04), 1),
        ("a=b", pytest.approx(0.05), 2),
    ]


@pytest.fixture
def saved(monkeypatch):
    files = {
        "recipe.json": SimpleNamespace(machine="M", lot="L", needs="N", record={"date": "2026-03-04", "of": "new"}),
        "old_recipe.json": SimpleNamespace(machine="OM", lot="OL", needs="ON", record={"date": "2025-03-04", "of": "old"}),
    }
    monkeypatch.setattr("curecalc.recipe.file.recipe_from_bytes", lambda name, data: files[name])
    monkeypatch.setattr("curecalc.recipe.carried.carried", lambda recipe: "promised again")
    return {"recipe": ("r.json", b""), "old_recipe": ("o.json", b"")}


VECTORS = [
    {"kind": "contour", "pattern": "line", "scan_speed": {"value": 1.0, "unit": "mm/s"}, "power": None},
    {"kind": "hatch", "pattern": "raster", "scan_speed": {"value": 2.0, "unit": "mm/s", "more": 1}, "power": None, "overcure": 0.1},
]


def test_a_recipe_and_a_retune_are_made_again_of_what_they_rested_on(monkeypatch, saved) -> None:
    recipe = SimpleNamespace(to_dict=lambda: {"vectors": VECTORS})
    made = replaced(monkeypatch, "recipe.recipe.make_recipe", recipe)
    payload = {"scan_speed": {"value": 9.0, "unit": "mm/s"}, "power": 1, "vectors": [{"kind": "x"}, {"kind": "y"}], "options": {}}
    wanted = {"vectors": [{"kind": "contour"}, {"kind": "hatch"}], "scan_speed": {"value": 2.0, "unit": "mm/s"}}
    assert refit.recipe_again(payload, saved) == wanted
    ((_, given),) = made
    assert (given["machine"], given["resin"], given["needs"], given["today"].isoformat()) == ("M", "L", "N", "2026-03-04")
    assert refit.recipe_again(payload | {"promised": {}}, saved) == wanted | {"promised": "promised again"}

    retuned = replaced(monkeypatch, "recipe.retuning.retune", SimpleNamespace(recipe=recipe))
    assert refit.retune_again(payload, saved) == wanted
    given = retuned[0][1]
    assert (given["machine"], given["old"]["of"], given["today"].isoformat()) == ("OM", "old", "2026-03-04")
    assert [given[name] for name in ("power", "beam_radius", "power_meter", "earlier_reading_wrong")] == [None, None, None, False]
    length = [{"quantity": {"value": v, "unit": "mm"}} for v in (0.1, 0.2)]
    options = {
        "power": {"measured": {"value": 3.0, "unit": "mW"}},
        "beam_radius": length,
        "power_meter": "B",
        "earlier_reading_wrong": True,
    }
    refit.retune_again(payload | {"options": options}, saved)
    given = retuned[1][1]
    assert (given["power"].value.m_as("mW"), given["power_meter"], given["earlier_reading_wrong"]) == (3.0, "B", True)
    assert tuple(one.m_as("mm") for one in given["beam_radius"]) == (0.1, 0.2)
