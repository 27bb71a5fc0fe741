"""The recipe: machine, lot and needs of the browser's work to settings for every kind of vector, and its sheet and files."""

from __future__ import annotations

import math
import shlex
import tomllib
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, NoSolution, QuantityError
from ..files.disk import ending, json_text
from ..units import MM, MW, parse, parse_measured, positive, show
from .drawing import Board
from .forms import document_of, rows_of
from .settings_view import ranges
from .work import PARTS, Work, file_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..recipe.record import Recipe, VectorRecipe
    from ..recipe.retuning import Retuned

__all__ = ["DOWNLOADS", "RecipeView", "download", "form_text"]

EFFECTS = (
    "kind",
    "line width [mm]",
    "contour offset [mm]",
    "ripple [µm]",
    "overcure [µm]",
    "print-through [µm]",
    "layers to leave out",
    "exposure at the interface [mJ/cm²]",
    "corner deeper by [µm]",
    "corner reaches [mm]",
    "deeper at the field's edge by [µm]",
)
DOWNLOADS = {
    "sheet.pdf": ("Sheet (PDF)", "application/pdf"),
    "sheet.html": ("Sheet (HTML)", "text/html"),
    "recipe.json": ("Recipe", "application/json"),
    "recipe.csv": ("Settings as a table", "text/csv"),
    "machine.toml": ("Machine", "application/toml"),
    "resin.toml": ("Lot", "application/toml"),
    "needs.toml": ("Needs", "application/toml"),
}


class RecipeView:
    """Kinds of vector as a table, what limits them, the window of one, new speeds after a reading."""

    name = "recipe"
    title = "Recipe"
    panels = ("window", "along")
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        context: dict[str, Any] = {
            "work": work,
            "parts": [(name, work.parts.get(name)) for name in PARTS],
            "problem": "",
            "limit": "",
            "recipe": None,
            "drawings": [],
            "ranges": ranges(work),
            "downloads": DOWNLOADS,
            "effects": EFFECTS,
            "asked": {name: query.get(name, "") for name in ("power", "beam_radius", "instead_of", "kind")},
            "retuned": None,
            "retune_problem": "",
        }
        if not work.complete:
            return context
        try:
            recipe = work.recipe()
        except NoSolution as error:
            return context | {"problem": str(error), "limit": error.limit}
        except CurecalcError as error:
            return context | {"problem": str(error)}
        try:
            context["retuned"] = _retuned(query, recipe)
        except CurecalcError as error:
            context["retune_problem"] = str(error)
        return context | self._told(query, recipe) | {"commands": [self.command(query, work, "numbers")]}

    def _told(self, query: dict[str, str], recipe: Recipe) -> dict[str, Any]:
        from ..figures.along import along_figure
        from ..figures.inline import inline_svg
        from ..figures.window import window_figure
        from ..recipe.file import recipe_record
        from ..recipe.window import process_window
        from ..sheets import recipe_columns, recipe_view

        kinds = [v.kind for v in recipe.vectors]
        vector = recipe.vector(query["kind"]) if query.get("kind") in kinds else recipe.main
        window = process_window(
            vector, "scan_speed", "hatch_spacing" if vector.pattern == "raster" else "beam_radius", points=41, with_assurance=False
        )
        with self.board.lock:
            drawing = inline_svg(window_figure(window, 150.0, 115.0), name=f"Process window of {vector.kind}.", prefix="r-window")
            drawings = [("window", drawing)]
            if _long(vector):
                figure = along_figure(recipe, (vector.kind,), 150.0, 100.0)
                drawings.append(("along", inline_svg(figure, name=f"Depth along a vector of {vector.kind}.", prefix="r-along")))
        return {
            "recipe": recipe,
            "sheet": recipe_view(recipe_record(recipe)),
            "columns": recipe_columns(),
            "kinds": kinds,
            "shown": vector.kind,
            "tiles": [(f"Scan speed, {vector.kind}", show(vector.scan_speed, digits=4)), ("Cures", show(vector.cure_depth))],
            "gains": [(v.kind, limit.sentence) for v in recipe.vectors for limit in v.limits],
            "drawings": drawings,
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc recipe`."""
        from ..recipe.file import recipe_record

        return recipe_record(_whole(work))

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        _whole(work)
        return shlex.join(["curecalc", "recipe", *(word for name in PARTS for word in (f"--{name}", work.parts[name].path))])

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The window on the sheet, or the depth along the longest kind of vector."""
        from ..figures.along import along_figure
        from ..figures.window import window_figure
        from ..sheets import sheet_window

        recipe = _whole(work)
        if panel == "window":
            return window_figure(sheet_window(recipe))
        kinds = [v.kind for v in recipe.vectors if _long(v)]
        if not kinds:
            raise QuantityError("The needs state no vector length. Add it to the kinds of vector.")
        main = recipe.main.kind
        return along_figure(recipe, (main if main in kinds else kinds[0],))


def _long(vector: VectorRecipe) -> bool:
    """Whether the needs say how long such vectors are."""
    return math.isfinite(vector.best.task.vector_length)


def _whole(work: Work) -> Recipe:
    missing = [{"resin": "lot"}.get(name, name) for name in PARTS if name not in work.parts]
    if missing:
        named = " and ".join(", ".join(missing).rsplit(", ", 1))
        raise QuantityError(f"The {named} {'are' if len(missing) > 1 else 'is'} not here yet: a recipe needs all three.")
    return work.recipe()


def _retuned(query: dict[str, str], recipe: Recipe) -> dict[str, Any] | None:
    from ..recipe.file import recipe_record
    from ..recipe.retuning import retune, shown

    power = radius = None
    if query.get("power", "").strip():
        power = parse_measured("New power", query["power"], "power")
        positive("New power", power.value, MW)
    if query.get("beam_radius", "").strip() or query.get("instead_of", "").strip():
        named = (("Radius it was taken for", "instead_of"), ("Radius now measured", "beam_radius"))
        before, now = (parse(label, query.get(name, ""), "length") for label, name in named)
        for (label, _), value in zip(named, (before, now), strict=True):
            positive(label, value, MM)
        radius = (before, now)
    if power is None and radius is None:
        return None
    found: Retuned = retune(
        machine=recipe.machine, resin=recipe.lot, needs=recipe.needs, old=recipe_record(recipe), power=power, beam_radius=radius
    )
    return {
        "rows": [(*shown(change), change.reason) for change in found.changes],
        "recalibrate": found.recalibrate,
        "notes": [w for w in found.recipe.warnings if w not in found.recalibrate],
    }


def download(work: Work, name: str) -> bytes:
    """The content of one of `DOWNLOADS`.

    Raises
    ------
    CurecalcError
        What it is made of is not here.
    """
    from ..recipe.file import recipe_record
    from ..sheets import recipe_csv, sheet_bytes

    part = work.parts.get(name.removesuffix(".toml"))
    if name.endswith(".toml"):
        if part is None:
            raise QuantityError(f"There is no {name} here yet.")
        return part.text.encode()
    recipe = _whole(work)
    record = recipe_record(recipe)
    if name == "recipe.json":
        return json_text(record).encode()
    if name == "recipe.csv":
        return recipe_csv(record).encode()
    return sheet_bytes(recipe, record, ending(name))


def form_rows(work: Work, name: str) -> Any:
    """The form of a part, filled with what it holds."""
    part = work.parts.get(name)
    return rows_of(file_of(name).schema, tomllib.loads(part.text) if part is not None else {})


def form_text(name: str, form: dict[str, str]) -> str:
    """The text of a part as its form says."""
    return document_of(file_of(name).schema, form)
