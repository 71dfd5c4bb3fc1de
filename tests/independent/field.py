"""The flow field found by other means, with numpy and scipy only.

Reads what the crate found and compares:
  discrete  the same finite-volume equations, set up and solved here with a direct solver: S to 1e-8
  kerf      a kerf in a covered board, as finite differences on a fine, graded cross-section: 1 %
  rim       a sheet's edge with a gap under it, likewise: 1.5 %
The last two resolve what the crate matches by conductances, so they are independent of its treatment of openings.
"""

import json
import sys

import numpy as np
import scipy.sparse as sparse
from scipy.sparse.linalg import spsolve


def graded(layers, count, growth):
    """Heights of the intervals and their layer, from the bottom up (layers are [thickness, along, through])."""
    total = sum(layer[0] for layer in layers)
    first = total * (growth - 1) / (growth**count - 1)
    depth, out = 0.0, []
    for layer in reversed(layers):
        low, high = first + (growth - 1) * depth, first + (growth - 1) * (depth + layer[0])
        steps = max(1, round(np.log(high / low) / np.log(growth)))
        ratio = (high / low) ** (1 / steps)
        heights = layer[0] * (ratio - 1) / (high / low - 1) * ratio ** np.arange(steps)
        out += [(height, layer[1], layer[2]) for height in heights]
        depth += layer[0]
    return out[::-1]


def discrete():
    """S of two zones under a covered board with a seam along its middle, on cells of 10 mm."""
    h, nx, ny, contact, seam = 0.01, 40, 20, 1.5e10, 1e-13
    intervals = graded([(0.012, 1e-12, 2e-13), (0.004, 4e-13, 1e-13)], 4, 1.5)
    levels = len(intervals) + 1
    along, owned = np.zeros(levels), np.zeros(levels)
    for k, (height, xy, _) in enumerate(intervals):
        along[k : k + 2] += 0.5 * height * xy
        owned[k : k + 2] += 0.5 * height
    size = nx * ny * levels
    at = np.arange(size).reshape(levels, ny, nx)
    rows, columns, values, diagonal = [], [], [], np.zeros(size)

    def tie(a, b, conductance):
        a, b = a.ravel(), b.ravel()
        rows.extend([a, b])
        columns.extend([b, a])
        values.extend([np.full(a.size, -conductance)] * 2)
        diagonal[a] += conductance
        diagonal[b] += conductance

    for k in range(levels):
        tie(at[k, :, :-1], at[k, :, 1:], along[k])
        tie(at[k, :-1, :], at[k, 1:, :], along[k])
        diagonal[at[k, 9:11, :]] += 0.5 * seam * h * owned[k] / owned.sum()
        if k + 1 < levels:
            tie(at[k], at[k + 1], intervals[k][2] * h * h / intervals[k][0])
    zones = [at[0, 2:18, 2:18].ravel(), at[0, 2:18, 20:38].ravel()]
    touch = h * h / contact
    for zone in zones:
        diagonal[zone] += touch
    rows, columns, values = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
    matrix = sparse.csc_matrix((values, (rows, columns)), (size, size)) + sparse.diags(diagonal)
    result = np.zeros((2, 2))
    for j, zone in enumerate(zones):
        right = np.zeros(size)
        right[zone] = touch
        v = spsolve(matrix.tocsc(), right)
        for i, other in enumerate(zones):
            result[i, j] = touch * ((other.size if i == j else 0.0) - v[other].sum())
    return result


def section(x, z, along, through, contact, opened, gap):
    """Flow per metre into the plenum of a cross-section with nodes x and z; v is nothing on the top nodes `opened`."""
    nx, nz = len(x), len(z)
    at = np.arange(nx * nz).reshape(nz, nx)
    dx, dz = np.diff(x), np.diff(z)
    wx = np.zeros(nx)
    wx[:-1] += dx / 2
    wx[1:] += dx / 2
    wz = np.zeros(nz)
    wz[:-1] += dz / 2
    wz[1:] += dz / 2
    rows, columns, values, diagonal = [], [], [], np.zeros(nx * nz)

    def tie(a, b, conductance):
        rows.extend([a.ravel(), b.ravel()])
        columns.extend([b.ravel(), a.ravel()])
        values.extend([-conductance.ravel()] * 2)
        np.add.at(diagonal, a.ravel(), conductance.ravel())
        np.add.at(diagonal, b.ravel(), conductance.ravel())

    tie(at[:, :-1], at[:, 1:], along * wz[:, None] / dx[None, :])
    tie(at[:-1], at[1:], through * wx[None, :] / dz[:, None])
    tie(at[-1, :-1], at[-1, 1:], gap / dx)
    touch = wx / contact
    diagonal[at[0]] += touch
    right = np.zeros(nx * nz)
    right[at[0]] = touch
    diagonal[at[-1][opened]] += 1e6 * (along * through) ** 0.5
    matrix = sparse.csc_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (nx * nz, nx * nz)
    ) + sparse.diags(diagonal)
    v = spsolve(matrix.tocsc(), right)
    return (touch * (1 - v[at[0]])).sum()


def nodes(low, high, middles, least, growth=1.08, most=0.002):
    """Nodes from low to high, `least` apart at each of `middles` and wider away from them."""
    points, x = [low], low
    while x < high:
        step = min(most, least + (growth - 1) * min(abs(x - m) for m in middles))
        ahead = [m for m in middles if x + 1e-12 < m <= x + 1.3 * step]
        x = ahead[0] if ahead else x + step
        points.append(min(x, high))
    return np.array(points)


def section_nodes(rims, least):
    z = 0.018 - nodes(0.0, 0.018, [0.0], least)[::-1]
    return nodes(0.0, 0.4, rims, least), z


def extrapolated(rims, opened, gap):
    """From spacings of 0.1 and 0.05 mm at the singular rims; the error there falls in proportion."""
    found = []
    for least in (1e-4, 5e-5):
        x, z = section_nodes(rims, least)
        found.append(section(x, z, 1e-12, 2e-13, 2e10, opened(x), gap))
    return 2 * found[1] - found[0]


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        found = json.load(file)
    matrix, own = np.array(found["discrete"]["zone_matrix"]), discrete()
    bad = False

    def check(name, error, limit):
        nonlocal bad
        print(f"{name}: differs by {error:.3g}, allowed {limit:.3g}")
        bad |= not error <= limit

    check("discrete", np.abs(matrix - own).max() / own.max(), 1e-8)
    kerf = extrapolated([0.1993, 0.2033], lambda x: (x > 0.1993 - 1e-9) & (x < 0.2033 + 1e-9), 0.0)
    check("kerf", abs(found["kerf"]["per_metre"] / kerf - 1), 0.01)
    rim = extrapolated([0.3513], lambda x: x > 0.3513 - 1e-9, 3e-5**3 / 12)
    check("rim", abs(found["rim"]["per_metre"] / rim - 1), 0.015)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
