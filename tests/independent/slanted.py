"""Kerfs aslant and round, and two sheets side by side: the values in tests/field/slanted.rs, with numpy and scipy only.

A covered board over one plenum between tight rims. Through the board the answer to a wave along its top face is known in closed
form; along it the face is an even raster, whose waves are cosines. A cell of the raster is open if its middle lies in a kerf, so a
kerf aslant is a stair of cells much finer than it is wide. What is left is the flux into the open cells, found by
conjugate gradients. Where cover meets kerf the error falls in proportion to the cell, so two rasters are extrapolated; a third
one says how far that moves the answer.

    python tests/independent/slanted.py [NAME...]

prints for each problem S in m3 and the part's force in N with the room at 101 325 Pa and the plenum at 50 000 Pa.
"""

import sys

import numpy as np
from scipy.fft import dctn, idctn

ROOM, PLENUM, THICKNESS, BOARD, MIDDLE = 101325.0, 50000.0, 0.018, 0.24, (0.1207, 0.1189)
RASTERS = (480, 720, 960)


def square(side, degrees):
    """How far a point lies outside a square about MIDDLE; its corners stay sharp."""
    turn = np.radians(degrees)

    def outside(x, y):
        u, v = x - MIDDLE[0], y - MIDDLE[1]
        along, across = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
        return np.maximum(np.abs(along), np.abs(across)) - 0.5 * side

    return outside


def disc(radius):
    return lambda x, y: np.hypot(x - MIDDLE[0], y - MIDDLE[1]) - radius


def strip(low, high):
    """How far a point lies outside a strip from low to high along x, over 80 mm along y."""
    return lambda x, y: np.maximum(np.maximum(low - x, x - high), np.abs(y - 0.12) - 0.04)


def slot(low, high):
    return lambda x, y: (x > low) & (x < high)


def around(part, kerf):
    return lambda x, y: (part(x, y) > 0) & (part(x, y) < kerf)


# part, what is open, k through, k along / k through, contact, area of the part
PROBLEMS = {
    "square turned by 30 degrees": (square(0.08, 30), around(square(0.08, 30), 0.004), 2e-13, 5, 2e10, 0.08**2),
    "square turned by 45 degrees": (square(0.07, 45), around(square(0.07, 45), 0.008), 5e-13, 4, 8e9, 0.07**2),
    "disc": (disc(0.04), around(disc(0.04), 0.003), 2e-13, 5, 2e10, np.pi * 0.04**2),
    "two sheets": (strip(0.0583, 0.1183), slot(0.1183, 0.1239), 5e-13, 5, 8e9, 0.06 * 0.08),
}


def admittance(square, through, along, contact):
    """Of the top face to a wave of this wave number squared."""
    wave = np.sqrt(np.maximum(square, 1e-6))
    own, slope = wave * np.sqrt(along * through), np.tanh(wave * np.sqrt(along / through) * THICKNESS)
    return own * (1 / contact + own * slope) / (own + slope / contact)


def coverage(part, count, parts=8):
    """The share of each cell that lies in the part, from parts by parts points."""
    share = np.zeros((count, count))
    for j in range(parts):
        for i in range(parts):
            x = (np.arange(count) + (i + 0.5) / parts) * BOARD / count
            y = (np.arange(count) + (j + 0.5) / parts) * BOARD / count
            share += part(x[None, :], y[:, None]) < 0
    return share / parts**2


def once(problem, count):
    part, is_open, through, ratio, contact, area = problem
    cell = BOARD / count
    at = (np.arange(count) + 0.5) * cell
    opened = is_open(at[None, :] + 0 * at[:, None], at[:, None] + 0 * at[None, :])
    waves = (np.pi * np.arange(count) / BOARD) ** 2
    filter = admittance(waves[:, None] + waves[None, :], through, ratio * through, contact)
    lowered = lambda flux: idctn(dctn(flux, norm="ortho") / filter, norm="ortho")
    guess = lambda v: np.where(opened, idctn(dctn(v, norm="ortho") * filter, norm="ortho"), 0)
    flux, left = np.zeros((count, count)), np.where(opened, 1.0, 0.0)
    step = better = guess(left)
    size = first = (left * better).sum()
    while size > 1e-13 * first:
        image = np.where(opened, lowered(step), 0)
        length = size / (step * image).sum()
        flux += length * step
        left -= length * image
        better = guess(left)
        size, before = (left * better).sum(), size
        step = better + size / before * step
    v = np.where(opened, 0, np.clip(1 - lowered(flux), 0, 1))
    depth = ROOM - np.sqrt(ROOM**2 - (ROOM**2 - PLENUM**2) * v)
    share = coverage(part, count)
    return np.array([flux.sum() * cell**2, (depth * share).sum() / share.sum() * area])


def main():
    for name in sys.argv[1:] or PROBLEMS:
        found = [once(PROBLEMS[name], count) for count in RASTERS]
        extrapolated = lambda a, b: found[b] + (found[b] - found[a]) * RASTERS[a] / (RASTERS[b] - RASTERS[a])
        best, other = extrapolated(1, 2), extrapolated(0, 2)
        moved = 100 * np.abs(other / best - 1)
        print(f"{name}: S {best[0]:.5e} m3, force {best[1]:.4f} N; another pair of rasters: {moved[0]:.2f} %, {moved[1]:.2f} %", flush=True)


if __name__ == "__main__":
    main()
