#!/usr/bin/env python3
"""The three reflectances that stand for the primaries of linear RGB in `src/spectrum.rs`.

    VENV/bin/pip install numpy scipy && VENV/bin/python crates/filmsim/derive/colour_basis.py SPECTRAL_FOLDER

SPECTRAL_FOLDER holds `illuminants-10nm.csv` and `cie-1931-2deg-5nm.csv`. Wanted are the smoothest spectra (least sum of
squared steps) between 0 and 1 that add up to 1 and whose colours, seen under CIE D50 by the CIE 1931 observer, are the
primaries of sRGB adapted to D50 (Bradford): then the film photographs the colour that the reference states. Smoothest,
because pigments have no edges.
"""
import csv
import pathlib
import sys

import numpy as np
from scipy.optimize import LinearConstraint, minimize

NM = np.arange(380, 731, 10.0)


def read(path):
    rows = list(csv.reader(open(path)))
    table = np.array([[float(x or 0) for x in row] for row in rows[1:]])
    return rows[0], np.stack([np.interp(NM, table[:, 0], column) for column in table.T[1:]], 1)


def main():
    folder = pathlib.Path(sys.argv[1])
    head, lights = read(folder / "illuminants-10nm.csv")
    seen = read(folder / "cie-1931-2deg-5nm.csv")[1] * lights[:, [head.index("D50") - 1]]
    seen /= seen[:, 1].sum()
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    srgb = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]])
    gains = (bradford @ seen.sum(0)) / (bradford @ srgb.sum(1))
    to_rgb = np.linalg.inv(np.linalg.inv(bradford) @ np.diag(gains) @ bradford @ srgb)
    colour = to_rgb @ seen.T                                  # rows: linear red, green, blue of a spectrum
    n = len(NM)
    zero = np.zeros((3, n))
    steps = np.diff(np.eye(n), axis=0)
    cost = lambda x: sum((steps @ s) @ (steps @ s) for s in (x[:n], x[n:], 1 - x[:n] - x[n:]))
    slope = lambda x: np.concatenate([2 * steps.T @ steps @ (s - (1 - x[:n] - x[n:])) for s in (x[:n], x[n:])])
    constraints = [LinearConstraint(np.block([[colour, zero], [zero, colour]]), *2 * [[1, 0, 0, 0, 0, 1]]),
                   LinearConstraint(np.hstack([np.eye(n), np.eye(n)]), 0, 1)]
    start = np.r_[NM > 590, NM < 490].astype(float)
    fit = minimize(cost, start, jac=slope, bounds=[(0, 1)] * 2 * n, constraints=constraints, method="SLSQP", options=dict(maxiter=500))
    red, blue = fit.x[:n], fit.x[n:]
    for name, s in (("red", red), ("green", 1 - red - blue), ("blue", blue)):
        print(name, (colour @ s).round(4).tolist())
    for name, s in (("RED", red), ("BLUE", blue)):
        print(name, np.abs(s.round(4)).tolist())


if __name__ == "__main__":
    main()
