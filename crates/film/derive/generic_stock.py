#!/usr/bin/env python3
"""Numbers of the generic stocks: unmixing and working matrix that serve a whole population of simulated films best.

    VENV/bin/pip install numpy scipy && VENV/bin/python crates/film/derive/generic_stock.py SPECTRAL_FOLDER

SPECTRAL_FOLDER holds `reflectance-24-patch-iso-17321-1.csv`, `illuminants-10nm.csv` and `cie-1931-2deg-5nm.csv`.

Each simulated film has Gaussian dyes with side absorptions, coloured couplers that are used up where dye forms (the mask),
skewed Gaussian sensitivities, curves with toe and shoulder, and is read by a scanner with Gaussian bands: broad ones,
narrow ones, or ones near Status M. All of these vary around the centres below. Centres: dye shapes and bands of ordinary
masked films as far as they are documented, refined on one strip with known truth; spreads: ours. The films photograph the
24 patches of ISO 17321-1 under CIE D55. Fitted are the off-diagonal parts of a matrix in density (dye unmixing) and of
one in exposure (sensitivities to sRGB primaries), once for all films; curves are taken as known along the grey axis,
because the strip solve finds them from the pictures.
"""
import csv
import pathlib
import sys

import numpy as np
from scipy.optimize import least_squares

NM = np.arange(380, 731, 5.0)
LOG_E = np.arange(-3.2, 1.01, 0.05)
#          name   centre  spread
CENTRES = [("scan_c0", 620, 6), ("scan_c1", 535, 5), ("scan_c2", 458.5, 5), ("scan_w0", 26.5, 3), ("scan_w1", 24.5, 3),
           ("scan_w2", 23, 3), ("sens_c0", 635.5, 6), ("sens_c1", 556, 4), ("sens_c2", 450.5, 7), ("sens_l0", 28, 4),
           ("sens_l1", 33.5, 4), ("sens_l2", 32.5, 4), ("sens_r0", 20.5, 3), ("sens_r1", 19, 3), ("sens_r2", 27, 3),
           ("cyan_c", 653, 6), ("cyan_w", 47.5, 3), ("cyan_b", 0.09, 0.025), ("cyan_g", 0.026, 0.015),
           ("mag_c", 545, 2.5), ("mag_w", 35.5, 2), ("mag_b", 0.13, 0.03), ("mag_r", 0.022, 0.01),
           ("yel_c", 447.5, 2.5), ("yel_w", 38, 2), ("yel_g", 0.03, 0.01), ("mask_g", 0.37, 0.075),
           ("mask_gb", 0.36, 0.1), ("mask_gc", 515, 6), ("mask_b", 0.49, 0.1), ("mask_bc", 440, 4), ("mask_w", 44.5, 4),
           ("used_up", 0.24, 0.08)]


def read(folder, name):
    rows = list(csv.reader(open(folder / name)))
    table = np.array([[float(x or 0) for x in row] for row in rows[1:]])
    return rows[0], np.stack([np.interp(NM, table[:, 0], table[:, k], left=0, right=0) for k in range(1, table.shape[1])], 1)


def bell(centre, width):
    return np.exp(-0.5 * ((NM - centre) / width) ** 2)


def softplus(x):
    return np.where(x > 30, x, np.log1p(np.exp(np.minimum(x, 30))))


class World:
    def __init__(self, folder):
        head, lights = read(folder, "illuminants-10nm.csv")
        self.d50, self.d55 = lights[:, head.index("D50") - 1], lights[:, head.index("D55") - 1]
        _, self.cmf = read(folder, "cie-1931-2deg-5nm.csv")
        self.patches = read(folder, "reflectance-24-patch-iso-17321-1.csv")[1].T
        norm = (self.cmf[:, 1] * self.d50).sum()
        self.white = self.d50 @ self.cmf / norm
        self.lab = self.to_lab((self.patches * self.d50) @ self.cmf / norm)
        bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
        srgb = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]])
        gains = (bradford @ self.white) / (bradford @ srgb.sum(1))
        self.srgb = np.linalg.inv(bradford) @ np.diag(gains) @ bradford @ srgb
        self.grey = ((self.patches[19:23] * self.d50) @ self.cmf / norm @ np.linalg.inv(self.srgb).T).mean(1)

    def to_lab(self, xyz):
        t = np.maximum(xyz / self.white, 1e-9)
        f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
        return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], 1)


