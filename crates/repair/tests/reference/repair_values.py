#!/usr/bin/env python3
"""Reference values for `tests/reference_values.rs`, from scikit-image.

  python3 repair_values.py > repair_values.json        (needs numpy and scikit-image)

Shifts by phase correlation of high-pass pictures, and the error of biharmonic inpainting over holes. The pictures are given
by formulas, so that the test can make the very same ones.
"""
import json

import numpy as np
import skimage
from skimage.registration import phase_cross_correlation
from skimage.restoration import inpaint_biharmonic

W, H = 192, 160
Y, X = np.mgrid[0:H, 0:W].astype(float)


def specks(dx, dy, sigma, strength):
    """Density of 24 round specks on a lattice with offsets, shifted by (dx, dy)."""
    out = np.zeros((H, W))
    for k in range(24):
        cx = 20.0 + 30.0 * (k % 6) + (7 * k) % 11 - 5.0
        cy = 22.0 + 38.0 * (k // 6) + (5 * k) % 13 - 6.0
        out += strength * np.exp(-((X - cx - dx) ** 2 + (Y - cy - dy) ** 2) / (2.0 * sigma**2))
    return out


SLOW = 0.7 + 0.15 * np.sin(X / 19.0) * np.cos(Y / 23.0)
PICTURES = {
    "edge": SLOW + 0.4 / (1.0 + np.exp(-(X + 0.35 * Y - 120.0) / 0.8)),
    "stripes": SLOW + 0.12 * np.sin((X + 0.35 * Y) / 2.2),
    "leaves": SLOW + 0.05 * np.sin(0.9 * X) * np.cos(0.7 * Y + 3.0 * np.sin(0.13 * X)),
    "wire": SLOW + 0.5 * np.exp(-((X - 0.62 * Y - 30.0) / 1.6) ** 2),
}
HOLES = ((60, 50, 4.5), (96, 70, 5.0), (101, 60, 3.0), (140, 110, 6.0), (40, 120, 3.5), (98, 110, 2.5))

hole = np.zeros((H, W), bool)
for cx, cy, r in HOLES:
    hole |= (X - cx) ** 2 + (Y - cy) ** 2 <= r * r

shifts = []
for dx, dy in ((1.3, -0.7), (-2.4, 3.1), (0.8, -0.4)):
    found, _, _ = phase_cross_correlation(specks(0, 0, 1.6, 0.5), specks(dx, dy, 1.9, 0.45), upsample_factor=100)
    shifts.append({"shift_px": [dx, dy], "phase_correlation_px": [round(-found[1], 3), round(-found[0], 3)]})
errors = {}
for name, d in PICTURES.items():
    filled = inpaint_biharmonic(np.where(hole, 0.0, d), hole)
    errors[name] = round(float(np.sqrt(((filled - d)[hole] ** 2).mean())), 6)
print(json.dumps({"made_by": "repair_values.py, scikit-image " + skimage.__version__, "hole_px": int(hole.sum()),
                  "shifts": shifts, "biharmonic_rms_d": errors}, indent=1))
