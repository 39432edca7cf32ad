"""Reference values of the pictures of SANE's test device, read through another binding of the interface.

    apt-get install libsane1 python3-sane python3-numpy
    mkdir /tmp/sane && echo test > /tmp/sane/dll.conf && cp /etc/sane.d/test.conf /tmp/sane
    SANE_CONFIG_DIR=/tmp/sane /usr/bin/python3 tests/reference/sane_test_device.py > tests/reference/sane_test_device.json

For each picture: its size, the sum of its samples, and the sum of every sample times its place (from 1), modulo 2^64.
"""

import json

import numpy
import sane

sane.init()
cases = []
for picture in ["Solid black", "Solid white", "Color pattern", "Grid"]:
    for mode in ["Gray", "Color"]:
        for depth in [8, 16]:
            device = sane.open("test:0")
            device.mode, device.depth, device.resolution = mode, depth, 75
            device.test_picture = picture
            device.tl_x, device.tl_y, device.br_x, device.br_y = 0, 0, 60, 40
            device.start()
            samples = device.arr_snap()
            device.close()
            flat = samples.reshape(-1).astype(numpy.uint64)
            places = numpy.arange(1, flat.size + 1, dtype=numpy.uint64)
            cases.append(
                {
                    "picture": picture,
                    "mode": mode,
                    "depth": depth,
                    "height_px": samples.shape[0],
                    "width_px": samples.shape[1],
                    "sum": int(flat.sum()),
                    "weighted": int((flat * places).sum() % (1 << 64)),
                }
            )
print(json.dumps({"python_sane": sane.__version__ if hasattr(sane, "__version__") else "2.9.1", "cases": cases}, indent=1))