def film(world, rng, masked):
    q = {name: centre + spread * rng.normal() for name, centre, spread in CENTRES}
    for name in ("cyan_b", "cyan_g", "mag_b", "mag_r", "yel_g", "mask_g", "mask_gb", "mask_b", "used_up"):
        q[name] = max(q[name], 0.0)
    kind = rng.choice(["broad", "broad", "broad", "narrow", "status"])
    if kind != "broad":
        bands = {"narrow": [(632, 10), (532, 13), (458, 11)], "status": [(648, 14), (543, 16), (452, 15)]}[kind]
        for k, (centre, width) in enumerate(bands):
            q[f"scan_c{k}"], q[f"scan_w{k}"] = centre + rng.normal(0, 4), width + rng.normal(0, 1.5)
    scan = np.stack([bell(q[f"scan_c{k}"], q[f"scan_w{k}"]) for k in range(3)], 1)
    sens = np.stack([np.where(NM < q[f"sens_c{k}"], bell(q[f"sens_c{k}"], q[f"sens_l{k}"]), bell(q[f"sens_c{k}"], q[f"sens_r{k}"]))
                     for k in range(3)], 1) * world.d55[:, None]
    dyes = np.stack([bell(q["cyan_c"], q["cyan_w"]) + q["cyan_b"] * bell(430, 40) + q["cyan_g"] * bell(545, 35),
                     bell(q["mag_c"], q["mag_w"]) + q["mag_b"] * bell(430, 40) + q["mag_r"] * bell(640, 50),
                     bell(q["yel_c"], q["yel_w"]) + q["yel_g"] * bell(540, 50)])
    gamma = rng.normal(0.645, 0.03) * (1 + rng.normal(0, 0.05, 3))
    foot = -1.95 + rng.normal(0, 0.1) + rng.normal(0, 0.06, 3)
    toe, top = rng.normal(0.138, 0.02, 3).clip(0.08), rng.normal(2.35, 0.3, 3).clip(1.6)
    inhibit = max(0.0, rng.normal(0.01, 0.03))
    red_coupler = bell(q["mask_gc"], q["mask_w"]) + q["mask_gb"] * bell(440, 40)
    yellow_coupler = bell(q["mask_bc"], q["mask_w"])
    strength = (q["mask_g"], q["mask_b"]) if masked else (0.0, 0.0)

    def density(log_e):
        u = gamma * toe * softplus((log_e - foot) / toe)
        c = u - 0.25 * (softplus((u - top) / 0.25) - softplus(-top / 0.25))
        c = c + inhibit * (c - c.mean(-1, keepdims=True))
        spectrum = c @ dyes + (1 - q["used_up"] * c[:, :1]) * strength[0] * red_coupler \
            + (1 - q["used_up"] * c[:, 1:2]) * strength[1] * yellow_coupler
        return -np.log10(10 ** -spectrum @ scan / scan.sum(0))

    base = density(np.full((1, 3), -9.0))[0]
    exposure = np.log10(world.patches @ sens / sens.sum(0)) + rng.uniform(-0.1, 0.2)
    return dict(d=density(exposure) - base, grey=density(np.repeat(LOG_E[:, None], 3, 1)) - base, base=base)


def off_diagonal(values, unit_rows):
    m = np.eye(3)
    values = np.asarray(values).reshape(3, 2)
    for row in range(3):
        m[row, [k for k in range(3) if k != row]] = values[row]
        if unit_rows:
            m[row, row] = 1 - values[row].sum()
    return m


def residual(world, film, unmix, working):
    layers, greys = film["d"] @ unmix.T, np.maximum.accumulate(film["grey"] @ unmix.T, 0) + np.arange(len(LOG_E))[:, None] * 1e-9
    light = 10 ** np.stack([np.interp(layers[:, k], greys[:, k], LOG_E) for k in range(3)], 1) @ working.T
    lab = world.to_lab(light * np.median(world.grey) / np.median(light[19:23].mean(1)) @ world.srgb.T)
    want, chroma = np.hypot(world.lab[:, 1], world.lab[:, 2]), np.hypot(lab[:, 1], lab[:, 2])
    along = world.lab[:, 1:] / np.maximum(want, 1e-6)[:, None]
    step = lab[:, 1:] - world.lab[:, 1:]
    across = step[:, 1] * along[:, 0] - step[:, 0] * along[:, 1]
    return np.concatenate([lab[:, 0] - world.lab[:, 0], (chroma - want) / (1 + 0.045 * want), across / (1 + 0.015 * want)])


def fit(world, films, start):
    def matrices(x):
        return off_diagonal(x[:6], False), off_diagonal(x[6:], True)

    def cost(x):
        # A mild pull of the unmixing towards none: it must not chase one film.
        return np.concatenate([residual(world, film, *matrices(x)) for film in films] + [6 * len(films) ** 0.5 * x[:6]])

    return matrices(least_squares(cost, start, loss="soft_l1", max_nfev=15).x)


def layer_curves(films, unmix):
    def curve(p):
        u = p[0] * p[2] * softplus((LOG_E - p[1]) / p[2])
        return u - 0.43 * (softplus((u - p[3]) / 0.43) - softplus(-p[3] / 0.43))

    found = [[least_squares(lambda p: curve(p) - (f["grey"] @ unmix.T)[:, k], [0.6, -1.93, 0.13, 2.4]).x for k in range(3)] for f in films]
    return np.mean(found, 0)


def main():
    world, rng = World(pathlib.Path(sys.argv[1])), np.random.default_rng(31)

    def error(films, unmix, working):
        return np.mean([np.sqrt((residual(world, f, unmix, working).reshape(3, 24) ** 2).sum(0)).mean() for f in films])

    for masked in (True, False):
        films, held = [film(world, rng, masked) for _ in range(100)], [film(world, rng, masked) for _ in range(50)]
        unmix, working = fit(world, films, np.r_[0, 0, 0, -0.1, 0, -0.1, -0.6, -0.1, -0.1, 0, 0, -0.1])
        print("masked" if masked else "unmasked", "films; weighted Lab error without and with:",
              error(held, np.eye(3), np.eye(3)).round(2), error(held, unmix, working).round(2))
        print(" unmix", unmix.round(3).tolist())
        print(" working", working.round(3).tolist())
        print(" gamma, foot, toe, shoulder of each layer", layer_curves(films[:40], unmix).round(3).tolist(), flush=True)


if __name__ == "__main__":
    main()
