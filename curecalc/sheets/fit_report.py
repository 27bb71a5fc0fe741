"""A fit as sheets of a workbook: the result, each coupon, each reading, what is doubtful."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["fit_sheets"]


def fit_sheets(record: Mapping[str, Any]) -> dict[str, list[list[Any]]]:
    """Sheet names and rows from the JSON object of `curecalc fit`; nothing else enters."""
    result: list[list[Any]] = [["quantity", "value", "unit", "standard uncertainty", "from", "to", "confidence"]]
    for name in ("penetration_depth", "critical_exposure"):
        result.append([name.replace("_", " "), *_row(record[name])])
    for one in record["exposure_for_depth"]:
        for of, said in (("mean", "for the mean"), ("next_coupon", "for one coupon")):
            depth = f"{one['depth']['value']:g} {one['depth']['unit']}"
            result.append([f"exposure {said} of {depth}", *_row(one[of])])
            if "scan_speed" in one[of]:
                result.append([f"scan speed {said} of {depth}", *_row(one[of]["scan_speed"])])
    for name in ("residual_sd", "repeatability_sd", "between_coupon_sd"):
        if record[name] is not None:
            result.append([name.replace("_sd", " standard deviation").replace("_", " "), *_row(record[name])])
    for name in ("correlation", "coupons", "readings", "degrees_of_freedom", "method", "exposure_from"):
        result.append([name.replace("_", " "), record[name]])
    for name in ("resin", "lot", "machine", "power_meter", "gauge", "date"):
        if record.get(name):
            result.append([name.replace("_", " "), record[name]])
    result += [["data", record["data"]["file"]], ["SHA-256 of the data", record["data"]["sha256"]]]
    heads = ["exposure [mJ/cm^2]", "thickness [mm]", "fitted [mm]", "residual [mm]", "studentised residual", "leverage", "readings"]
    coupons: list[list[Any]] = [["coupon", *heads]]
    readings: list[list[Any]] = [["coupon", "exposure [mJ/cm^2]", "thickness [mm]"]]
    for c in record["coupon_table"]:
        four = [c[name]["value"] for name in ("exposure", "thickness", "fitted", "residual")]
        coupons.append([c["coupon"], *four, c["studentised_residual"], c["leverage"], len(c["readings"])])
        readings += [[c["coupon"], four[0], value] for value in c["readings"]]
    checks = [["check"], *([text] for text in [*record["warnings"], *record["notes"], record["critical_exposure_budget"]["sentence"]])]
    return {"result": result, "coupons": coupons, "readings": readings, "checks": checks}


def _row(q: Mapping[str, Any]) -> list[Any]:
    low, high = q.get("interval") or (None, None)
    return [q["value"], q["unit"], q.get("standard_uncertainty"), low, high, q.get("confidence")]
