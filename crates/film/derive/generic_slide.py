#!/usr/bin/env python3
"""Working matrix of the generic slide: linear scanner RGB to linear working RGB for scans without a colour profile.

    VENV/bin/pip install numpy scipy && VENV/bin/python crates/film/derive/generic_slide.py SPECTRAL_FOLDER

A slide is seen, not printed: its own colour under D50 for the CIE 1931 observer is what the picture should show. Each
simulated slide has Gaussian dyes with side absorptions (as in `generic_stock.py`), balanced so that equal densities are
neutral, sigmoid reversal curves, and is read by broad, narrow or intermediate scanner bands. The 24 patches of ISO 17321-1
under CIE D55 and eight greys are photographed. Fitted are the off-diagonal parts of one matrix with unit row sums, once
for all films.
"""
import pathlib
import sys

import numpy as np
from scipy.optimize import least_squares

from generic_stock import CENTRES, NM, World, bell, off_diagonal

BANDS = {"narrow": [(632, 10), (532, 13), (458, 11)], "middle": [(620, 15), (535, 16), (444, 14)]}


def slide(world, rng, kind):
    q = {name: centre + spread * rng.normal() for name, centre, spread in CENTRES}
    bands = BANDS.get(kind, [(q[f"scan_c{k}"], q[f"scan_w{k}"]) for k in range(3)])
    scan = np.stack([bell(centre + rng.normal(0, 3), width) for centre, width in bands], 1)
    sens = np.stack([np.where(NM < q[f"sens_c{k}"], bell(q[f"sens_c{k}"], q[f"sens_l{k}"]), bell(q[f"sens_c{k}"], q[f"sens_r{k}"]))
                     for k in range(3)], 1) * world.d55[:, None]
    dyes = np.stack([bell(q["cyan_c"], q["cyan_w"]) + 0.03 * bell(430, 40) + 0.02 * bell(545, 35),
                     bell(q["mag_c"], q["mag_w"]) + 0.04 * bell(430, 40) + 0.02 * bell(640, 50),
                     bell(q["yel_c"], q["yel_w"]) + 0.03 * bell(540, 50)])
    norm = (world.cmf[:, 1] * world.d50).sum()
    see = lambda spectrum: (10 ** -spectrum * world.d50) @ world.cmf / norm
    for _ in range(40):                                  # neutral at density 1
        light = see(dyes.sum(0)) @ np.linalg.inv(world.srgb).T
        dyes *= (1 + 0.3 * (np.log10(np.maximum(light, 1e-4)) + 1.0))[:, None]
    exposure = np.log10(world.patches @ sens / sens.sum(0))
    exposure = np.concatenate([exposure, np.repeat(np.linspace(-1.8, 0.1, 8)[:, None], 3, 1)])
    top, gamma = 3.2, rng.uniform(1.4, 1.7)
    dye = top / 2 * (1 - np.tanh(gamma * 2 * (exposure + 0.85) / top))
    spectrum = dye @ dyes + 0.06
    return 10 ** -spectrum @ scan / scan.sum(0), world.to_lab(see(spectrum))


def main():
    sys.path.insert(0, str(pathlib.Path(__file__).parent))
    world, rng = World(pathlib.Path(sys.argv[1])), np.random.default_rng(2)
    films = [slide(world, rng, ["broad", "broad", "narrow", "middle"][k % 4]) for k in range(60)]

    def rest(values):
        matrix, out = off_diagonal(values, True), []
        for rgb, lab in films:
            found = world.to_lab(np.maximum(rgb @ matrix.T, 1e-5) @ world.srgb.T)
            weight = 1 + 0.03 * np.hypot(lab[:, 1], lab[:, 2])
            out.append(((found - lab) / weight[:, None]).ravel())
        return np.concatenate(out)

    fit = least_squares(rest, np.zeros(6), loss="soft_l1")
    rms = lambda v: np.sqrt(np.mean(rest(v) ** 2))
    print(f"weighted Lab error {rms(np.zeros(6)):.2f} without, {rms(fit.x):.2f} with")
    print(np.array2string(off_diagonal(fit.x, True), precision=3, separator=", "))


if __name__ == "__main__":
    main()
