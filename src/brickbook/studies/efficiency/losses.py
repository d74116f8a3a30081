"""Where the losses come from: a fit over load, the best point, and the power-factor stage.

Model: loss = p0 + a P + b P^2 over output power P: fixed losses, those in proportion to power (voltage drops), and
those in proportion to its square (resistance). Common practice, no source. The best load follows as P* = sqrt(p0/b),
where d(loss/P)/dP = 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.fitting import fit_linear, own_variances
from brickbook.core.readings import figure_of
from brickbook.core.table import Rows
from brickbook.core.uncertainty import Measured, covariance_of, propagate, type_b
from brickbook.studies.efficiency.points import merge_rows

__all__ = ["LossPoint", "loss_figures"]

_STUDY = "efficiency"
_PFC_HIGH, _PFC_STEP = 0.85, 0.12  # power factor with the stage on; drop that tells it went off (common practice)


@dataclass(frozen=True, slots=True)
class LossPoint:
    """A loading condition as the loss model sees it.

    Parameters
    ----------
    ratio
        Loading condition.
    output_w, input_w
        At the receptacles and at the mains.
    power_factor
        NaN where it was not logged.
    sources, flags
        Of the point.
    """

    ratio: float
    output_w: Measured
    input_w: Measured
    power_factor: float
    sources: tuple[Rows, ...]
    flags: tuple[str, ...]


def loss_figures(points: Sequence[LossPoint], base: Conditions) -> list[Figure]:
    """Fitted losses, best measured efficiency, and where the power-factor stage switches off."""
    ordered = sorted(points, key=lambda p: -float(p.input_w.value))
    flags = tuple(dict.fromkeys(f for p in ordered for f in p.flags))
    out = _best(ordered, base)
    step = _stage_step(ordered)
    if step is not None:
        high, low = step
        top, bottom = float(high.input_w.value), float(low.input_w.value)
        measured = type_b((top + bottom) / 2, (top - bottom) / 2, f"load steps either side of the stage, {base.text()}")
        method = (
            f"with falling load the power factor drops from {high.power_factor:.3f} at {top:.1f} W to "
            f"{low.power_factor:.3f} at {bottom:.1f} W input; the stage switches off between the two"
        )
        out.append(
            figure_of(
                measured,
                study=_STUDY,
                name="pfc_threshold_w",
                unit="W",
                conditions=base,
                method=method,
                sources=merge_rows([*high.sources, *low.sources]),
                flags=flags,
            )
        )
        # one smooth curve cannot describe two states: the larger group of loads is fitted, if it is large enough
        above = [p for p in ordered if float(p.input_w.value) >= top]
        below = [p for p in ordered if float(p.input_w.value) <= bottom]
        ordered = max(above, below, key=len)
        flags = (*flags, f"fitted only to loads with the power-factor stage {'on' if ordered is above else 'off'}")
    if len(ordered) >= 4:
        out += _fit(ordered, base, merge_rows([s for p in ordered for s in p.sources]), flags)
    return out


def _best(points: Sequence[LossPoint], base: Conditions) -> list[Figure]:
    best = max(points, key=lambda p: float(p.output_w.value) / float(p.input_w.value))
    return [
        figure_of(
            best.output_w / best.input_w,
            study=_STUDY,
            name="peak_efficiency_ratio",
            unit="",
            conditions=base.with_(load_ratio=best.ratio),
            method="highest efficiency among the loading conditions measured, at the receptacles",
            sources=best.sources,
            flags=best.flags,
        )
    ]


def _stage_step(points: Sequence[LossPoint]) -> tuple[LossPoint, LossPoint] | None:
    """Neighbouring loads, in falling order, between which the power factor drops as when a stage switches off."""
    for high, low in pairwise(points):
        if high.power_factor >= _PFC_HIGH and high.power_factor - low.power_factor >= _PFC_STEP:
            return high, low
    return None


def _fit(
    points: Sequence[LossPoint], base: Conditions, sources: tuple[Rows, ...], flags: tuple[str, ...]
) -> list[Figure]:
    power = np.array([float(p.output_w.value) for p in points])
    losses = [p.input_w - p.output_w for p in points]
    design = np.column_stack([np.ones_like(power), power, power**2])
    # the whole covariance weighs the points: loads read on another range of the meter differ by that range's error,
    # which is no fault of the model
    fit = fit_linear(
        design,
        losses,
        source=f"lack of fit of the loss model, {base.text()}",
        weighting=covariance_of(losses) if (own_variances(losses) > 0.0).all() else None,
    )
    method = "generalised least-squares fit of p0 + a P + b P^2 to the losses at the measured loads"
    out = [
        figure_of(
            parameter,
            study=_STUDY,
            name=name,
            unit=unit,
            conditions=base,
            method=method,
            sources=sources,
            flags=flags,
        )
        for parameter, (name, unit) in zip(
            fit.parameters,
            (("fixed_loss_w", "W"), ("proportional_loss_ratio", ""), ("resistive_loss_per_w", "1/W")),
            strict=True,
        )
    ]
    fixed, _, square = fit.parameters
    full = float(power.max())
    # a best load outside the measured range, or known to worse than half of itself, is not claimed
    if all(float(p.value) > 0 and float(p.u) < 0.5 * float(p.value) for p in (fixed, square)):
        best = math.sqrt(float(fixed.value) / float(square.value))
        load = propagate(lambda p0, b: (p0 / b) ** 0.5 / full, fixed, square)
        if power.min() <= best <= full:
            out.append(
                figure_of(
                    load,
                    study=_STUDY,
                    name="peak_efficiency_load_ratio",
                    unit="",
                    conditions=base,
                    method="sqrt(p0/b) of the fitted losses, relative to the highest load measured",
                    sources=sources,
                    flags=flags,
                )
            )
    return out
