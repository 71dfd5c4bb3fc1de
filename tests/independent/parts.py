"""Small parts in their kerfs, converged: the values in tests/field/parts.rs, with numpy and scipy only.

Two by two square parts in kerfs in a covered board over one plenum, between tight rims. Through the board the answer to a wave along its
top face is known in closed form, layer by layer; along the board finite volumes stand on a mesh that narrows towards
every rim of a kerf, and both are joined by the mesh's own eigenvectors. What is left is the flux into the open nodes, found
by conjugate gradients. Where cover meets kerf the error falls in proportion to the mesh, so two meshes, 0.1 and 0.05 mm at
the rims, are extrapolated; a third one of 0.025 mm moved leaks by 0.03 % and forces by 0.15 %.

    python tests/independent/parts.py [NAME...]

prints for each problem S in m3 and the parts' forces in N with the room at 101 325 Pa and the plenum at 50 000 Pa.
"""

import sys

import numpy as np
from scipy.linalg import eigh_tridiagonal

ROOM, PLENUM, THICKNESS = 101325.0, 50000.0, 0.018

# side, kerf, strip between the kerfs, k through, k along / k through, contact, gap; board, least corner of the first part
PROBLEMS = {
    "narrow strips": (0.036, 0.006, 0.002, 2e-13, 5, 2e10, 0.0, 0.24, (0.0773, 0.0781)),
    "narrow strips, gap": (0.036, 0.006, 0.002, 1e-12, 4, 4e9, 3e-5, 0.24, (0.0773, 0.0781)),
    "narrow kerfs": (0.060, 0.003, 0.005, 5e-13, 5, 8e9, 2e-5, 0.24, (0.0543, 0.0551)),
    "wide gap": (0.050, 0.008, 0.004, 1e-12, 5, 4e9, 1e-4, 0.24, (0.0593, 0.0601)),
    "wide kerfs": (0.060, 0.012, 0.020, 2e-13, 20, 2e10, 0.0, 0.4, (0.1183, 0.1191)),
    "wide strips": (0.075, 0.006, 0.020, 1e-12, 4, 4e9, 3e-5, 0.4, (0.111, 0.111)),
}


def nodes(length, rims, least, growth, most):
    """Nodes on 0..length, one on each rim, `least` apart there and up to `most` elsewhere."""
    rims = sorted({round(rim, 9) for rim in rims})
    marks = sorted({0.0, length, *rims})
    out = [0.0]
    for low, high in zip(marks, marks[1:]):
        s = np.linspace(0.0, high - low, 4001)
        from_low = s if low in rims else np.full_like(s, np.inf)
        from_high = s[-1] - s if high in rims else np.full_like(s, np.inf)
        step = np.minimum(most, least + (growth - 1) * np.minimum(from_low, from_high))
        passed = np.concatenate([[0], np.cumsum(0.5 * (1 / step[1:] + 1 / step[:-1]) * s[1])])
        count = max(1, int(np.ceil(passed[-1])))
        out += list(low + np.interp(np.linspace(0, passed[-1], count + 1), passed, s)[1:-1]) + [high]
    return np.array(out)


def axis(x):
    """Control lengths, eigenvalues and eigenvectors of -d2/dx2 between tight ends."""
    d = np.diff(x)
    w, diagonal = np.zeros(len(x)), np.zeros(len(x))
    w[:-1] += d / 2
    w[1:] += d / 2
    diagonal[:-1] += 1 / d
    diagonal[1:] += 1 / d
    s = 1 / np.sqrt(w)
    squares, vectors = eigh_tridiagonal(diagonal * s * s, -s[:-1] * s[1:] / d)
    return w, np.maximum(squares, 0), vectors


def admittance(square, through, along, contact, gap):
    """Of the top face to a wave of this wave number squared."""
    wave = np.sqrt(np.maximum(square, 1e-6))
    own, slope = wave * np.sqrt(along * through), np.tanh(wave * np.sqrt(along / through) * THICKNESS)
    return own * (1 / contact + own * slope) / (own + slope / contact) + gap**3 / 12 * wave * wave


def on(x, low, high):
    return (x > low - 1e-10) & (x < high + 1e-10)


def weights(x, low, high):
    """Trapezoids over low..high, which are nodes."""
    w = np.zeros(len(x))
    inside = on(x[:-1], low, high) & on(x[1:], low, high)
    w[:-1][inside] += 0.5 * np.diff(x)[inside]
    w[1:][inside] += 0.5 * np.diff(x)[inside]
    return w


def once(problem, mesh):
    side, kerf, strip, through, ratio, contact, gap, board, (x0, y0) = problem
    pitch = side + 2 * kerf + strip
    columns, rows = [x0, x0 + pitch], [y0, y0 + pitch]
    rims = lambda starts: [s + e for s in starts for e in (-kerf, 0, side, side + kerf)]
    x, y = nodes(board, rims(columns), *mesh), nodes(board, rims(rows), *mesh)
    opened = np.zeros((len(y), len(x)), bool)
    for b in rows:
        for a in columns:
            outer = on(y, b - kerf, b + side + kerf)[:, None] & on(x, a - kerf, a + side + kerf)[None, :]
            inner = (on(y, b, b + side) & ~np.isclose(y, b) & ~np.isclose(y, b + side))[:, None] & (
                on(x, a, a + side) & ~np.isclose(x, a) & ~np.isclose(x, a + side)
            )[None, :]
            opened |= outer & ~inner
    (wx, sx, ux), (wy, sy, uy) = axis(x), axis(y)
    filter = admittance(sy[:, None] + sx[None, :], through, ratio * through, contact, gap)
    root = np.sqrt(wy)[:, None] * np.sqrt(wx)[None, :]
    lowered = lambda flux: (uy @ ((uy.T @ (flux / root) @ ux) / filter) @ ux.T) / root
    guess = lambda v: np.where(opened, (uy @ ((uy.T @ (v * root) @ ux) * filter) @ ux.T) * root, 0)
    flux, left = np.zeros(opened.shape), np.where(opened, 1.0, 0.0)
    step = better = guess(left)
    size = first = (left * better).sum()
    while size > 1e-14 * first:
        image = np.where(opened, lowered(step), 0)
        length = size / (step * image).sum()
        flux += length * step
        left -= length * image
        better = guess(left)
        size, before = (left * better).sum(), size
        step = better + size / before * step
    v = np.where(opened, 0, np.clip(1 - lowered(flux), 0, 1))
    depth = ROOM - np.sqrt(ROOM**2 - (ROOM**2 - PLENUM**2) * v)
    forces = [(depth * weights(y, b, b + side)[:, None] * weights(x, a, a + side)[None, :]).sum() for b in rows for a in columns]
    return np.array([flux.sum(), *forces])


def main():
    for name in sys.argv[1:] or PROBLEMS:
        coarse, fine = (once(PROBLEMS[name], mesh) for mesh in ((1e-4, 1.2, 3e-3), (5e-5, 1.1, 1.5e-3)))
        found = 2 * fine - coarse
        print(f"{name}: S {found[0]:.5e} m3, forces {' '.join(f'{force:.4f}' for force in found[1:])} N")


if __name__ == "__main__":
    main()
