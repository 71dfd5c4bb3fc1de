"""A whole table case on ever finer meshes: the answers in tests/cases/own_*.result.json, with numpy, scipy and pyamg.

A case's lines all run along x or y, so a mesh of nodes has one on each of them: edges of zones, sheets, kerfs and lost parts are
nowhere inside a control volume and nothing is matched or spread. The mesh is `least` wide at every line where cover meets opening
and at the rims, and grows away from it. There the flux is infinite like 1/sqrt(distance) and the error falls in
proportion to the mesh, so two meshes are extrapolated; `--check` adds a third and says how far that moves the answer.

    python tests/independent/table.py CASE.json... [--check]

writes CASE.result.json beside each case.
"""

import json
import sys

import numpy as np
import pyamg
import scipy.sparse as sparse
from scipy.optimize import brentq


def nodes(length, singular, marks, least, growth, most):
    """Nodes on 0..length, one on each mark, `least` apart at the singular ones and up to `most` elsewhere."""
    singular = sorted({round(value, 7) for value in singular})
    marks = sorted({0.0, round(length, 7), *(round(value, 7) for value in marks), *singular})
    marks = [mark for mark in marks if 0 <= mark <= length]
    out = [0.0]
    for low, high in zip(marks, marks[1:]):
        s = np.linspace(0.0, high - low, 4001)
        away = np.min([np.abs(low + s - at) for at in singular] or [np.full_like(s, np.inf)], axis=0)
        step = np.minimum(most, least + (growth - 1) * away)
        passed = np.concatenate([[0], np.cumsum(0.5 * (1 / step[1:] + 1 / step[:-1]) * s[1])])
        count = max(1, int(np.ceil(passed[-1] - 1e-9)))
        out += list(low + np.interp(np.linspace(0, passed[-1], count + 1), passed, s)[1:-1]) + [high]
    return np.array(out)


def halves(steps, weight=1.0):
    """For each node the sum of the half steps on either side of it, each by its weight."""
    weighed = 0.5 * steps * weight
    return np.concatenate([weighed, [0.0]]) + np.concatenate([[0.0], weighed])


def strips(kerf):
    """The rectangles that a kerf opens, with square ends half a width beyond the last point."""
    half = 0.5 * kerf["width_m"]
    for (x0, y0), (x1, y1) in zip(kerf["path_m"], kerf["path_m"][1:]):
        assert abs(x0 - x1) < 1e-9 or abs(y0 - y1) < 1e-9, "a kerf here runs along x or y"
        yield min(x0, x1) - half, min(y0, y1) - half, max(x0, x1) + half, max(y0, y1) + half


def end_gap(tie, diagonal, a, b, conductance, a_ended, b_ended):
    """Ties nodes along the gap; where one of them lies at the cover's end, the other to the room."""
    tie(a, b, np.where(a_ended | b_ended, 0.0, conductance))
    np.add.at(diagonal, a, np.where(b_ended & ~a_ended, conductance, 0.0))
    np.add.at(diagonal, b, np.where(a_ended & ~b_ended, conductance, 0.0))


