"""Simulated shops: true resins drawn, coupons exposed and fitted, layers built at the assured exposure. Vectorised."""

from __future__ import annotations

import numpy as np

from curecalc.recipe.assurance import Curve, Errors, assured_log_exposure, relative_variance
from curecalc.recipe.light import Pattern, shape
from curecalc.statistics.line import ordinary_line

SEED = 20261


def curve_of_line(fit, coupons: int) -> Curve:
    """The curve of lines through so many coupons each."""
    return Curve(
        penetration_depth=fit.slope,
        log_threshold=fit.x_mean - fit.y_mean / fit.slope,
        centre=fit.x_mean,
        centre_variance=fit.scale / fit.weight_sum,
        slope_variance=fit.scale / fit.sxx,
        layer_variance=fit.scale,
        degrees_of_freedom=float(coupons - 2),
    )


def layers_that_bond(
    *,
    coupons: int,
    assurance: float,
    single: bool,
    cancels: bool,
    rasters: bool = False,
    shops: int = 10_000,
    seed: int = SEED,
    believed: bool | None = None,
) -> float:
    """Share of shops whose layer (or whose mean layer) reaches the bond depth at the assured exposure.

    Every shop has its own resin, meter and spot errors; `cancels` tells whether coupons and build share meter and beam,
    `believed` what the budget takes for granted (the truth, unless given).
    """
    believed = cancels if believed is None else believed
    random = np.random.default_rng([seed, coupons, int(1000 * assurance), single, cancels, rasters])
    layer, bond, scatter = 0.10, 0.08, 0.006
    meter, spot, reading, spot_now, speed_error, spacing_error, recoat, bias = (0.03, 0.04, 0.01, 0.01, 0.01, 0.005, 0.004, 0.003)

    def normal(*size):
        return random.standard_normal(size)

    dp = random.uniform(0.10, 0.18, shops)
    log_ec = np.log(random.uniform(0.05, 0.17, shops))
    x = np.log(np.linspace(0.2, 1.6, coupons))  # nominal, mJ/mm^2
    meter_then, spot_then = meter * normal(shops), spot * normal(shops)
    radius_power_then = 0.0 if rasters else -1.0
    gauge = bias * normal(shops)
    true_x = x + (meter_then + radius_power_then * spot_then)[:, None]
    y = dp[:, None] * (true_x - log_ec[:, None]) + gauge[:, None] + scatter * normal(shops, coupons)
    fit = ordinary_line(np.broadcast_to(x, y.shape), y)
    curve = curve_of_line(fit, coupons)
    errors = Errors(
        power=reading,
        beam_radius=spot_now,
        beam_radius_scale=spot,
        scan_speed=speed_error,
        hatch_spacing=spacing_error,
        layer_thickness=recoat,
        depth_bias=bias,
        coupon_radius_power=radius_power_then if believed else None,
        exposure_scale=0.0 if believed else np.hypot(meter, np.hypot(meter, radius_power_then * spot)),
    )
    radius, spacing = 0.12, 0.13 if rasters else None
    light = shape(Pattern(rasters), radius, spacing, step=2.0 * np.hypot(spot, spot_now))
    relative = relative_variance(errors, light.radius_power, light.speed_power, light.spacing_power)
    wanted = assured_log_exposure(curve, errors, relative, layer + bond, assurance=assurance, single=single)
    speed = light.weakest / np.exp(wanted)  # at unit power
    # the build, with what is true on that day
    meter_now = meter_then if cancels else meter * normal(shops)
    spot_scale = spot_then if cancels else spot * normal(shops)
    true_radius = radius * np.exp(spot_scale + spot_now * normal(shops))
    true_spacing = None if spacing is None else spacing * np.exp(spacing_error * normal(shops))
    true_light = shape(Pattern(rasters), true_radius, true_spacing)
    true_power = np.exp(meter_now + reading * normal(shops))
    true_speed = speed * np.exp(speed_error * normal(shops))
    depth = dp * (np.log(true_power * true_light.weakest / true_speed) - log_ec)
    needed = layer + bond
    if single:
        # a single layer scatters like a coupon and is as thick as recoating made it
        depth = depth + scatter * normal(shops)
        needed = needed + recoat * normal(shops)
    return float(np.mean(depth >= needed))
