"""Export speed beside libvips: eight frames of 19 megapixels, both in turn, into a section of tests/SPEED.md.

    cargo build --release -p glassine-bench --bin export_pace
    python crates/bench/peers/export_peer.py --work /tmp/glassine-bench [--pairs 5] [--write]

Needs numpy, scipy, tifffile and pyvips[binary] from PyPI. The frames are made once and kept in the work folder. Each form
runs in a process of its own, A B A B; ratios are taken within a pair and their median is what counts, because a busy
machine slows both. Times start when the program is ready and end with the last file; the product syncs its files to the
disk and reads them back, the peer does neither.
"""

import argparse
import json
import os
import pathlib
import platform
import statistics
import subprocess
import sys

WIDTH, HEIGHT, FRAMES = 5280, 3600, 8
BASE = (0.62, 0.36, 0.22)  # light of clear film, three levels


def make_frames(work):
    """Densities with a 1/f spectrum, edges, grain of 0.03 D, shot and read noise, as linear 16-bit scans."""
    import numpy as np
    import tifffile
    from scipy import fft

    marker = work / "frames" / "complete"
    if marker.exists():
        return
    marker.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(20240607)
    fy = fft.fftfreq(HEIGHT)[:, None].astype(np.float32)
    fx = fft.rfftfreq(WIDTH)[None, :].astype(np.float32)
    radius = np.sqrt(fy**2 + fx**2)
    radius[0, 0] = 1.0
    spectrum = fft.rfft2(rng.standard_normal((HEIGHT, WIDTH), dtype=np.float32), workers=2) / radius
    field = fft.irfft2(spectrum, s=(HEIGHT, WIDTH), workers=2).astype(np.float32)
    field /= field.std()
    edges = ((np.arange(WIDTH) // 330 + (np.arange(HEIGHT) // 300)[:, None]) % 2).astype(np.float32)
    for idx in range(FRAMES):
        shape = np.roll(field, (idx * 431, idx * 677), (0, 1))
        out = np.empty((HEIGHT, WIDTH, 3), np.uint16)
        for channel in range(3):
            density = np.clip(0.75 + 0.18 * shape + 0.25 * edges * (0.8 + 0.2 * channel), 0.02, 2.2)
            density += 0.03 * rng.standard_normal(density.shape, dtype=np.float32)
            light = BASE[channel] * np.power(np.float32(10.0), -density)
            light += np.sqrt(light / 40_000.0) * rng.standard_normal(light.shape, dtype=np.float32)
            light += np.float32(2e-4) * rng.standard_normal(light.shape, dtype=np.float32)
            out[..., channel] = np.clip(light * 65535.0 + 0.5, 1, 65535).astype(np.uint16)
        tifffile.imwrite(work / "frames" / f"frame {idx + 1}.tif", out, rowsperstrip=64, photometric="rgb")
        if idx < 4:
            with_infrared(work, idx, out, rng)
    marker.touch()


def with_infrared(work, idx, colour, rng):
    """The same with an infrared sample and 0.3 % of the area under specks."""
    import numpy as np
    import tifffile

    infrared = np.full((HEIGHT, WIDTH), 52_000, np.float32)
    infrared += 300 * rng.standard_normal(infrared.shape, dtype=np.float32)
    mark = np.zeros((HEIGHT, WIDTH), np.float32)
    grid = np.arange(-7, 8)
    disc = (grid[:, None] ** 2 + grid**2 <= 25).astype(np.float32)
    for _ in range(int(0.003 * WIDTH * HEIGHT / disc.sum())):
        y, x = rng.integers(8, HEIGHT - 8), rng.integers(8, WIDTH - 8)
        mark[y - 7 : y + 8, x - 7 : x + 8] = np.maximum(mark[y - 7 : y + 8, x - 7 : x + 8], disc)
    shade = np.power(np.float32(10.0), -0.5 * mark)
    out = np.dstack([colour * shade[..., None], infrared * shade])
    out = np.clip(out, 1, 65535).astype(np.uint16)
    name = work / "frames" / f"infrared {idx + 1}.tif"
    tifffile.imwrite(name, out, rowsperstrip=64, photometric="rgb", extrasamples=["unspecified"])


def peer(form, frames, out, packed):
    """The peer: the same kind of work, in its table form or its float form."""
    import resource
    import time

    import numpy as np
    import pyvips

    matrix = pyvips.Image.new_from_array([[1.10, -0.08, -0.02], [-0.06, 1.12, -0.06], [-0.02, -0.12, 1.14]])
    codes = np.arange(65536, dtype=np.float32)
    light = np.maximum(codes, 0.5) / 65535.0
    scale = np.array([1.55, 1.45, 1.40], np.float32)
    density = np.stack([-np.log10(light / base) * s for base, s in zip(BASE, scale)], -1).astype(np.float32)
    low, high = -0.8, 4.2
    positions = low + (high - low) * codes / 65535.0
    tone = lambda v: np.clip(65535 * np.clip(v, 0, 1) ** (1 / 2.2), 0, 65535).astype(np.uint16)
    image = lambda table: pyvips.Image.new_from_array(table)
    density_table = image(density.reshape(1, 65536, 3))
    both = image(tone(np.power(10.0, positions - 2.2)).reshape(1, 65536, 1))
    tone_table = image(tone(codes / 65535.0).reshape(1, 65536, 1))

    def run(name):
        picture = pyvips.Image.new_from_file(str(name), access="sequential")
        if form == "table":
            mixed = picture.maplut(density_table).recomb(matrix)
            places = mixed.linear(65535.0 / (high - low), -low * 65535.0 / (high - low)).cast("ushort")
            toned = places.maplut(both)
            precision = "integer"
        else:
            parts = [
                (picture.extract_band(c).linear(1 / 65535.0 / BASE[c], 1e-6)).log10().linear(-float(scale[c]), 0)
                for c in range(3)
            ]
            mixed = parts[0].bandjoin(parts[1:]).recomb(matrix)
            toned = mixed.linear(1, -2.2).exp10().linear(65535.0, 0).cast("ushort").maplut(tone_table)
            precision = "float"
        blurred = toned.gaussblur(2.0, min_ampl=0.011, precision=precision)
        sharp = (toned * 2.0 - blurred).cast("ushort")
        options = {"compression": "deflate", "predictor": "horizontal"} if packed else {"compression": "none"}
        sharp.tiffsave(str(out / name.name), **options)

    names = sorted(frames.glob("frame *.tif"))
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_SELF)
    for name in names:
        run(name)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    version = ".".join(str(pyvips.version(i)) for i in range(3))
    size = sum(name.stat().st_size for name in out.iterdir())
    rss = (after.ru_maxrss - before.ru_maxrss) / 1024
    print(json.dumps({"wall": wall, "cpu": cpu, "rss_mib": rss, "bytes": size, "version": f"libvips {version}"}))


def call(command, out):
    for old in out.iterdir():
        old.unlink()
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    return json.loads(done.stdout.strip().splitlines()[-1])


def compare(args, work, out, form, packed):
    """Pairs of one form of the peer and the product."""
    ours_command = [args.pace, str(work / "frames"), str(out), "deflate" if packed else "plain"]
    peer_command = [sys.executable, __file__, "--peer", form, "--work", str(work), "--out", str(out)]
    if packed:
        peer_command.append("--packed")
    pairs = []
    for turn in range(args.pairs + 1):
        theirs, ours = call(peer_command, out), call(ours_command, out)
        if turn:  # the first pair only warms up
            pairs.append((theirs, ours))
            print(f"{form} {packed}: peer {theirs['wall']:.2f} s, product {ours['wall']:.2f} s", file=sys.stderr)
    middle = lambda key, side: statistics.median(pair[side][key] for pair in pairs)
    ratio = lambda key: statistics.median(theirs[key] / ours[key] for theirs, ours in pairs)
    megapixels = WIDTH * HEIGHT * FRAMES / 1e6
    return {
        "what": f"{'Deflate' if packed else 'uncompressed'}, against the {form} form",
        "peer": f"{middle('wall', 0):.2f} s, {middle('cpu', 0):.2f} cpu s, {middle('rss_mib', 0):.0f} MiB",
        "ours": f"{middle('wall', 1):.2f} s, {middle('cpu', 1):.2f} cpu s, {middle('rss_mib', 1):.0f} MiB",
        "pace": f"{megapixels / middle('wall', 1):.0f} MP/s",
        "wall": f"{ratio('wall'):.2f}",
        "cpu": f"{ratio('cpu'):.2f}",
        "version": pairs[0][0]["version"],
    }


def size_of_same_picture(args, work, out):
    """Bytes of the product's packed file against those the peer makes of the very same picture."""
    import pyvips

    call([args.pace, str(work / "frames"), str(out), "deflate", "1"], out)
    name = next(out.glob("*.tif"))
    again = out / "again.tif"
    picture = pyvips.Image.new_from_file(str(name))
    picture.tiffsave(str(again), compression="deflate", predictor="horizontal")
    return name.stat().st_size / again.stat().st_size


def write_section(name, text):
    """Replace what lies between this section's markers in the results page, or add it."""
    page = pathlib.Path(__file__).parents[3] / "tests/SPEED.md"
    begin, end = f"<!-- {name}:begin -->", f"<!-- {name}:end -->"
    old = page.read_text() if page.exists() else "# Speed\n\nEach section is written by its own bench; the command stands in it.\n"
    section = f"{begin}\n{text.strip()}\n{end}"
    if begin in old and end in old:
        head, rest = old.split(begin, 1)
        new = head + section + rest.split(end, 1)[1]
    else:
        new = f"{old.rstrip()}\n\n{section}\n"
    page.write_text(new)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--work", type=pathlib.Path, required=True)
    parser.add_argument("--out", type=pathlib.Path)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--pace", default="target/release/export_pace")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--peer", choices=["table", "float"])
    parser.add_argument("--packed", action="store_true")
    args = parser.parse_args()
    work = args.work.absolute()
    if args.peer:
        return peer(args.peer, work / "frames", args.out, args.packed)
    out = work / "out"
    out.mkdir(parents=True, exist_ok=True)
    make_frames(work)
    rows = [compare(args, work, out, *case) for case in [("table", False), ("float", False), ("table", True)]]
    full = [call([args.pace, str(work / "frames"), str(out), kind], out) for kind in ["all", "unrepaired"] * 3]
    share = size_of_same_picture(args, work, out)
    for old in out.iterdir():
        old.unlink()
    text = [
        "## Export",
        "",
        "`python crates/bench/peers/export_peer.py --work FOLDER --write`, after",
        "`cargo build --release -p glassine-bench --bin export_pace`.",
        "",
        f"{os.cpu_count()} processors ({platform.machine()}), {rows[0]['version']}, Glassine {full[0]['version']}; medians of",
        f"{args.pairs} pairs, run in turn. Eight frames of {WIDTH} x {HEIGHT} px, 16 bit: density, 3x3, tone, unsharp mask",
        "of 2 px. The product's times include syncing and reading back every file; the peer's do not. Memory is the growth",
        "above the idle program.",
        "",
        "| files | peer | product | pace | wall ratio | cpu ratio |",
        "|---|---|---|---|---|---|",
    ]
    text += [f"| {r['what']} | {r['peer']} | {r['ours']} | {r['pace']} | {r['wall']} | {r['cpu']} |" for r in rows]
    text += ["", f"Packed size against the peer's packing of the same picture: {share:.3f}.", ""]
    for kind, what in [(0, "every step on"), (1, "every step but dust repair")]:
        runs = full[kind::2]
        pace = statistics.median(run["megapixels"] / run["wall"] for run in runs)
        cpu = statistics.median(run["cpu"] for run in runs)
        memory = max(run["rss_mib"] for run in runs)
        text.append(f"- {what} (tilted box, unmixing, print curve, balance, saturation, weak colours, sharpening, profile, "
                    f"sync, reading back): {pace:.1f} MP/s, {cpu:.2f} cpu s for {runs[0]['megapixels']:.0f} MP, {memory:.0f} MiB")
    print("\n".join(text))
    if args.write:
        write_section("export", "\n".join(text))


if __name__ == "__main__":
    main()