class Field:
    """S and the top face's potentials of one case on one mesh."""

    def __init__(self, case, share):
        self.case, board = case, case["board"]
        least, growth, most = 4e-4 * share, 1 + 0.35 * share, 8e-3 * share
        length, width = board["length_x_m"], board["length_y_m"]
        opened = [strip for kerf in case.get("kerfs", []) for strip in strips(kerf)]
        opened += [part["rect_m"] for part in case.get("parts", []) if part.get("lost")]
        sheet = (case.get("sheet") or {}).get("rect_m")
        singular = opened + ([sheet] if sheet else [])
        other = [part["rect_m"] for part in case.get("parts", [])]
        other += [rect for zone in case["plenum"]["zones"] for rect in zone["rects"]]
        seams = board.get("seams", [])
        edges = board["edges"]
        bare = lambda side: edges[side] != "sealed"
        at_rims = lambda low, high, end: [0.0] * bare(low) + [end] * bare(high)
        along = lambda rects, axis: [rect[axis + k] for rect in rects for k in (0, 2)]
        points = lambda axis: [seam[end][axis] for seam in seams for end in ("from_m", "to_m")]
        inside = lambda values, end: [value for value in values if 0 <= value <= end]
        self.x = nodes(length, inside(along(singular, 0) + at_rims("x_min", "x_max", length), length), along(other, 0) + points(0), least, growth, most)
        self.y = nodes(width, inside(along(singular, 1) + at_rims("y_min", "y_max", width), width), along(other, 1) + points(1), least, growth, most)
        layers = board["layers"]
        thickness = sum(layer["thickness_m"] for layer in layers)
        ends = np.cumsum([layer["thickness_m"] for layer in layers])
        self.z = nodes(thickness, [thickness], list(ends[:-1]), least, growth, thickness / 6 * share)
        self.dx, self.dy, dz = np.diff(self.x), np.diff(self.y), np.diff(self.z)
        layer_of = np.searchsorted(ends - 1e-9, 0.5 * (self.z[1:] + self.z[:-1]))
        self.kxy = np.array([layers[k]["k_xy_m2"] for k in layer_of])
        self.kz = np.array([layers[k]["k_z_m2"] for k in layer_of])
        self.dz, self.edges, self.seams = dz, edges, seams
        self.sheet, self.opened = sheet, opened
        self.assemble()

    def cells(self, rects):
        """Which cells of the top or bottom face lie in any of these rectangles."""
        cx, cy = 0.5 * (self.x[1:] + self.x[:-1]), 0.5 * (self.y[1:] + self.y[:-1])
        within = np.zeros((len(cy), len(cx)), bool)
        for x0, y0, x1, y1 in rects:
            within |= ((cy > y0) & (cy < y1))[:, None] & ((cx > x0) & (cx < x1))[None, :]
        return within

    def areas(self, within):
        """For each node of a face its share of the area of these cells."""
        quarter = 0.25 * self.dy[:, None] * self.dx[None, :] * within
        out = np.zeros((len(self.y), len(self.x)))
        for j in (0, 1):
            for i in (0, 1):
                out[j : j + quarter.shape[0], i : i + quarter.shape[1]] += quarter
        return out

    def assemble(self):
        nz, ny, nx = len(self.z), len(self.y), len(self.x)
        at = np.arange(nz * ny * nx).reshape(nz, ny, nx)
        wx, wy = halves(self.dx), halves(self.dy)
        flat, high = halves(self.dz, self.kxy), halves(self.dz)
        rows, columns, values = [], [], []
        diagonal, shut = np.zeros(at.size), np.zeros(at.size, bool)

        def tie(a, b, conductance):
            conductance = np.broadcast_to(conductance, a.shape).ravel()
            rows.extend([a.ravel(), b.ravel()])
            columns.extend([b.ravel(), a.ravel()])
            values.extend([-conductance, -conductance])
            diagonal[a.ravel()] += conductance
            diagonal[b.ravel()] += conductance

        tie(at[:, :, :-1], at[:, :, 1:], flat[:, None, None] * wy[None, :, None] / self.dx[None, None, :])
        tie(at[:, :-1, :], at[:, 1:, :], flat[:, None, None] * wx[None, None, :] / self.dy[None, :, None])
        tie(at[:-1], at[1:], (self.kz / self.dz)[:, None, None] * wy[None, :, None] * wx[None, None, :])
        case, board = self.case, self.case["board"]
        covered = self.cells([self.sheet]) & ~self.cells(self.opened) if self.sheet else self.cells([])
        self.covered = covered
        gap = (case.get("sheet") or {}).get("interface_gap_m", 0.0) ** 3 / 12
        bare = self.areas(~covered)
        if gap > 0:
            # The air in the gap is the room's where the cover ends, whatever the bare face resists.
            ended = bare > 0
            by_x = 0.5 * gap * covered * self.dy[:, None] / self.dx[None, :]
            by_y = 0.5 * gap * covered * self.dx[None, :] / self.dy[:, None]
            over = np.zeros((ny, nx - 1))
            over[:-1] += by_x
            over[1:] += by_x
            end_gap(tie, diagonal, at[-1, :, :-1], at[-1, :, 1:], over, ended[:, :-1], ended[:, 1:])
            over = np.zeros((ny - 1, nx))
            over[:, :-1] += by_y
            over[:, 1:] += by_y
            end_gap(tie, diagonal, at[-1, :-1, :], at[-1, 1:, :], over, ended[:-1, :], ended[1:, :])
        if (case.get("sheet") or {}).get("k_z_m2"):
            diagonal[at[-1]] += self.areas(covered) * case["sheet"]["k_z_m2"] / case["sheet"]["thickness_m"]
        entry = board.get("top_entry_resistance_per_m", 0.0)
        if entry > 0:
            diagonal[at[-1]] += bare / entry
        else:
            shut[at[-1][bare > 0]] = True
        sides = {"x_min": (at[:, :, 0], wy), "x_max": (at[:, :, -1], wy), "y_min": (at[:, 0, :], wx), "y_max": (at[:, -1, :], wx)}
        for side, (where, lengths) in sides.items():
            if self.edges[side] == "open":
                shut[where] = True
            elif self.edges[side] != "sealed":
                diagonal[where] += high[:, None] * lengths[None, :] / self.edges[side]["seal_resistance_per_m"]
        for seam in self.seams:
            (x0, y0), (x1, y1) = seam["from_m"], seam["to_m"]
            upright = abs(x0 - x1) < 1e-9
            line, axis, low, high_end = (self.y, self.x, min(y0, y1), max(y0, y1)) if upright else (self.x, self.y, min(x0, x1), max(x0, x1))
            on = int(np.argmin(np.abs(axis - (x0 if upright else y0))))
            middle = 0.5 * (line[1:] + line[:-1])
            share = halves(np.diff(line), ((middle > low) & (middle < high_end)).astype(float))
            where = at[:, :, on] if upright else at[:, on, :]
            diagonal[where] += seam["conductance_m2"] * share[None, :] * (high / high.sum())[:, None]
        contact = case["plenum"]["contact_resistance_per_m"]
        self.touch = [self.areas(self.cells(zone["rects"])) / contact for zone in case["plenum"]["zones"]]
        for touch in self.touch:
            diagonal[at[0]] += touch
        matrix = sparse.csr_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (at.size, at.size)) + sparse.diags(diagonal)
        free = np.flatnonzero(~shut)
        scale = diagonal[free].mean()
        matrix = (matrix.tocsr()[free][:, free] / scale).tocsr()
        levels = pyamg.ruge_stuben_solver(matrix, max_coarse=200)
        self.unknowns, self.tops = len(free), []
        self.matrix = np.zeros((len(self.touch), len(self.touch)))
        for j, touch in enumerate(self.touch):
            right = np.zeros(at.size)
            right[at[0]] = touch / scale
            v = np.zeros(at.size)
            v[free] = levels.solve(right[free], tol=1e-9, accel="cg", maxiter=80)
            self.tops.append(v[at[-1]])
            bottom = v[at[0]]
            for i, other in enumerate(self.touch):
                self.matrix[i, j] = (other * ((1.0 if i == j else 0.0) - bottom)).sum()
        self.matrix = 0.5 * (self.matrix + self.matrix.T)

    def force(self, rect, within, potentials, room):
        top = np.clip(sum(v * top for v, top in zip(potentials, self.tops)), 0, room**2)
        return (self.areas(self.cells([rect]) & within) * (room - np.sqrt(room**2 - top))).sum()


