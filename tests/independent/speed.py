"""How long general-purpose algebraic multigrid takes for one field on the whole board, beside this crate's bench.

    python tests/independent/speed.py [BENCH...]

needs numpy, scipy and pyamg, one thread (OMP_NUM_THREADS=1). The problem is that of the bench `one_field_over_the_whole_board`:
2.44 by 1.22 m in cells of 5 mm, 7 levels, 834 thousand unknowns, six zones driven together under a film. BENCH is the command
of that bench, run before and after on the same machine, so that both meet the same load. Printed are seconds of processor
time for Ruge-Stueben set-up and for conjugate gradients to 1e-6, and the memory's speed in a triad of vectors.
"""

import subprocess
import sys
import time

import numpy as np
import pyamg
import scipy.sparse as sparse

from field import graded

LAYERS = [(0.002, 9e-13, 3e-13), (0.014, 1.2e-11, 1.5e-12), (0.002, 9e-13, 3e-13)]
ZONES_X = [(0.02, 0.803), (0.8233, 1.6067), (1.6267, 2.42)]
ZONES_Y = [(0.02, 0.6), (0.62, 1.2)]


def problem(h=0.005, contact=1.5e10):
    nx, ny = 488, 244
    intervals = graded(LAYERS, 5, 1.4)
    levels = len(intervals) + 1
    along = np.zeros(levels)
    for k, (height, xy, _) in enumerate(intervals):
        along[k : k + 2] += 0.5 * height * xy
    scale = along.max()
    along /= scale
    at = np.arange(nx * ny * levels).reshape(levels, ny, nx)
    rows, columns, values, diagonal = [], [], [], np.zeros(at.size)

    def tie(a, b, conductance):
        a, b = a.ravel(), b.ravel()
        rows.extend([a, b])
        columns.extend([b, a])
        values.extend([np.full(a.size, -conductance)] * 2)
        np.add.at(diagonal, a, conductance)
        np.add.at(diagonal, b, conductance)

    for k in range(levels):
        tie(at[k, :, :-1], at[k, :, 1:], along[k])
        tie(at[k, :-1, :], at[k, 1:, :], along[k])
        for side in (at[k, :, 0], at[k, :, -1], at[k, 0, :], at[k, -1, :]):
            diagonal[side] += 2 * along[k]
        if k + 1 < levels:
            tie(at[k], at[k + 1], intervals[k][2] * h * h / intervals[k][0] / scale)
    right = np.zeros(at.size)
    middle = (np.arange(max(nx, ny)) + 0.5) * h
    inside = lambda spans, count: np.any([(middle[:count] > a) & (middle[:count] < b) for a, b in spans], axis=0)
    touched = at[0][np.ix_(inside(ZONES_Y, ny), inside(ZONES_X, nx))].ravel()
    diagonal[touched] += h * h / contact / scale
    right[touched] = h * h / contact / scale
    matrix = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (at.size, at.size)
    ) + sparse.diags(diagonal)
    return matrix.tocsr(), right


def timed(work):
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def triad(count=20_000_000):
    a, b, c = np.zeros(count), np.ones(count), np.ones(count)
    seconds, _ = min((timed(lambda: np.add(b, c, out=a)) for _ in range(5)), key=lambda pair: pair[0])
    return 24 * count / seconds / 1e9


def bench():
    if len(sys.argv) > 1:
        print(subprocess.run(sys.argv[1:], capture_output=True, text=True, check=True).stdout)


def main():
    bench()
    matrix, right = problem()
    print(f"{matrix.shape[0]} unknowns, memory {triad():.1f} GB/s")
    for _ in range(3):
        set_up, levels = timed(lambda: pyamg.ruge_stuben_solver(matrix))
        residuals = []
        solve, _ = timed(lambda: levels.solve(right, tol=1e-6, accel="cg", residuals=residuals))
        print(f"Ruge-Stueben: set-up {set_up:.2f} s, solution {solve:.2f} s in {len(residuals) - 1} iterations")
    bench()


if __name__ == "__main__":
    main()
