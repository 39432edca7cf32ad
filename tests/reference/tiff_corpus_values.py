"""Expected pixels of the open TIFF corpus, decoded by an independent reader (tifffile with imagecodecs).

Run:  python tiff_corpus_values.py DATA_FOLDER > tiff_corpus_values.json
For every file: shape and CRC-32 of the samples as little-endian 16-bit codes (8-bit times 257, floats 0..1 times 65535
rounded half up, white-is-zero grey counted down), pixel by pixel, an infrared page of the same size last;
or "refused" for kinds of file that are not scans we read.
"""
import json
import pathlib
import sys
import zlib

import numpy as np
import tifffile

READ_COMPRESSION = {1, 5, 8, 32946, 32773}


def codes(page):
    tags = page.tags
    bits, kind = page.bitspersample, int(page.sampleformat)
    photometric = int(page.photometric)
    if photometric not in (0, 1, 2) or int(page.compression) not in READ_COMPRESSION:
        return None
    if (kind, bits) not in ((1, 8), (1, 16), (4, 8), (4, 16), (3, 32)):
        return None
    if page.samplesperpixel > 16:
        return None
    data = page.asarray()
    if page.samplesperpixel == 1:
        data = data.reshape(page.imagelength, page.imagewidth, 1)
    elif int(page.planarconfig) == 2:
        data = np.moveaxis(data.reshape(-1, page.imagelength, page.imagewidth), 0, 2)
    colours = 3 if photometric == 2 else 1
    if data.dtype == np.uint8:
        out = data.astype(np.uint16) * 257
    elif data.dtype == np.uint16:
        out = data.copy()
    else:
        scaled = np.nan_to_num(data.astype(np.float32), nan=0.0) * np.float32(65535) + np.float32(0.5)
        out = np.clip(scaled, 0, 65535).astype(np.uint16)
    if photometric == 0:
        out[:, :, 0] = 65535 - out[:, :, 0]
    extra = out.shape[2] - colours
    if extra:
        kinds = list(tags[338].value) if 338 in tags and isinstance(tags[338].value, tuple) else (
            [tags[338].value] if 338 in tags else [])
        at = kinds.index(0) if 0 in kinds else 0
        plane = out[:, :, colours + at]
        declared = kinds[at] if at < len(kinds) else None
        keep = declared == 0 or not (plane == 65535).all()
        out = np.dstack([out[:, :, :colours], plane]) if keep else out[:, :, :colours]
    return np.ascontiguousarray(out)


def value(path):
    with tifffile.TiffFile(path) as tif:
        page = tif.pages[0]
        out = codes(page)
        if out is None:
            return "refused"
        if len(tif.pages) == 2 and out.shape[2] == 3:
            infrared = codes(tif.pages[1])
            if infrared is not None and infrared.shape == out.shape[:2] + (1,):
                out = np.dstack([out, infrared])
    h, w, c = out.shape
    return {"width": w, "height": h, "channels": c, "crc32": f"{zlib.crc32(out.astype('<u2').tobytes()):08x}"}


def main():
    data = pathlib.Path(sys.argv[1])
    result = {}
    for folder in ("tiff-corpus/valid", "ir-layouts", "flatbed-film-strips", "sfr-edges"):
        for path in sorted((data / folder).rglob("*.tif*")):
            try:
                result[str(path.relative_to(data))] = value(path)
            except Exception as error:
                result[str(path.relative_to(data))] = f"unknown: {type(error).__name__}"
    json.dump(result, sys.stdout, indent=1)
    print()


main()
