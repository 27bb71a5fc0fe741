"""Compute results again from the source data and options kept in the logbook."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import FileError, QuantityError
from ..units import MM, ONE, Quantity, from_json, parse

__all__ = ["compare_again", "fit_again", "measure_again", "recipe_again", "retune_again"]

Sources = Mapping[str, tuple[str, bytes]]
_FIT_KEYS = (
    "penetration_depth",
    "critical_exposure",
    "correlation",
    "covariance",
    "residual_sd",
    "coupons",
    "readings",
    "degrees_of_freedom",
    "lack_of_fit",
    "curvature",
    "exposure_for_depth",
    "critical_exposure_budget",
)
_COMPARISON_KEYS = ("verdict", "slopes", "intercepts", "equivalent", "equivalence_p", "speed_change", "depth_difference")


def fit_again(payload: Mapping[str, Any], sources: Sources) -> dict[str, Any]:
    """Fit the kept coupon table with the kept options; the values that must come out as recorded."""
    from ..calibration.coupons import coupons_from_bytes
    from ..calibration.curve import fit_coupons

    options = payload.get("options", {})
    name, data = _source(sources, "coupons")
    coupons = coupons_from_bytes(name, data, sheet=options.get("sheet"), skip_blank=bool(options.get("skip_blank")))
    prior, names = _prior(options, sources)
    fit = fit_coupons(
        coupons,
        at_depth=[parse("at_depth", text, "length") for text in options.get("at_depth", [])],
        exclude=options.get("exclude", []),
        confidence=_share(options, "confidence", 0.95),
        prior=prior,
        prior_names=names,
        power_scale_uncertainty=_share(options, "power_scale_uncertainty"),
        beam_radius_scale_uncertainty=_share(options, "beam_radius_scale_uncertainty"),
        thickness_bias_uncertainty=_length(options, "thickness_bias_uncertainty"),
        same_machine=not options.get("elsewhere"),
        same_gauge=not options.get("other_gauge"),
        will_set=options.get("will_set"),
    )
    result = fit.to_dict()
    headline = {key: result[key] for key in ("penetration_depth", "critical_exposure", "correlation", "residual_sd") if key in payload}
    return {key: _like(payload[key], value) for key, value in headline.items()} | {
        "result": _numbers_only({key: value for key, value in result.items() if key in _FIT_KEYS})
    }


def _prior(options: Mapping[str, Any], sources: Sources) -> tuple[Any, list[str]]:
    kept = sorted((role for role in sources if role.startswith("prior")), key=lambda role: int(role.removeprefix("prior")))
    if not kept:
        return None, []
    from ..jobs.fitted import prior_from_resins
    from ..jobs.lot import RESIN

    names, texts = zip(*(sources[role] for role in kept))
    resins = [RESIN.parse(text, source=name) for name, text in zip(names, texts)]
    spreads = {
        "penetration_depth_spread": _share(options, "lot_spread_depth"),
        "critical_exposure_spread": _share(options, "lot_spread_exposure"),
    }
    prior = prior_from_resins(resins, **{name: value for name, value in spreads.items() if value is not None})
    return prior, list(options.get("prior", names))


def compare_again(payload: Mapping[str, Any], sources: Sources) -> dict[str, Any]:
    """Compare the kept lots with the kept options; the values that must come out as recorded."""
    from ..calibration.comparing import compare_lots

    options = payload.get("options", {})
    roles = sorted((role for role in sources if role.startswith("lot")), key=lambda role: int(role.removeprefix("lot")))
    names = options.get("names") or [name for name, _ in map(sources.__getitem__, roles)]
    excluded = options.get("exclude", {})
    lots = [_lot(*sources[role], name, excluded.get(role, []), bool(options.get("skip_blank"))) for role, name in zip(roles, names)]
    limits = {name: _share(options, name) for name in ("confidence", "most_speed_change", "most_depth_change")}
    depth, tolerance = _length(options, "cure_depth"), _length(options, "tolerance")
    if depth is None or tolerance is None:
        raise QuantityError(
            "recorded when depth and tolerance could be left out; they no longer can. Compare the lots again and record that."
        )
    result = compare_lots(
        lots=lots, cure_depth=depth, tolerance=tolerance, **{name: value for name, value in limits.items() if value is not None}
    )
    again = result.to_dict()
    change = again.get("speed_change")
    headline = {"verdict": result.verdict} | (
        {"speed_change": change["value"]} if isinstance(change, Mapping) and "speed_change" in payload else {}
    )
    return headline | {"result": _numbers_only({key: value for key, value in again.items() if key in _COMPARISON_KEYS})}


def _lot(file: str, data: bytes, name: str, excluded: list[str], skip_blank: bool) -> Any:
    if file.lower().endswith(".toml"):
        from ..jobs.fitted import lot_from_resin
        from ..jobs.lot import RESIN

        return lot_from_resin(RESIN.parse(data, source=file), name)
    from ..calibration.comparing import lot_from_fit
    from ..calibration.coupons import coupons_from_bytes
    from ..calibration.curve import fit_coupons

    return lot_from_fit(name, fit_coupons(coupons_from_bytes(file, data, skip_blank=skip_blank), exclude=excluded))


def measure_again(payload: Mapping[str, Any], sources: Sources) -> dict[str, Any]:
    """Measure the kept scan, image or readings with the kept options."""
    from ..spot.measure import measure_file

    name, data = _source(sources, "scan")
    options = {key: _option(value) for key, value in payload.get("options", {}).items()}
    if "losses" in options:
        from ..spot.light import loss_of
        from ..units import parse_measured

        pairs = [text.rpartition("=") for text in options["losses"]]
        options["losses"] = [
            loss_of(label.strip(), parse_measured("loss", share.strip(), "fraction"), k) for k, (label, _, share) in enumerate(pairs, 1)
        ]
    with tempfile.TemporaryDirectory(prefix="curecalc-") as folder:
        path = Path(folder) / Path(name).name
        path.write_bytes(data)
        result = measure_file(path, **options).to_dict()
    keys = ("kind", "beam_radius", "beam_quality", "power", "centre", "degrees_of_freedom", "transmission")
    headline = {key: _like(payload[key], result[key]) for key in ("beam_radius", "power") if key in payload and key in result}
    return headline | {"result": _numbers_only({key: result[key] for key in keys if key in result})}


def _option(value: Any) -> Any:
    if isinstance(value, Mapping) and ("measured" in value or "quantity" in value):
        measured = from_json(dict(value.get("measured") or value["quantity"]))
        return measured if "measured" in value else measured.value
    return value


def recipe_again(payload: Mapping[str, Any], sources: Sources) -> dict[str, Any]:
    """Make the recipe again from the kept machine, resin and needs."""
    from ..recipe.recipe import make_recipe

    saved, day = _saved(sources, "recipe")
    recipe = make_recipe(machine=saved.machine, resin=saved.lot, needs=saved.needs, today=day)
    return _settings(payload, recipe)


def retune_again(payload: Mapping[str, Any], sources: Sources) -> dict[str, Any]:
    """Retune the kept old recipe by the kept reading again."""
    from ..recipe.retuning import retune

    saved, _ = _saved(sources, "old_recipe")
    _, day = _saved(sources, "recipe")
    options = {key: _option(value) for key, value in payload.get("options", {}).items()}
    if "beam_radius" in options:
        options["beam_radius"] = tuple(_option(value) for value in options["beam_radius"])
    result = retune(
        machine=saved.machine,
        resin=saved.lot,
        needs=saved.needs,
        old=saved.record,
        today=day,
        power=options.get("power"),
        beam_radius=options.get("beam_radius"),
        power_meter=options.get("power_meter"),
        earlier_reading_wrong=bool(options.get("earlier_reading_wrong", False)),
    )
    return _settings(payload, result.recipe)


def _saved(sources: Sources, role: str) -> tuple[Any, datetime.date]:
    from ..recipe.file import recipe_from_bytes

    _, data = _source(sources, role)
    saved = recipe_from_bytes(f"{role}.json", data)
    return saved, datetime.datetime.fromisoformat(str(saved.record["date"])).date()


def _settings(payload: Mapping[str, Any], recipe: Any) -> dict[str, Any]:
    """Every kind's settings, those of the main kind in the headline, and what the recipe promised."""
    from ..recipe.carried import carried
    from ..recipe.record import main_vector

    made = recipe.to_dict()["vectors"]
    main = main_vector(made)
    names = ("scan_speed", "power", "hatch_spacing", "beam_radius", "overcure")
    headline = {name: _like(payload[name], main[name]) for name in names if name in payload and main.get(name) is not None}
    promised = {"promised": carried(recipe)} if "promised" in payload else {}
    return {"vectors": _vectors(payload, made)} | headline | promised


