#!/usr/bin/env python3
"""Reference values of colour science for the tests of the `film` crate, from a general-purpose library.

    python3 -m venv VENV && VENV/bin/pip install colour-science==0.4.7 && VENV/bin/python tests/reference/colour_values.py

Writes `colour_values.json` beside itself. Values are rounded to nine digits so that a rerun gives the same file.
"""
import json
import pathlib
import warnings

warnings.filterwarnings("ignore")

import colour  # noqa: E402
import numpy as np  # noqa: E402

SPACES = {
    "srgb": "sRGB",
    "display-p3": "Display P3",
    "adobe-rgb-1998": "Adobe RGB (1998)",
    "romm-rgb": "ProPhoto RGB",
}
D50_ICC = np.array([0.9642, 1.0, 0.8249])


def rounded(values):
    return np.round(np.asarray(values, float), 9).tolist()


def main():
    rng = np.random.default_rng(20)
    levels = [0.0, 0.0005, 0.001, 0.003, 0.01, 0.05, 0.18, 0.5, 0.9, 1.0]
    out = {"levels": levels, "spaces": {}, "lab": [], "delta_e_2000": [], "oklab": [], "adaptation": []}
    for key, name in SPACES.items():
        space = colour.RGB_COLOURSPACES[name]
        primaries = colour.normalised_primary_matrix(space.primaries, space.whitepoint)
        out["spaces"][key] = {
            "to_xyz": rounded(primaries),
            "encoded": rounded(space.cctf_encoding(np.array(levels))),
            "decoded": rounded(space.cctf_decoding(np.array(levels))),
        }
    for _ in range(24):
        xyz = rng.uniform(0.001, 1.0, 3)
        lab = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(D50_ICC))
        out["lab"].append({"xyz": rounded(xyz), "lab": rounded(lab)})
    for _ in range(40):
        first = np.array([rng.uniform(0, 100), rng.uniform(-80, 80), rng.uniform(-80, 80)])
        second = first + rng.normal(0, [6, 12, 12])
        value = colour.delta_E(first, second, method="CIE 2000")
        out["delta_e_2000"].append({"first": rounded(first), "second": rounded(second), "value": round(float(value), 9)})
    for _ in range(16):
        rgb = rng.uniform(0.0, 1.0, 3)
        xyz = colour.RGB_to_XYZ(rgb, "sRGB")
        out["oklab"].append({"linear_srgb": rounded(rgb), "oklab": rounded(colour.XYZ_to_Oklab(xyz))})
    white_d65 = colour.xy_to_XYZ([0.3127, 0.3290])
    matrix = colour.adaptation.matrix_chromatic_adaptation_VonKries(white_d65, D50_ICC, transform="Bradford")
    out["adaptation"] = rounded(matrix)
    path = pathlib.Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
