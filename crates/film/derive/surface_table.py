#!/usr/bin/env python3
"""Colours of real surfaces as the layers of a daylight film see them: the list in `src/solve/surfaces.rs`.

    VENV/bin/pip install numpy colour-science==0.4.7
    VENV/bin/python crates/film/derive/surface_table.py SPECTRAL_FOLDER

99 samples of CIE 224:2017 (as distributed with colour-science, BSD licence) and the 18 colours of the 24-patch chart
(measured mean, `reflectance-24-patch-babelcolor-average.csv`), under D55, through Gaussian layers at 645, 548 and 455 nm
of 28, 26 and 28 nm (one standard deviation). Printed: red and blue log10 exposure against green, hundredths; last the light
locus: the same of the perfect diffuser from 2500 to 12 000 K, per mired from 182.
"""
import csv
import gzip
import pathlib
import sys

import colour
import numpy as np

NM = np.arange(380, 781, 5.0)


def table(text):
    rows = list(csv.reader(text))
    start = next(i for i, row in enumerate(rows) if row and row[0].replace(".", "").isdigit())
    data = np.array([[float(x or 0) for x in row] for row in rows[start:]])
    return np.stack([np.interp(NM, data[:, 0], data[:, k], left=0, right=0) for k in range(1, data.shape[1])])


def main():
    folder = pathlib.Path(sys.argv[1])
    lights = list(csv.reader(open(folder / "illuminants-10nm.csv")))
    d55 = table(open(folder / "illuminants-10nm.csv"))[lights[0].index("D55") - 1]
    layers = np.exp(-0.5 * ((NM - np.array([[645], [548], [455]])) / np.array([[28], [26], [28]])) ** 2)
    cie = pathlib.Path(colour.__file__).parent / "quality/datasets/tcs_cfi2017_5_nm.csv.gz"
    surfaces = np.concatenate([table(gzip.open(cie, "rt")),
                               table(open(folder / "reflectance-24-patch-babelcolor-average.csv"))[:18]])
    white = layers @ d55
    logs = np.log10(layers @ (surfaces * d55).T / white[:, None])
    x, y = logs[0] - logs[1], logs[2] - logs[1]
    print(len(x), "surfaces; mean", x.mean().round(3), y.mean().round(3), "spread", x.std().round(3), y.std().round(3))
    points = [f"({round(100 * a)}, {round(100 * b)})" for a, b in zip(x, y)]
    for i in range(0, len(points), 10):
        print("    " + ", ".join(points[i:i + 10]) + ",")
    mired, locus = [], []
    for kelvin in (2500, 2856, 3200, 3500, 4000, 4500, 5000, 6500, 7500, 10000, 12000):
        xy = colour.temperature.CCT_to_xy_CIE_D(kelvin) if kelvin >= 4000 else None
        light = colour.sd_CIE_illuminant_D_series(xy).align(colour.SpectralShape(380, 780, 5)).values if kelvin >= 4000 \
            else NM ** -5 / (np.exp(1.4388e7 / (NM * kelvin)) - 1)
        log = np.log10(layers @ light / white)
        mired.append(1e6 / kelvin - 182)
        locus.append([log[0] - log[1], log[2] - log[1]])
    mired, locus = np.array(mired), np.array(locus)
    for m, l in zip(mired, locus):
        print("mired", round(m), "x, y", l.round(3), "per mired", (l / m).round(5))
    print("slope through zero:", (mired @ locus / (mired @ mired)).round(5))


if __name__ == "__main__":
    main()
