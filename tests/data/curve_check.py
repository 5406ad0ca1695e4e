"""Values between blocks by scipy's shape-preserving cubic, for the curves of src/ultrasound/curve.rs.

Writes curve_check.csv beside itself: set, thickness in mm, then either `point` and the value given there or `value` and what
scipy.interpolate.PchipInterpolator over the logarithm of thickness says. Run here: python3 curve_check.py (scipy 1.17, numpy 2.4).
"""
import csv, pathlib
import numpy as np
from scipy.interpolate import PchipInterpolator

SETS = [
    ([3, 5, 8, 12, 20], [-31.0, -6.5, 2.25, 3.0, -18.0]),
    ([4, 8, 12, 20], [2.0, -3.5, -3.5, 6.0]),
    ([2.5, 4, 4.5, 10, 11, 25], [0.0, 1.0, 40.0, 41.0, 41.5, 300.0]),
    ([5, 10, 15, 20], [0.4, -0.2, 0.1, -0.05]),
    ([3, 6, 10, 15, 18, 30], [10.0, 4.0, 0.0, -2.0, -2.1, -9.0]),
]
with open(pathlib.Path(__file__).with_name("curve_check.csv"), "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow(["set", "thickness_mm", "kind", "value"])
    for number, (x, y) in enumerate(SETS):
        curve = PchipInterpolator(np.log(x), y)
        for a, b in zip(x, y):
            out.writerow([number, a, "point", b])
        for d in np.linspace(x[0], x[-1], 25):
            out.writerow([number, repr(float(d)), "value", repr(float(curve(np.log(d))))])
