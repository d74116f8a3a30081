"""Which device goes to which port: exact, by linear assignment or mixed-integer linear programming.

A port gives at most one device power, a device hangs on at most one port. Two kinds of charger: one whose ports have
known powers for the set of ports in use (a linear assignment for each set), and one of which only budgets of groups of
ports are known, divided as is best for the devices (a mixed-integer linear programme).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import csr_array

__all__ = ["Assignment", "assign_by_budgets", "assign_to_powers"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Assignment:
    """Devices on ports.

    Parameters
    ----------
    port
        For each device its port's index, or `None`.
    power_w
        Power at the port for each device [W]; 0 without a port.
    value
        What was maximised.
    """

    port: tuple[int | None, ...]
    power_w: tuple[float, ...]
    value: float


def assign_to_powers(value: FloatArray, power_w: FloatArray) -> Assignment | None:
    """The best way to occupy all of some ports, each with one device.

    Parameters
    ----------
    value
        What a device at a port is worth, shape (devices, ports); -inf where it does not fit.
    power_w
        Power at the port, same shape [W].

    Returns
    -------
    `None` when the ports cannot all be occupied.
    """
    devices, ports = value.shape
    if ports > devices:
        return None
    allowed = np.isfinite(value)
    finite = np.where(allowed, value, 0.0)
    # one pair that does not fit must outweigh all that do
    worst = -1.0 - 2.0 * ports * (1.0 + float(np.abs(finite).max(initial=0.0)))
    rows, columns = linear_sum_assignment(np.where(allowed, finite, worst), maximize=True)
    if not allowed[rows, columns].all():
        return None
    port: list[int | None] = [None] * devices
    given = [0.0] * devices
    for d, p in zip(rows, columns, strict=True):
        port[int(d)] = int(p)
        given[int(d)] = float(power_w[d, p])
    return Assignment(tuple(port), tuple(given), float(finite[rows, columns].sum()))


def assign_by_budgets(
    value_per_w: FloatArray,
    most_w: FloatArray,
    least_w: FloatArray,
    budgets: Sequence[tuple[Sequence[int], float]],
    *,
    all_ports: bool = False,
) -> Assignment | None:
    """The best assignment and division of power where groups of ports have budgets.

    Maximise sum v_dp y_dp over x in {0, 1} and y, with least x <= y <= most x, one port for a device, one device for a
    port, and the sum of y over each group within its budget.

    Parameters
    ----------
    value_per_w
        Worth of a watt at the port, shape (devices, ports) [1/W].
    most_w, least_w
        What a device takes there at most, and at least to be of use, same shape [W]; most 0 where it does not fit.
    budgets
        Indices of ports, and their power together [W].
    all_ports
        Every port must be occupied.

    Returns
    -------
    `None` when nothing satisfies this.
    """
    devices, ports = value_per_w.shape
    pairs = [
        (d, p)
        for d in range(devices)
        for p in range(ports)
        if most_w[d, p] > 0.0 and least_w[d, p] <= most_w[d, p] * (1 + 1e-12)
    ]
    if not pairs:
        return None if all_ports else Assignment((None,) * devices, (0.0,) * devices, 0.0)
    n = len(pairs)
    rows: list[FloatArray] = []
    low: list[float] = []
    high: list[float] = []

    def constrain(row: FloatArray, least: float, most: float) -> None:
        rows.append(row)
        low.append(least)
        high.append(most)

    for d in range(devices):
        constrain(np.array([*(float(a == d) for a, _ in pairs), *([0.0] * n)]), 0.0, 1.0)
    for p in range(ports):
        constrain(np.array([*(float(b == p) for _, b in pairs), *([0.0] * n)]), 1.0 if all_ports else 0.0, 1.0)
    for k, (d, p) in enumerate(pairs):
        for sign, bound in ((1.0, most_w[d, p]), (-1.0, -min(least_w[d, p], most_w[d, p]))):
            row = np.zeros(2 * n)
            row[n + k], row[k] = sign, -bound
            constrain(row, -np.inf, 0.0)
    for group, power in budgets:
        constrain(np.array([*([0.0] * n), *(float(b in group) for _, b in pairs)]), 0.0, power)
    cost = np.array([*([0.0] * n), *(-value_per_w[d, p] for d, p in pairs)])
    found = milp(
        cost,
        integrality=np.array([1] * n + [0] * n),
        bounds=Bounds(0.0, np.array([1.0] * n + [float(most_w[d, p]) for d, p in pairs])),
        constraints=LinearConstraint(csr_array(np.array(rows)), np.array(low), np.array(high)),
        options={"mip_rel_gap": 0.0},
    )
    if not found.success:
        return None
    port: list[int | None] = [None] * devices
    given = [0.0] * devices
    for k, (d, p) in enumerate(pairs):
        # a device put on a port without power is as good as not plugged in, unless the port must be occupied
        if found.x[k] > 0.5 and (found.x[n + k] > 1e-9 or all_ports):
            port[d], given[d] = p, float(found.x[n + k])
    return Assignment(tuple(port), tuple(given), float(-found.fun))
