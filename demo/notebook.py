# ruff: noqa: B018 (a cell that ends in a name shows it)
# %% [markdown]
# # A lot, its settings, a layer
# An invented machine and an invented resin. Open this file as a notebook (cells begin with `# %%`) or run it as it stands.

# %%
from pathlib import Path

import curecalc
from curecalc import Quantity as Q
from curecalc.figures.section import section_figure
from curecalc.figures.stack import stack_figure
from curecalc.figures.working_curve import working_curve_figure
from curecalc.lessons import lesson

here = Path(__file__).parent if "__file__" in globals() else Path("demo")

# %% [markdown]
# ## The lot: from coupons to a working curve

# %%
fit = curecalc.fit_coupons(curecalc.read_coupons(here / "coupons_lot_7.csv"), at_depth=Q(0.18, "mm"))
fit

# %%
working_curve_figure(fit)

# %% [markdown]
# ## The setting: a speed whose weakest place reaches layer and overcure

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

# %% [markdown]
# ## Layers on layers

# %%
stack = curecalc.evaluate_stack(beam=beam, resin=resin, scan=solution.answer.scan, layer_thickness=Q(0.1, "mm"))
stack

# %%
stack_figure(stack)

# %% [markdown]
# ## Why: the lesson, with its figure

# %%
lesson("working-curve")
