"""Small table cases drawn at random from what tables are like: tests/cases/own_*.json, for table.py to answer.

    python tests/independent/own_cases.py

The draws are seeded, so the files come out the same.
"""

import json
from pathlib import Path

import numpy as np

CASES = Path(__file__).parents[1] / "cases"
AIR = {"p_atm_Pa": 101325.0, "temperature_K": 293.15, "viscosity_Pa_s": 1.82e-5, "gas_constant_J_kgK": 287.05}
BLOWER = [[62000, 0.0], [70000, 0.002], [80000, 0.0043], [90000, 0.0064], [101325, 0.0084]]
VANE = [[8000, 0.0], [12000, 0.004], [20000, 0.0075], [40000, 0.0095], [101325, 0.0105]]
DEEP = [[200, 0.0], [2000, 0.005], [10000, 0.008], [101325, 0.009]]


def mm(value):
    return round(float(value), 4)


class Draw:
    def __init__(self, name, seed, length=0.62, width=0.46):
        self.rng = np.random.default_rng(seed)
        self.name, self.length, self.width = name, length, width
        self.kerfs, self.parts = [], []

    def near(self, value, share=0.2):
        return float(f"{value * self.rng.uniform(1 - share, 1 + share):.3g}")

    def layers(self, *each):
        return [
            {"thickness_m": mm(t), "k_xy_m2": self.near(ratio * k), "k_z_m2": self.near(k)} for t, k, ratio in each
        ]

    def zones(self, columns, rows, open_, valve, leaks=(), margin=0.02, between=0.02):
        w = (self.length - 2 * margin - between * (columns - 1)) / columns
        h = (self.width - 2 * margin - between * (rows - 1)) / rows
        out = []
        for k in range(columns * rows):
            x, y = margin + (k % columns) * (w + between), margin + (k // columns) * (h + between)
            zone = {"id": f"Z{k + 1}", "rects": [[mm(x), mm(y), mm(x + w), mm(y + h)]], "valve_open": open_[k], "valve": valve}
            if k < len(leaks) and leaks[k]:
                zone["plenum_leak_m3_s_per_Pa2"] = leaks[k]
            out.append(zone)
        return out

    def nest(self, columns, rows, x0, y0, sides, kerf, strip, lost=(), uncut=()):
        """Parts in columns and rows of random sizes, each in a kerf of its own, at any place between the cells of any grid."""
        y = y0
        for row in range(rows):
            x, tallest = x0, 0.0
            for column in range(columns):
                w, h = (mm(self.rng.uniform(*sides)) for _ in range(2))
                k, number = 0.5 * kerf, len(self.parts)
                rect = [mm(x), mm(y), mm(x + w), mm(y + h)]
                if number not in uncut:
                    a, b, c, d = mm(x - k), mm(y - k), mm(x + w + k), mm(y + h + k)
                    self.kerfs.append({"width_m": kerf, "path_m": [[a, b], [c, b], [c, d], [a, d], [a, b]]})
                self.parts.append({"id": f"P{number + 1}", "rect_m": rect} | ({"lost": True} if number in lost else {}))
                x += w + 2 * kerf + strip
                tallest = max(tallest, h)
            y += tallest + 2 * kerf + strip

    def write(self, layers, zones, pump, contact, sheet, edges="sealed", count=1, filter_=300.0, **more):
        sides = ["x_min", "x_max", "y_min", "y_max"]
        edges = dict.fromkeys(sides, edges) if isinstance(edges, str) else dict(zip(sides, edges))
        board = {"length_x_m": self.length, "length_y_m": self.width, "layers": layers, "edges": edges}
        board["seams"] = more.get("seams", [])
        board["top_entry_resistance_per_m"] = more.get("entry", 0.0)
        manifold = {"bleed_m3_s_per_Pa2": more.get("bleed", 0.0)}
        if "relief" in more:
            manifold["relief"] = more["relief"]
        case = {
            "schema": "holddown-case/1",
            "name": self.name,
            "air": AIR | more.get("air", {}),
            "board": board,
            "plenum": {"contact_resistance_per_m": contact, "zones": zones},
            "sheet": sheet,
            "kerfs": self.kerfs,
            "parts": self.parts,
            "manifold": manifold,
            "filter": {"r_s2_per_m6": filter_},
            "pump": {"curve": pump, "count": count, "wear_factor": more.get("wear", 1.0)},
        }
        with open(CASES / f"{self.name}.json", "w", encoding="utf-8") as file:
            json.dump(case, file)
            file.write("\n")


def pipe(r):
    return {"law": "isothermal_pipe", "r_s2_per_m6": r}


def iso(c, b):
    return {"law": "iso6358", "C_m3_s_Pa": c, "b": b}


def lid(rect, gap=0.0, passes=None):
    return {"rect_m": rect, "interface_gap_m": gap} | (passes or {})


def main():
    d = Draw("own_narrow_kerfs_sonic_valves", 11)
    d.nest(3, 2, 0.0473, 0.0512, (0.09, 0.15), 0.003, 0.007)
    d.write(
        d.layers((0.0015, 3e-13, 4), (0.0145, 1.2e-12, 8), (0.002, 4e-13, 3)),
        d.zones(2, 2, [True, True, False, True], iso(4e-8, 0.3), [0, 0, 3e-13, 0]),
        VANE, 8e9, lid([0.012, 0.009, 0.61, 0.451], 2e-5), edges=["sealed", "sealed", {"seal_resistance_per_m": 4e10}, "open"], bleed=2e-13,
    )
    d = Draw("own_permeable_lost_relief", 12)
    d.nest(3, 2, 0.0361, 0.0387, (0.06, 0.11), 0.008, 0.011, lost=(1,), uncut=(5,))
    d.write(
        d.layers((0.019, 9e-13, 4)), d.zones(2, 1, [True, True], pipe(3000.0)), BLOWER, 5e9,
        lid([0.0, 0.0, 0.5213, 0.46], 4e-5, {"k_z_m2": 4e-16, "thickness_m": 0.015}), count=2, wear=0.85,
        relief={"set_pressure_Pa": 82000.0, "slope_m3_s": 0.01},
    )
    d = Draw("own_bare_seam_entry", 13)
    d.write(
        d.layers((0.016, 4e-13, 6)), d.zones(2, 2, [True, True, True, False], iso(3e-8, 0.42)), BLOWER, 1.2e10, {"rect_m": None, "interface_gap_m": 0.0},
        edges=["open", "sealed", "open", {"seal_resistance_per_m": 2e11}], entry=6e9,
        seams=[{"from_m": [0.31, 0.0], "to_m": [0.31, 0.46], "conductance_m2": 3e-14}],
    )
    d = Draw("own_dense_board_small_parts", 14, 0.42, 0.36)
    d.nest(4, 3, 0.0523, 0.0541, (0.036, 0.062), 0.004, 0.006)
    d.write(
        d.layers((0.018, 1.2e-13, 5)), d.zones(1, 1, [True], pipe(2000.0), margin=0.015), DEEP, 3e10,
        lid([0.01, 0.008, 0.411, 0.352]), air={"p_atm_Pa": 95460.0}, filter_=300.0,
    )
    d = Draw("own_half_covered_board_of_ratio_20", 15, 0.7, 0.42)
    d.nest(2, 2, 0.0719, 0.0448, (0.08, 0.125), 0.006, 0.02)
    d.kerfs.append({"width_m": 0.0127, "path_m": [[0.3712, 0.0], [0.3712, 0.42]]})
    d.write(
        d.layers((0.022, 1.5e-13, 20)), d.zones(3, 1, [True, True, False], pipe(1500.0), [2e-13, 0, 0]), VANE, 2e10,
        lid([0.0, 0.0, 0.4327, 0.42]), edges=["sealed", "open", "sealed", "sealed"], count=2,
    )
    d = Draw("own_wide_kerfs_over_a_gap", 16)
    d.nest(3, 2, 0.0532, 0.0493, (0.085, 0.13), 0.0095, 0.013, lost=(4,))
    d.write(
        d.layers((0.012, 6e-13, 3), (0.006, 6e-12, 2)), d.zones(2, 2, [True, False, True, True], pipe(4000.0)), BLOWER, 4e9,
        lid([0.0213, 0.0, 0.62, 0.4471], 7e-5), count=3, wear=0.9, entry=1e9, bleed=1e-12,
    )


if __name__ == "__main__":
    main()
