"""A cable tree solved as a general network: node voltages, one sparse matrix, SciPy's SuperLU.

Nothing here knows that the network is a tree. Whether it has a solution is not decided from pivots, as in the
product, but by raising the load from nothing in steps that shrink where Newton's method no longer follows.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu

from tests.reference.random_trees import Tree

SMALLEST_STEP = 1e-5
"""How exactly the point of collapse is found, as a share of the whole load."""

_ITERATIONS = 25


def solve(tree: Tree) -> NDArray[np.float64] | None:
    """The voltages on the branch of solutions that starts at no load; None where it ends before full load."""
    node_of_point, near, far, conductance, node_count = _nodes(tree)
    loads = [
        np.bincount(node_of_point, values, node_count)[1:].astype(np.float64)
        for values in (tree.current_a, tree.power_w, tree.conductance_s)
    ]
    rows, columns = np.concatenate([near, far, near, far]), np.concatenate([near, far, far, near])
    entries = np.concatenate([conductance, conductance, -conductance, -conductance])
    matrix = csc_array((entries, (rows, columns)), shape=(node_count, node_count))
    inner = matrix[1:, 1:]
    injected = -matrix[1:, [0]].toarray().ravel() * tree.source_voltage_v
    voltage = np.full(node_count - 1, tree.source_voltage_v)
    carried, step = 0.0, 1.0
    while carried < 1.0:
        trial = min(1.0, carried + step)
        found = _newton(inner, injected, [trial * load for load in loads], voltage)
        if found is not None:
            carried, voltage = trial, found
        elif step > SMALLEST_STEP:
            step /= 2
        else:
            return None
    return np.concatenate([[tree.source_voltage_v], voltage])[node_of_point]


def _nodes(
    tree: Tree,
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.float64], int]:
    """Points joined by a segment of zero length are one node; node 0 is the ideal source."""
    segments: list[tuple[int, int, float]] = []
    count = 1

    def node_behind(above: int, resistance: float) -> int:
        nonlocal count
        if resistance == 0.0:
            return above
        segments.append((above, count, 1.0 / resistance))
        count += 1
        return count - 1

    terminal = node_behind(0, tree.source_resistance_ohm)
    node_of_point: list[int] = []
    for parent, resistance in zip(tree.parent, tree.segment_resistance_ohm, strict=True):
        node_of_point.append(node_behind(node_of_point[parent] if parent >= 0 else terminal, resistance))
    near, far, conductance = zip(*segments, strict=True) if segments else ((), (), ())
    return (
        np.array(node_of_point, dtype=np.intp),
        np.array(near, dtype=np.intp),
        np.array(far, dtype=np.intp),
        np.array(conductance, dtype=np.float64),
        count,
    )


def _newton(
    matrix: csc_array,
    injected: NDArray[np.float64],
    loads: list[NDArray[np.float64]],
    voltage: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    """The solution above zero that Newton's method runs into from a voltage, if it runs into one."""
    current, power, conductance = loads
    jacobian = matrix.copy()
    diagonal = np.flatnonzero(matrix.indices == np.repeat(np.arange(voltage.size), np.diff(matrix.indptr)))
    for _ in range(_ITERATIONS):
        residual = matrix @ voltage + current + power / voltage + conductance * voltage - injected
        jacobian.data[diagonal] = matrix.data[diagonal] + conductance - power / voltage**2
        change = splu(jacobian).solve(residual)
        voltage = voltage - change
        if not (voltage > 0).all():
            return None
        if np.abs(change).max(initial=0.0) < 1e-11 * voltage.max(initial=1.0):
            return voltage
    return None