def _vectors(payload: Mapping[str, Any], made: list[dict[str, Any]]) -> list[dict[str, Any]]:
    kept = payload.get("vectors", [])
    return [{key: one[key] for key in old if key in one} for old, one in zip(kept, made)] if len(kept) == len(made) else made


def _source(sources: Sources, role: str) -> tuple[str, bytes]:
    if role not in sources:
        raise FileError(f"the entry keeps no {role}")
    return sources[role]


def _share(options: Mapping[str, Any], name: str, default: float | None = None) -> Any:
    text = options.get(name)
    return default if text is None else float(parse(name, text, "fraction").m_as(ONE))


def _length(options: Mapping[str, Any], name: str) -> Quantity | None:
    text = options.get(name)
    return None if text is None else parse(name, text, "length").to(MM)


def _like(recorded: Any, again: Any) -> Any:
    """The value computed again in the form of a headline: value, unit and standard uncertainty, as far as that holds them."""
    if not isinstance(recorded, Mapping) or not isinstance(again, Mapping) or "value" not in again:
        return again
    return {key: again[key] for key in ("value", "unit", "standard_uncertainty") if key in recorded and key in again}


def _numbers_only(value: Any) -> Any:
    """Without sentences: wording may change between versions, numbers may not."""
    if isinstance(value, Mapping):
        return {key: _numbers_only(one) for key, one in value.items() if key not in ("sentence", "text", "note", "notes")}
    if isinstance(value, list | tuple):
        return [_numbers_only(one) for one in value]
    return value