def sonic(valve, up, down, air):
    """ISO 6358 as throughput, linear above a pressure ratio of 0.999."""
    c, b, scale = valve["C_m3_s_Pa"], valve["b"], air["gas_constant_J_kgK"] * air["temperature_K"]
    if down > up:
        return -sonic(valve, down, up, air)
    of = lambda r: 1.0 if r <= b else (max(0.0, 1 - ((r - b) / (1 - b)) ** 2)) ** 0.5
    r = down / up
    share = of(r) if r < 0.999 else of(0.999) * (1 - r) / 0.001
    return c * up * 1.185 * (293.15 / air["temperature_K"]) ** 0.5 * share * scale


def balance(case, matrix):
    """Where pump and table balance: one bracketed root on the pump's inlet, the zones one after the other inside."""
    air, plenum, pump = case["air"], case["plenum"], case["pump"]
    room, zones = air["p_atm_Pa"], plenum["zones"]
    per = matrix / (2 * air["viscosity_Pa_s"])
    curve = np.array(pump["curve"], float)
    leak = [zone.get("plenum_leak_m3_s_per_Pa2") or 0.0 for zone in zones]

    def pumped(inlet):
        speed = 0.0 if inlet <= curve[0, 0] else np.interp(inlet, curve[:, 0], curve[:, 1])
        return pump["count"] * pump.get("wear_factor", 1.0) * speed * inlet

    over = lambda inlet: min(room, (inlet**2 + case["filter"]["r_s2_per_m6"] * pumped(inlet) ** 2) ** 0.5)

    def through(zone, pressure, manifold):
        if not zone["valve_open"]:
            return 0.0
        valve = zone["valve"]
        if valve["law"] == "iso6358":
            return sonic(valve, pressure, manifold, air)
        squares = pressure**2 - manifold**2
        return np.sign(squares) * (abs(squares) / max(valve["r_s2_per_m6"], 1e-12)) ** 0.5

    def settle(manifold):
        v = np.array([room**2 - manifold**2 if zone["valve_open"] else 0.0 for zone in zones])
        for _ in range(400):
            before = v.copy()
            for i, zone in enumerate(zones):
                rest = per[i] @ v - per[i, i] * v[i]
                given = lambda p: rest + (per[i, i] + leak[i]) * (room**2 - p**2) - through(zone, p, manifold)
                v[i] = room**2 - brentq(given, 0.3 * manifold, 1.02 * room, xtol=1e-9, rtol=1e-14) ** 2
            if np.abs(v - before).max() < 1e-12 * room**2:
                break
        flows = [per[i] @ v + leak[i] * v[i] if zone["valve_open"] else 0.0 for i, zone in enumerate(zones)]
        return v, sum(flows)

    def supply(manifold):
        relief, bleed = case["manifold"].get("relief"), case["manifold"].get("bleed_m3_s_per_Pa2", 0.0)
        opens = relief["slope_m3_s"] * max(0.0, min(relief["set_pressure_Pa"], room) - manifold) if relief else 0.0
        return settle(manifold)[1] + bleed * (room**2 - manifold**2) + opens

    inlet = brentq(lambda p: pumped(p) - supply(over(p)), curve[0, 0], room, xtol=1e-4)
    v, _ = settle(over(inlet))
    return inlet, over(inlet), pumped(inlet), v, per @ v


