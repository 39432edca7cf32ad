#!/usr/bin/env python3
"""Dusty and clean twin strips, taken through the whole program and compared.

  dust_twins.py --program TARGET/release/glassine --scorer ../shared/practice/score.py --data ../shared/data --out DIR

Needs numpy, opencv and tifffile (and what the scorer needs). The film here is a few lines of arithmetic, written apart from
the program and from its film simulator: characteristic curve, base, grain, optics, noise; the infrared picture is softer,
shifted by (0.8, -0.4) px and carries a little of the image. Both twins share film, grain and noise; one has real damage
shapes (hand-annotated outlines of the open data, MIT) painted into the visible and the infrared planes before the optics.
Prints one JSON line for every strip: what the scorer says, and how many pixels the program marks on the clean twin.
"""
import argparse
import json
import os
import subprocess
import sys

import cv2
import numpy as np
import tifffile

PPI = 400
MM = PPI / 25.4
SHIFT = (0.8, -0.4)


def photo(path, w, h):
    im = cv2.imread(path)[..., ::-1].astype(np.float32) / 255
    s = max(w / im.shape[1], h / im.shape[0])
    im = cv2.resize(im, None, fx=s, fy=s, interpolation=cv2.INTER_AREA if s < 1 else cv2.INTER_CUBIC)
    y, x = (im.shape[0] - h) // 2, (im.shape[1] - w) // 2
    im = np.clip(im[y:y + h, x:x + w], 0, 1)
    return np.where(im <= .04045, im / 12.92, ((im + .055) / 1.055) ** 2.4)


def stars(w, h, rng):
    im = np.full((h, w), .006, np.float32)
    for _ in range(w * h // 900):
        x, y, b = rng.uniform(3, w - 4), rng.uniform(3, h - 4), float(np.exp(rng.normal(-1.5, 1.2)))
        yy, xx = np.mgrid[int(y) - 3:int(y) + 4, int(x) - 3:int(x) + 4]
        im[int(y) - 3:int(y) + 4, int(x) - 3:int(x) + 4] += min(b, 3) * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 1.0)
    return np.repeat(np.minimum(im, 1.5)[..., None], 3, 2) * [1, .97, .92]


def wires(w, h, rng):
    y = np.linspace(.95, .55, h)[:, None, None] * np.ones((1, w, 1)) * [.55, .7, .95]
    mask = np.zeros((4 * h, 4 * w), np.uint8)
    for _ in range(9):
        a, b = rng.uniform(0, h), rng.uniform(0, h)
        cv2.line(mask, (0, int(4 * a)), (4 * w, int(4 * b)), 255, int(rng.integers(3, 10)), cv2.LINE_AA)
    m = cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    return y * (1 - m) + .03 * m


def fur(w, h, rng):
    n = rng.standard_normal((h, w)).astype(np.float32)
    k = np.zeros((21, 21), np.float32)
    cv2.line(k, (4, 0), (16, 20), 1, 1)
    v = cv2.filter2D(n, -1, k / np.sqrt(k.sum()))
    v = .22 * np.exp(.45 * v / v.std())
    return np.repeat(v[..., None], 3, 2) * [1, .85, .68]


