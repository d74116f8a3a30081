"""Heat in a charger: a network of parts with heat capacities, joined by thermal resistances, in a room.

For node i with temperature T_i, capacity C_i and share s_i of the loss P:

    C_i dT_i/dt = s_i P + sum_j (T_j - T_i)/R_ij + (T_room - T_i)/R_i

(Kirchhoff's laws with temperature for voltage; the usual lumped model, common practice, no source.) Over a step in
which P, the room and the resistances stay what they are this is linear and solved exactly by the matrix exponential, so
the length of a step costs no accuracy. A link whose resistance depends on the difference takes it from the step's
start, and anew once it has moved by one part in a thousand.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from brickbook.simbench.charger import Thermals

__all__ = ["ThermalNetwork"]

FloatArray = NDArray[np.float64]
_REFERENCE_K = 40.0
_LEAST_K = 1.0


class ThermalNetwork:
    """Temperatures of a charger's parts [°C], advanced in steps.

    Parameters
    ----------
    thermals
        Nodes and links.
    room_c
        Temperature of all nodes at the start [°C].
    """

    def __init__(self, thermals: Thermals, room_c: float) -> None:
        self.names = tuple(node.name for node in thermals.nodes)
        self._index = {name: k for k, name in enumerate(self.names)}
        self._capacity = np.array([node.capacity_j_per_k for node in thermals.nodes])
        self._share = np.array([node.share for node in thermals.nodes])
        self._links = [
            (
                self._index.get(link.between[0], -1),
                self._index.get(link.between[1], -1),
                1.0 / link.resistance_k_per_w,
                link.convection_exponent,
            )
            for link in thermals.links
        ]
        self._used: list[float] = []
        self._rates: tuple[FloatArray, FloatArray] | None = None
        self._steps: dict[float, tuple[FloatArray, FloatArray]] = {}
        self.temperature_c = np.full(len(self.names), room_c)

    def __getitem__(self, name: str) -> float:
        """Temperature of a node [°C]; raises `KeyError`."""
        return float(self.temperature_c[self._index[name]])

    def as_mapping(self) -> Mapping[str, float]:
        """All temperatures [°C] by node."""
        return dict(zip(self.names, self.temperature_c.tolist(), strict=True))

    def _conductances(self, room_c: float) -> list[float]:
        """Of each link at this moment [W/K]."""
        temperatures = [*self.temperature_c.tolist(), room_c]
        found = []
        for one, other, conductance, exponent in self._links:
            if exponent:
                across = abs(temperatures[one] - temperatures[other])  # -1 is the room
                found.append(conductance * (max(across, _LEAST_K) / _REFERENCE_K) ** exponent)
            else:
                found.append(conductance)
        return found

    def _matrix(self, room_c: float) -> tuple[FloatArray, FloatArray]:
        """Rates of exchange [1/s] between nodes, shape (n, n), and with the room, shape (n,)."""
        conductances = self._conductances(room_c)
        if self._rates is not None and all(
            abs(new - old) <= 1e-3 * old for new, old in zip(conductances, self._used, strict=True)
        ):
            return self._rates
        n = len(self.names)
        matrix, to_room = np.zeros((n, n)), np.zeros(n)
        for (one, other, *_), g in zip(self._links, conductances, strict=True):
            for here, there in ((one, other), (other, one)):
                if here < 0:
                    continue
                matrix[here, here] -= g / self._capacity[here]
                if there < 0:
                    to_room[here] += g / self._capacity[here]
                else:
                    matrix[here, there] += g / self._capacity[here]
        self._used, self._rates = conductances, (matrix, to_room)
        self._steps.clear()
        return self._rates

    def step(self, duration_s: float, loss_w: float, room_c: float) -> None:
        """Advance by a time [s] in which the loss [W] and the room [°C] stay what they are."""
        if duration_s <= 0.0:
            return
        matrix, to_room = self._matrix(room_c)
        known = self._steps.get(duration_s)
        if known is None:
            known = self._steps[duration_s] = _exponentials(matrix, duration_s)
        whole, part = known
        source = self._share * loss_w / self._capacity
        self.temperature_c = whole @ self.temperature_c + part @ (source + to_room * room_c)

    def steady_c(self, loss_w: float, room_c: float) -> Mapping[str, float]:
        """Temperatures [°C] at rest under a constant loss [W], with the resistances of this moment."""
        matrix, to_room = self._matrix(room_c)
        rest = np.linalg.solve(-matrix, self._share * loss_w / self._capacity + to_room * room_c)
        return dict(zip(self.names, rest.tolist(), strict=True))


def _exponentials(matrix: FloatArray, duration_s: float) -> tuple[FloatArray, FloatArray]:
    """exp(A t) and its integral over t, from one exponential of a block matrix (works for a singular A too)."""
    n = len(matrix)
    block = np.zeros((2 * n, 2 * n))
    block[:n, :n] = matrix * duration_s
    block[:n, n:] = np.eye(n) * duration_s
    both = expm(block)
    return both[:n, :n], both[:n, n:]
