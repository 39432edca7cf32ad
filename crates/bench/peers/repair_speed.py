#!/usr/bin/env python3
"""Times dust map and filling against a general-purpose library, in turn, and writes the result into tests/SPEED.md.

  cargo build --release -p glassine-bench --bin repair_speed
  python3 crates/bench/peers/repair_speed.py TARGET/release/repair_speed [PAIRS]     (needs numpy and opencv)

Two frames of 19 megapixels (5040 x 3780, 16-bit red, green, blue, infrared) are made from a fixed seed, with dust over about
0.3 % and 1 % of them. Both sides begin with the samples in memory and end with the new values. The peer divides the infrared
plane by its median-filtered self, thresholds it, grows the mask by a pixel and fills each 16-bit channel by Telea's method
with radius 4.
"""
import os
import platform
import subprocess
import sys
import tempfile
import time

import cv2
import numpy as np

W, H = 5040, 3780
BEGIN, END = "<!-- repair:begin -->", "<!-- repair:end -->"


def dust(rng, share):
    out = np.zeros((H, W), np.float32)
    while (out > .05).mean() < share:
        for _ in range(200):
            cx, cy, kind, o = rng.uniform(0, W), rng.uniform(0, H), rng.random(), float(rng.uniform(.3, .95))
            if kind < .9:
                r = float(min(14, 1.6 * np.exp(.6 * rng.standard_normal())))
                cv2.ellipse(out, ((cx, cy), (2 * r, 2 * r * rng.uniform(.6, 1.6)), rng.uniform(0, 180)), o, -1)
            elif kind < .99:
                a, t, line = rng.uniform(0, 6.28), rng.uniform(-.02, .02), []
                for _ in range(int(rng.uniform(40, 160))):
                    line.append((cx, cy))
                    cx, cy, a, t = cx + 1.5 * np.cos(a), cy + 1.5 * np.sin(a), a + t, t + rng.uniform(-.004, .004)
                cv2.polylines(out, [np.round(np.array(line)).astype(np.int32)], False, o, 2)
            else:
                end = (int(cx + rng.uniform(200, 900)), int(cy + rng.uniform(-8, 8)))
                cv2.line(out, (int(cx), int(cy)), end, .2, 1)
    return out


def frame(share, seed):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:H, 0:W].astype(np.float32)
    v = .9 + .4 * np.sin(x / 700) * np.cos(y / 540) + np.where(np.hypot(x - 2600, y - 1500) < 900, .5, 0)
    v -= np.where((x + .6 * y) % 1200 < 180, .35, 0)
    texture = cv2.GaussianBlur(rng.standard_normal((H, W), np.float32), (0, 0), 2.5)
    v += np.where(y > 2500, .12, .01) * texture / texture.std()
    o, density = dust(rng, share), []
    grain = lambda: cv2.GaussianBlur(rng.standard_normal((H, W), np.float32), (0, 0), .6) * 2.1
    common = grain()
    for c, base in enumerate((.27, .61, .93)):
        dye = np.maximum(0, .6 * v * (1 - .05 * c))
        density.append(base + dye + .006 * np.sqrt(np.maximum(dye, .05) / .5) * (.8 * grain() + .6 * common))
    out = np.empty((H, W, 4), np.uint16)
    for c, d in enumerate(density):
        light = cv2.GaussianBlur(10 ** -d * (1 - o), (0, 0), .6) * 62000
        out[..., c] = np.clip(light + 8 * rng.standard_normal((H, W), np.float32), 0, 65535)
    infrared = 10 ** (-.06 - .05 * density[0] + .01 * density[1] - .005 * density[2]) * (1 - .95 * o)
    infrared = cv2.GaussianBlur(infrared, (0, 0), .85)
    infrared = cv2.warpAffine(infrared, np.float32([[1, 0, .8], [0, 1, -.4]]), (W, H), flags=cv2.INTER_CUBIC,
                              borderMode=cv2.BORDER_REPLICATE)
    out[..., 3] = np.clip(infrared * 62000 * (1 + .002 * rng.standard_normal((H, W), np.float32)), 1, 65535)
    return out


def peer(samples):
    started = time.perf_counter()
    infrared = samples[..., 3]
    slow = cv2.resize(cv2.medianBlur(cv2.resize(infrared, (W // 8, H // 8), interpolation=cv2.INTER_AREA), 5), (W, H))
    mask = (infrared.astype(np.float32) < .93 * slow).astype(np.uint8)
    mask = cv2.dilate(mask, np.ones((3, 3), np.uint8))
    for c in range(3):
        cv2.inpaint(np.ascontiguousarray(samples[..., c]), mask, 4, cv2.INPAINT_TELEA)
    return time.perf_counter() - started


def main():
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    rows = []
    for name, share, seed in (("0.3 %", .003, 3), ("1 %", .01, 4)):
        samples = frame(share, seed)
        with tempfile.TemporaryDirectory() as folder:
            path = os.path.join(folder, "frame.raw")
            samples.tofile(path)
            ours = subprocess.Popen([sys.argv[1], path, str(W), str(H)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            ours.stdout.readline()
        seconds, theirs, kept, marked = [], [], 0, 0.0
        for _ in range(pairs):
            ours.stdin.write("\n")
            ours.stdin.flush()
            answer = ours.stdout.readline().split()
            seconds.append([float(v) for v in answer[:4]])
            marked, kept = float(answer[4]), int(answer[6])
            theirs.append(peer(samples))
        ours.stdin.close()
        ours.wait()
        map_s = np.median([a + b for a, b, _, _ in seconds])
        fill_s, all_s = (np.median([s[i] for s in seconds]) for i in (2, 3))
        ratio = np.median([t / s[3] for t, s in zip(theirs, seconds)])
        rows.append("| %s of specks drawn, %.1f %% marked | %.2f s | %.2f s | %.2f s | %.0f MP/s | %.2f s | %.1f x | %.0f MB |" % (
            name, 100 * marked, map_s, fill_s, all_s, W * H / 1e6 / all_s, np.median(theirs), ratio, kept / 1e6))
        print(rows[-1], flush=True)
    text = "\n".join([
        "## Dust repair", "",
        "Made by `python3 crates/bench/peers/repair_speed.py TARGET/release/repair_speed`; the peer is OpenCV %s (threshold"
        " and Telea's filling, 16 bit, a channel at a time), run in turn, medians of %d pairs, %s cores." % (
            cv2.__version__, pairs, os.cpu_count()), "",
        "| damage of a 19 MP frame | map | filling | both | rate | peer | peer / ours | kept |", "|---|---|---|---|---|---|---|---|",
        *rows])
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../../tests/SPEED.md")
    page = open(path).read() if os.path.exists(path) else "# Speed\n"
    section = BEGIN + "\n" + text + "\n" + END
    if BEGIN in page and END in page:
        page = page[:page.index(BEGIN)] + section + page[page.index(END) + len(END):]
    else:
        page = page.rstrip() + "\n\n" + section + "\n"
    with open(path, "w") as f:
        f.write(page)
    print(platform.platform())


if __name__ == "__main__":
    main()
