# Writes edge_codes.txt: contents of film edge codes and the modules of their data track, made by zxing-cpp 3.1.
# python3 -m venv VENV && VENV/bin/pip install zxing-cpp numpy && VENV/bin/python edge_codes.py > edge_codes.txt
import numpy
import random
import zxingcpp

random.seed(5)
contents = ["115-10/11A", "1-0/0", "127-15/63A", "93-6/14A", "92-12/46A", "115-10"]
for _ in range(60):
    number = f"/{random.randint(0, 63)}{random.choice(['', 'A'])}" if random.random() < 0.9 else ""
    contents.append(f"{random.randint(1, 127)}-{random.randint(0, 15)}{number}")
for content in contents:
    barcode = zxingcpp.create_barcode(content, zxingcpp.BarcodeFormat.DXFilmEdge)
    rows = numpy.array(barcode.to_image(scale=1))[:, 1:-1]
    clock, data = ("".join("1" if v == 0 else "0" for v in rows[i]) for i in (0, -1))
    print(content, data, clock)
