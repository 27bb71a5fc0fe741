# ruff: noqa: B018 (a cell that ends in a name shows it)
# %% [markdown]
# # Six jobs beside a machine
# An invented machine, an invented resin, an invented part. Open `notebook.ipynb`, open this file as a notebook (cells begin with
# `# %%`), or run it as it stands. `python demo/make_notebook.py` makes the one from the other.
#
# Calculated settings are a starting point: prove them on coupons before parts. The UV laser may be class 4 and uncured resin can
# sensitise: trained staff, eyewear, gloves; the maker's instructions and local rules come first.

# %%
import tempfile
from pathlib import Path

import curecalc
from curecalc import Quantity as Q
from curecalc.figures.along import along_figure
from curecalc.figures.comparison import comparison_figure
from curecalc.figures.drift import drift_figure
from curecalc.figures.map import part_figure
from curecalc.figures.section import section_figure
from curecalc.figures.spot import spot_figure
from curecalc.figures.stack import stack_figure
from curecalc.figures.window import window_figure
from curecalc.figures.working_curve import working_curve_figure
from curecalc.lessons import lesson
from curecalc.logbook.demoshop import write_demo_shop

here = Path(__file__).parent if "__file__" in globals() else next(p for p in (Path("demo"), Path(".")) if (p / "machine.toml").exists())

# %% [markdown]
# ## 1. Know the beam
# A knife edge moved through the beam; the fit gives the 1/e² radius with its uncertainty.

# %%
spot = curecalc.measure_file(here / "beam_knife_edge.csv", wavelength=Q(355.0, "nm"))
spot

# %%
spot_figure(spot)

# %% [markdown]
# ## 2. Calibrate a lot
# Coupons to a working curve. Two faults hide in these data; the checks name them.

# %%
fit = curecalc.fit_coupons(curecalc.read_coupons(here / "coupons_lot_7.csv"), at_depth=Q(0.18, "mm"))
fit

# %%
working_curve_figure(fit)

# %% [markdown]
# With both read again: does the lot keep the settings of the one before?

# %%
lots = [
    curecalc.lot_from_fit(name, curecalc.fit_coupons(curecalc.read_coupons(here / f"coupons_{file}.csv")))
    for name, file in (("lot 6", "lot_6"), ("lot 7", "lot_7_read_again"))
]
verdict = curecalc.compare_lots(lots=lots, cure_depth=Q(0.18, "mm"), tolerance=Q(8.0, "um"))
verdict

# %%
comparison_figure(verdict)

# %% [markdown]
# ## 3. Choose settings
# One setting by hand: the speed whose weakest place reaches layer and overcure, and what it does layer on layer.

# %%
beam = curecalc.Beam(
    power=curecalc.Measured(Q(240.0, "mW"), Q(4.8, "mW")),
    radius_x=curecalc.Measured(Q(0.110, "mm"), Q(0.003, "mm")),
    wavelength=Q(355.0, "nm"),
)
resin = curecalc.Resin(penetration_depth=fit.penetration_depth, critical_exposure=fit.critical_exposure, correlation=fit.correlation)
solution = curecalc.solve_scan_speed(
    beam=beam,
    resin=resin,
    scan=curecalc.Scan(scan_speed=Q(1.0, "m/s"), hatch_spacing=Q(0.1, "mm")),
    layer_thickness=Q(0.1, "mm"),
    overcure=Q(0.08, "mm"),
)
solution

# %%
section_figure(solution.answer)

# %%
stack = curecalc.evaluate_stack(beam=beam, resin=resin, scan=solution.answer.scan, layer_thickness=Q(0.1, "mm"))
stack

# %%
stack_figure(stack)

# %% [markdown]
# A whole recipe: every kind of vector, with its assurance, inside the machine's limits.

# %%
recipe = curecalc.make_recipe(
    machine=curecalc.read_machine(here / "machine.toml"),
    resin=curecalc.read_resin(here / "resin.toml"),
    needs=curecalc.read_needs(here / "needs.toml"),
)
recipe

# %%
window_figure(curecalc.process_window(recipe.main, "scan_speed", "hatch_spacing", points=41, with_assurance=False))

# %%
along_figure(recipe, ("hatch", "contour"))

# %% [markdown]
# ## 4. Map real scan paths
# The vectors of a bracket with thin fins, a bridge and an overhang, layer on layer.

# %%
part = curecalc.part_field(
    curecalc.read_paths(here / "bracket.csv"),
    resin=curecalc.read_resin(here / "resin.toml").resin,
    layer_thickness=Q(0.1, "mm"),
    overcure=Q(0.08, "mm"),
    workers=1,
)
part

# %%
part_figure(part)

# %% [markdown]
# ## 5. Keep a logbook
# An invented year of two machines; one laser fades.

# %%
book = write_demo_shop(Path(tempfile.mkdtemp()) / "shop.db")
drift = curecalc.drift_report(book, "power", machine="bay 2")
drift

# %%
drift_figure(drift)

# %% [markdown]
# ## 6. Teach why

# %%
lesson("working-curve")