def answer(case, share):
    field = Field(case, share)
    air = case["air"]
    room = air["p_atm_Pa"]
    inlet, manifold, moved, v, drawn = balance(case, field.matrix)
    whole = [0.0, 0.0, case["board"]["length_x_m"], case["board"]["length_y_m"]]
    parts = case.get("parts", [])
    everywhere = np.ones_like(field.covered)
    force = {p["id"]: 0.0 if p.get("lost") else field.force(p["rect_m"], everywhere, v, room) for p in parts}
    print(f"  {field.unknowns} unknowns, manifold {manifold:.1f} Pa", flush=True)
    return {
        "manifold_Pa": manifold,
        "pump_inlet_Pa": inlet,
        "throughput_Pa_m3_s": moved,
        "mass_flow_kg_s": moved / air["gas_constant_J_kgK"] / air["temperature_K"],
        "flow_free_air_m3_h": moved / room * 3600,
        "total_cover_force_N": field.force(whole, field.covered, v, room),
        "zone_Pa": [float(value) for value in np.sqrt(room**2 - v)],
        "zone_throughput_Pa_m3_s": [float(value) for value in drawn],
        "part_force_N": force,
    }


def joined(a, b, how):
    """The two answers, number by number."""
    if isinstance(a, dict):
        return {key: joined(a[key], b[key], how) for key in a}
    if isinstance(a, list):
        return [joined(x, y, how) for x, y in zip(a, b)]
    return how(a, b)


# Shares of 0.4 mm at the singular lines, of 35 % growth, and of 8 mm anywhere.
MESHES = [1.0, 0.6, 0.4]


def main():
    names = [name for name in sys.argv[1:] if not name.startswith("--")]
    for name in names:
        with open(name, encoding="utf-8") as file:
            case = json.load(file)
        print(case["name"], flush=True)
        coarse, fine = (answer(case, share) for share in MESHES[:2])
        found = joined(coarse, fine, lambda a, b: b + (b - a) * 0.6 / 0.4)
        written = {"case": case["name"], "reference": found, "finest_mesh_less_extrapolated": joined(fine, found, lambda a, b: a - b)}
        if "--check" in sys.argv:
            finest = answer(case, MESHES[2])
            anew = joined(fine, finest, lambda a, b: b + (b - a) * 0.4 / 0.2)
            moved = joined(anew, found, lambda a, b: a / b - 1 if b else 0.0)
            print(json.dumps(moved, indent=1))
        with open(name.replace(".json", ".result.json"), "w", encoding="utf-8") as file:
            json.dump(written, file, indent=1)
            file.write("\n")


if __name__ == "__main__":
    main()