def damage(shapes, w, h, share, rng):
    """Opacity plane: polygons of the data, scaled, turned, placed anywhere."""
    big = np.zeros((h, w), np.float32)
    while (big > .05).mean() < share:
        for _ in range(20):
            p = shapes[rng.integers(len(shapes))]
            p = (p - p.mean(0)) * rng.uniform(.35, .8)
            if np.abs(p).max() > 130:
                continue
            a = rng.uniform(0, 2 * np.pi)
            p = p @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) + [rng.uniform(0, w), rng.uniform(0, h)]
            lo = np.floor(p.min(0)).astype(int) - 2
            hi = np.ceil(p.max(0)).astype(int) + 3
            lo, hi = np.maximum(lo, 0), np.minimum(hi, [w, h])
            if (hi - lo <= 0).any():
                continue
            tile = np.zeros((8 * (hi[1] - lo[1]), 8 * (hi[0] - lo[0])), np.uint8)
            cv2.fillPoly(tile, [np.round((p - lo) * 8).astype(np.int32)], 255)
            cover = cv2.resize(tile, (hi[0] - lo[0], hi[1] - lo[1]), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
            view = big[lo[1]:hi[1], lo[0]:hi[0]]
            np.maximum(view, cover * rng.uniform(.3, .97), out=view)
    return big


def film_density(kind, light):
    """Density of red, green, blue for scene light (1 = white card)."""
    e = np.log10(np.maximum(light, 0) * .9 + .004)
    soft = lambda v: np.log1p(np.exp(np.minimum(v * 9, 60))) / 9
    if kind == "slide":
        return .12 + 3.2 / (1 + np.exp((e + 1.0) * 3.4)) * [1.0, .98, 1.02]
    if kind == "black-and-white":
        g = e.mean(-1, keepdims=True)
        return [.16, .18, .2] + .6 * soft(g + 2.2) * [1, 1.02, 1.05]
    return [.24, .58, .9] + np.array([.56, .6, .66]) * soft(e + 2.2)


def strip(kind, scenes, seed, silver=False):
    """Densities before optics, frame quads, and where film lies."""
    rng = np.random.default_rng(seed)
    W, H = int(203 * MM), int(72 * MM)
    film = np.zeros((H, W), bool)
    fx0, fy0, fx1, fy1 = int(7 * MM), int(5.3 * MM), int(196 * MM), int(66.8 * MM)
    film[fy0:fy1, fx0:fx1] = True
    base = film_density(kind, np.zeros((1, 1, 3)))[0, 0]
    D = np.full((H, W, 3), 3.6, np.float32)
    D[film] = base
    quads = []
    w, h = int(41.6 * MM), int(56 * MM)
    for i, scene in enumerate(scenes):
        x0, y0 = int((11.5 + 46.6 * i) * MM), int(8.1 * MM)
        light = scene(w, h, rng) if callable(scene) else photo(scene, w, h)
        D[y0:y0 + h, x0:x0 + w] = film_density(kind, light)
        quads.append([[x0, y0], [x0 + w - 1, y0], [x0 + w - 1, y0 + h - 1], [x0, y0 + h - 1]])
    common = cv2.GaussianBlur(rng.standard_normal((H, W)).astype(np.float32), (0, 0), .6)
    common /= common.std()
    for c in range(3):
        own = cv2.GaussianBlur(rng.standard_normal((H, W)).astype(np.float32), (0, 0), .6)
        own = common if kind == "black-and-white" else .8 * own / own.std() + .6 * common
        D[..., c] += film * .006 * np.sqrt(np.maximum(D[..., c] - base[c], .05) / .5) * own
    leak = D @ [.9, 0, 0] if silver else D @ [.05, -.01, .005]
    IR = np.where(film, .06 + leak, 3.6)
    return D, IR, film, quads, rng


def scan(D, IR, opacity, seed):
    rng = np.random.default_rng(seed)
    H, W = IR.shape
    out = np.empty((H, W, 4), np.uint16)
    for c, sigma in enumerate((.56, .52, .55, .85)):
        d, o = (D[..., c], opacity) if c < 3 else (IR, .95 * opacity)
        light = cv2.GaussianBlur((10 ** -d * (1 - o)).astype(np.float32), (0, 0), sigma)
        if c == 3:
            m = np.float32([[1, 0, SHIFT[0]], [0, 1, SHIFT[1]]])
            light = cv2.warpAffine(light, m, (W, H), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        noise = rng.standard_normal((H, W)) * np.sqrt(np.maximum(light, 0) / 160000 + (6 / 160000) ** 2)
        out[..., c] = np.clip(np.round((light + noise) * 61000), 0, 65535)
    return out


def truth(folder, name, quads, clean, dusty):
    a, b = clean[..., :3].astype(np.float32), dusty[..., :3].astype(np.float32)
    loss = np.abs(1 - (b + 1) / (a + 1)).max(-1)
    cv2.imwrite(os.path.join(folder, "severity.png"), np.round(255 * np.clip(loss * (loss > .02), 0, 1)).astype(np.uint8))
    inner = [[[x + dx, y + dy] for (x, y), (dx, dy) in zip(q, ((4, 4), (-4, 4), (-4, -4), (4, -4)))] for q in quads]
    frames = [dict(index=i, quad=q, inner_quad=n) for i, (q, n) in enumerate(zip(quads, inner))]
    with open(os.path.join(folder, "truth.json"), "w") as f:
        json.dump(dict(case=name, frames=frames, defects=dict(severity_file="severity.png")), f)


def run(program, folder, tag, kind, repair, map_too):
    scan = os.path.join(folder, tag + ".tif")
    session = os.path.join(folder, tag + ".session.json")
    call = lambda *a: subprocess.run([program, *a], capture_output=True, text=True)
    made = call("new", session, "--scan", scan, "--film", kind, "--format", "6x4.5", "--replace")
    if made.returncode > 1:
        sys.exit(made.stderr)
    out = os.path.join(folder, tag + " out")
    export = call("export", session, "--to", out, "--render", "straight", "--space", "srgb", "--sharpen", "off",
                  "--repair", repair, "--replace", "--json")
    show = call("show", session, "--json")
    both = dict(show=json.loads(show.stdout), export=json.loads(export.stdout), encoding="srgb", dust_map=None)
    maps = None
    if map_too:
        maps = json.loads(call("dust-map", session, "--to", out, "--replace", "--json").stdout)["maps"][0]
        both["dust_map"] = maps["path"]
    path = os.path.join(folder, tag + " both.json")
    with open(path, "w") as f:
        json.dump(both, f)
    return path, maps


def main():
    ap = argparse.ArgumentParser()
    for name in ("program", "scorer", "data", "out"):
        ap.add_argument("--" + name, required=True)
    ap.add_argument("--only", nargs="*")
    a = ap.parse_args()
    shapes = []
    for n in ("01", "03", "05", "08"):
        with open(os.path.join(a.data, "film-damage/frames/frame-%s.json" % n)) as f:
            for s in json.load(f)["polygons"]:
                p = np.array(s["points"], float)
                if len(p) >= 3 and np.ptp(p, 0).max() < 320:
                    shapes.append(p)
    big = lambda n: os.path.join(a.data, "scenes-photographs", n)
    small = lambda n: os.path.join(a.data, "scenes-small", n)
    cases = [
        ("photographs", "colour-negative", [big("picosdeeuropa_by_Aitzol_Berasategi.jpg"), big("Wine_by_Jakkub_Mede.jpg"),
                                            small("astronaut.png"), big("seeding_by_Clements_Engelhardt.jpg")], .004),
        ("textures", "colour-negative", [small("grass.png"), small("brick.png"), small("chelsea.png"), small("china.jpg")], .004),
        ("stars-wires-fur", "colour-negative", [stars, wires, fur, big("sunset_by_Aitzol_Berasategi.jpg")], .003),
        ("chromogenic", "black-and-white", [small("camera.png"), big("aitzgorri_by_Aitzol_Berasategi.jpg"), fur, small("coffee.png")], .004),
        ("slide", "slide", [big("sunset_by_Aitzol_Berasategi.jpg"), small("coffee.png"), small("chelsea.png"), wires], .003),
        ("full-of-dust", "colour-negative", [small("rocket.jpg"), small("flower.jpg"), big("aitzgorri_by_Aitzol_Berasategi.jpg"), small("china.jpg")], .012),
        ("silver", "black-and-white", [small("camera.png"), big("aitzgorri_by_Aitzol_Berasategi.jpg"), fur, small("coffee.png")], .003),
    ]
    for i, (name, kind, scenes, share) in enumerate(cases):
        if a.only and name not in a.only:
            continue
        folder = os.path.join(a.out, name)
        os.makedirs(folder, exist_ok=True)
        D, IR, film, quads, rng = strip(kind, scenes, 100 + i, silver=name == "silver")
        opacity = damage(shapes, IR.shape[1], IR.shape[0], share, rng) * film
        clean, dusty = scan(D, IR, 0 * opacity, 7 + i), scan(D, IR, opacity, 7 + i)
        for tag, samples in (("clean", clean), ("dusty", dusty)):
            tifffile.imwrite(os.path.join(folder, tag + ".tif"), samples, photometric="rgb", extrasamples=[0],
                             resolution=(PPI, PPI), resolutionunit=2)
        truth(folder, name, quads, clean, dusty)
        dusty_at, _ = run(a.program, folder, "dusty", kind, "on", True)
        clean_at, maps = run(a.program, folder, "clean", kind, "off", True)
        scored = subprocess.run([sys.executable, a.scorer, "dust", os.path.join(folder, "truth.json"), dusty_at, "--clean",
                                 clean_at, "--adapter", "glassine"], capture_output=True, text=True)
        line = json.loads(scored.stdout) if scored.returncode == 0 else dict(error=scored.stderr[-800:])
        line["clean_twin_marked_px"] = maps["marked_px"]
        line["clean_twin_refusals"] = maps["refusals"][:1]
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()
