#!/usr/bin/env python3
"""Reference values for `tests/reference_values.rs`, from scikit-image.

Run with scikit-image installed; prints the numbers that the test holds. The pictures are given by formulas, so that the
test can make the very same ones.
"""
import numpy as np
from skimage.registration import phase_cross_correlation
from skimage.restoration import inpaint_biharmonic

W, H = 192, 160


def specks(dx, dy, sigma, strength):
    """Density of 24 round specks on a lattice with offsets, shifted by (dx, dy)."""
    y, x = np.mgrid[0:H, 0:W].astype(float)
    out = np.zeros((H, W))
    for k in range(24):
        cx = 20.0 + 30.0 * (k % 6) + (7 * k) % 11 - 5.0
        cy = 22.0 + 38.0 * (k // 6) + (5 * k) % 13 - 6.0
        out += strength * np.exp(-((x - cx - dx) ** 2 + (y - cy - dy) ** 2) / (2.0 * sigma**2))
    return out


def picture():
    """Density of a picture with slow parts and one edge."""
    y, x = np.mgrid[0:H, 0:W].astype(float)
    edge = 0.4 / (1.0 + np.exp(-(x + 0.35 * y - 120.0) / 0.8))
    return 0.7 + 0.15 * np.sin(x / 19.0) * np.cos(y / 23.0) + edge


def hole():
    y, x = np.mgrid[0:H, 0:W].astype(float)
    out = np.zeros((H, W), bool)
    for cx, cy, r in ((60, 50, 4.5), (96, 70, 5.0), (101, 60, 3.0), (140, 110, 6.0), (40, 120, 3.5)):
        out |= (x - cx) ** 2 + (y - cy) ** 2 <= r * r
    return out


for dx, dy in ((1.3, -0.7), (-2.4, 3.1)):
    shift, _, _ = phase_cross_correlation(specks(0, 0, 1.6, 0.5), specks(dx, dy, 1.9, 0.45), upsample_factor=100)
    print("shift true", (dx, dy), "phase correlation (x, y)", (-shift[1], -shift[0]))

d, m = picture(), hole()
filled = inpaint_biharmonic(np.where(m, 0.0, d), m)
print("biharmonic rms error over the holes, D: %.6f, pixels %d" % (np.sqrt(((filled - d)[m] ** 2).mean()), m.sum()))
