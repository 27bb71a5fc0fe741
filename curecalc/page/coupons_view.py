"""The lot: a table of coupons pasted or uploaded, its working curve, and what is wrong with it; coupons can be left out."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import numpy as np

from ..calibration.coupons import CouponSet, coupons_from_bytes
from ..calibration.curve import Fit, fit_coupons
from ..errors import CurecalcError, FileError, QuantityError
from ..files.spreadsheets import bounded, spreadsheet_as_csv
from ..lessons.bench import invented_bench
from ..lessons.numbers import coupon_lot
from ..symbols import percent, renamed
from ..units import IN_CM2, IN_UM, MM, Quantity, figure, parse, positive, show, show_span
from .drawing import Board
from .work import Work

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["LARGEST_TABLE", "CouponsView", "invented_table", "table_text"]

LARGEST_TABLE = 40_000  # characters that fit into an address; larger tables go to the command line
MOST_READINGS = 2000
MOST_CELLS = 40_000
_NAME = "coupons"
_TOLD = {"power_scale_uncertainty": "--power-scale-uncertainty on the command line"}


def invented_table() -> str:
    """Invented coupons as a table: three readings on each of eight."""
    exposure, readings, labels = coupon_lot(invented_bench())
    rows = ["coupon,exposure [mJ/cm^2],thickness [mm]"]
    rows += [f"{c},{e:g},{r:g}" for c, e, row in zip(labels, exposure, readings, strict=True) for r in row]
    return "\n".join(rows)


def table_text(data: bytes, file_name: str) -> str:
    """An uploaded table as text for the address; a spreadsheet comes out with all its columns.

    Raises
    ------
    FileError
        Not a table, or one too large for the page.
    """
    if file_name.lower().endswith(".xlsx"):
        bounded(_NAME, data, cells=MOST_CELLS, unpacked=20_000_000)
        text = spreadsheet_as_csv(_NAME, data)
    else:
        text = data.decode("utf-8-sig", "replace") if _is_utf8(data) else data.decode("cp1252", "replace")
        text = text.replace("\r\n", "\n").strip("\n")
    if len(urlencode({"table": text})) > LARGEST_TABLE:
        raise FileError(f"{_NAME}: has {len(text)} characters, too many for the page. Use the command line: curecalc fit FILE.")
    plain = data if not file_name.lower().endswith(".xlsx") else text.encode()
    coupons_from_bytes(f"{_NAME}.csv", plain, skip_blank=True)
    return text


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return True


class CouponsView:
    """The table in the address, read and fitted anew each time."""

    name = "coupons"
    title = "Lot"
    panels = ("curve",)
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    @staticmethod
    def texts(query: dict[str, str], work: Work) -> dict[str, str]:
        """What the address says, or the browser's own table, or the invented one."""
        own = "table" not in query and work.table != ""
        return {
            "table": (work.table if own else query.get("table", invented_table())).replace("\r\n", "\n").replace("\r", "\n"),
            "exclude": work.excluded if own and "exclude" not in query else query.get("exclude", ""),
            "depth": query.get("depth", _wanted(work)).strip(),
        } | {name: query.get(name, "")[:80].strip() for name in ("resin", "lot", "wavelength", "temperature")}

    @staticmethod
    def invented(texts: dict[str, str]) -> bool:
        """Whether the table is the one to try the page with."""
        return texts["table"] == invented_table()

    def fit(self, query: dict[str, str], work: Work) -> tuple[CouponSet, Fit]:
        """Coupons and fit of an address."""
        texts = self.texts(query, work)
        if len(texts["table"]) > LARGEST_TABLE:
            raise FileError(f"{_NAME}: is too long for the page. Use the command line: curecalc fit FILE.")
        depths = []
        if texts["depth"]:
            depths = [parse("Depth wanted", texts["depth"], "length")]
            positive("Depth wanted", depths[0], MM)
        coupons = coupons_from_bytes(f"{_NAME}.csv", f"{texts['table']}\n".encode(), skip_blank=True)
        if coupons.readings.size > MOST_READINGS:
            raise QuantityError(
                f"{_NAME}: has {coupons.readings.size} readings, more than the {MOST_READINGS} the page takes. "
                "Use the command line: curecalc fit FILE."
            )
        return coupons, fit_coupons(coupons, exclude=self.excluded(query, work, coupons), at_depth=depths)

    def excluded(self, query: dict[str, str], work: Work, coupons: CouponSet) -> list[str]:
        """Labels left out, those that the table still has."""
        wanted = dict.fromkeys(self.texts(query, work)["exclude"].split("\n"))
        return [label for label in wanted if label in coupons.labels]

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        texts = self.texts(query, work)
        context: dict[str, Any] = {
            "texts": texts,
            "problem": "",
            "fit": None,
            "coupons": [],
            "drawings": [],
            "invented": self.invented(texts),
            "work": work,
        }
        try:
            coupons, fit = self.fit(query, work)
        except CurecalcError as error:
            return context | {"problem": str(error), "coupons": self._listed(query, work)}
        return (
            context
            | {"fit": fit, "stated": stated(fit), "coupons": self._rows(coupons, fit), "commands": [self.command(query, work, "numbers")]}
            | self._told(fit)
            | {"verdict": compared(fit, work)}
        )

    def _listed(self, query: dict[str, str], work: Work) -> list[dict[str, Any]]:
        """The coupons of a table that cannot be fitted, so that one left out can come back."""
        try:
            coupons = coupons_from_bytes(f"{_NAME}.csv", self.texts(query, work)["table"].encode("utf-8"), skip_blank=True)
        except CurecalcError:
            return []
        return self._rows(coupons, None, self.excluded(query, work, coupons))

    @staticmethod
    def _rows(coupons: CouponSet, fit: Fit | None, excluded: list[str] | None = None) -> list[dict[str, Any]]:
        left_out = set(fit.excluded if fit is not None else excluded or [])
        suspects = {o.coupon for o in fit.outliers} if fit is not None else set()
        rows = []
        for i, label in enumerate(coupons.labels):
            off = ""
            if fit is not None:
                line = fit.line.y_mean + fit.line.slope * (coupons.x[i] - fit.line.x_mean)
                off = f"{IN_UM * float(coupons.thickness[i] - line):+.1f}"
            rows.append(
                {
                    "label": label,
                    "exposure": figure(IN_CM2 * float(coupons.exposure[i])),
                    "off": off,
                    "thickness": figure(float(coupons.thickness[i])),
                    "readings": int(np.sum(coupons.reading_of == i)),
                    "out": label in left_out,
                    "suspect": label in suspects,
                }
            )
        return rows

    def _told(self, fit: Fit) -> dict[str, Any]:
        sure = percent(fit.confidence)
        dp, ec = fit.penetration_depth, fit.critical_exposure
        rows = [
            ("Penetration depth", show(dp), _ends(fit.penetration_depth_interval, dp.standard_uncertainty)),
            ("Critical exposure", show(ec), _ends(fit.critical_exposure_interval, ec.standard_uncertainty)),
        ]
        for w in fit.exposure_for_depth:
            rows.append((f"Exposure for {show(w.depth)}", show(w.exposure), _ends(w.mean_interval, w.mean_standard_uncertainty)))
        more = [
            ("Scatter of coupons about the line", show(fit.residual_sd)),
            ("Correlation of Dp and ln Ec", figure(fit.correlation, digits=3)),
            ("Coupons used", str(len(fit.coupons))),
            ("Readings", str(fit.coupons.readings.size)),
            ("Degrees of freedom", str(fit.degrees_of_freedom)),
        ]
        main = f"Dp {show(dp)}, Ec {show(ec)}."
        from ..figures.working_curve import draw_residuals, draw_working_curve

        def draw(upper: Any, lower: Any) -> None:
            draw_working_curve(upper, fit)
            draw_residuals(lower, fit)
            upper.set_xlabel("")

        drawing = self.board.svg(
            "c-curve",
            draw,
            label=f"Thickness of coupons against exposure with the fitted line, residuals beneath. {main}",
            width_mm=150.0,
            height_mm=140.0,
            boxes=((0.12, 0.37, 0.85, 0.47), (0.12, 0.10, 0.85, 0.19)),
        )
        return {
            "rows": rows,
            "more": more,
            "sure": sure,
            "main": main,
            "dp": show(dp),
            "ec": show(ec),
            "drawings": [("curve", drawing)],
            "warnings": [renamed(one, _TOLD) for one in fit.warnings],
            "notes": fit.notes,
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc fit`."""
        _, fit = self.fit(query, work)
        return fit.to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line, for the table saved as coupons.csv."""
        coupons, _ = self.fit(query, work)
        words = ["curecalc", "fit", "coupons.csv", "--skip-blank"]
        for label in self.excluded(query, work, coupons):
            words += ["--exclude", label]
        depth = self.texts(query, work)["depth"]
        return shlex.join([*words, "--at-depth", depth] if depth else words)

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.working_curve import working_curve_figure

        _, fit = self.fit(query, work)
        return working_curve_figure(fit)

    def resin_text(self, query: dict[str, str], work: Work) -> str:
        """The resin file of the fit, named as the fields beside the table say; wavelength of the machine where none is given."""
        from ..jobs.fitted import resin_text

        texts = self.texts(query, work)
        _, fit = self.fit(query, work)
        kinds = {"wavelength": "wavelength", "temperature": "temperature"}
        more: dict[str, Any] = {name: parse(name.capitalize(), texts[name], kind) for name, kind in kinds.items() if texts[name]}
        if "wavelength" not in more and fit.coupons.wavelength is None:
            more["wavelength"] = work.bench().wavelength
        names = {"lot": texts["lot"]} if texts["lot"] else {}
        return resin_text(fit, name=texts["resin"], names=names, **more)


def stated(fit: Fit) -> dict[str, str]:
    """What the table itself says of resin, lot, machine, wavelength and temperature, as texts for the fields."""
    coupons = fit.coupons
    found: dict[str, str] = {name: text for name, text in coupons.names.items() if name in ("resin", "lot", "machine")}
    if coupons.wavelength is not None:
        found["wavelength"] = f"{figure(coupons.wavelength, digits=4)} nm"
    if coupons.mean_temperature is not None:
        found["temperature"] = show(coupons.mean_temperature, digits=3)
    return found


def _wanted(work: Work) -> str:
    bench = work.bench()
    return f"{figure(float(bench.cure_depth.m_as(MM)))} mm"


def compared(fit: Fit, work: Work) -> dict[str, Any] | None:
    """The fit against the lot before it, where there is one."""
    from ..calibration.comparing import compare_lots, lot_from_fit
    from ..jobs.fitted import lot_from_resin

    earlier = work.earlier(fit.coupons.sha256)
    if earlier is None or not earlier.verified:
        return None
    name = " ".join(part for part in (earlier.resin.name, earlier.lot) if part)
    try:
        bench = work.bench()
        found = compare_lots(
            lots=[lot_from_resin(earlier, name), lot_from_fit("these coupons", fit)],
            cure_depth=bench.cure_depth,
            tolerance=0.5 * (bench.cure_depth - bench.layer_thickness),
        )
    except CurecalcError as error:
        return {"name": name, "sentence": str(error), "notes": (), "word": "not compared"}
    notes = (*found.notes, "The tolerance is half the overcure of the needs: what a layer can lose and still bond.")
    return {"name": name, "sentence": found.sentence, "notes": notes, "word": found.verdict}


def _ends(interval: tuple[Quantity, Quantity], u: Quantity) -> str:
    if all(np.isfinite(end.m) for end in interval):
        return show_span(*interval, u=u)
    return " to ".join(show(end) if np.isfinite(end.m) else "no bound" for end in interval)
