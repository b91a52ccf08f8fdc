"""How far shifts of alignment.csv are off on series that tests/reference/focus/slab.py makes, which shares no code with
tiltworth: python3 shifts.py TILTWORTH NAME SEED… (numpy, scipy, tifffile)

What is left is told in px, across and along the axis, a common height taken off: no data tell it.
"""
import csv
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import scipy.fft

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "focus"))
import slab


def off_axis_px(k):
    """How far across the middle of the picture lies from the axis, which is in the middle of the padded one."""
    tiles = k.get("tiles", 1)
    sides = k["size"][0], tiles * k["size"][1] - (tiles - 1) * k.get("overlap", 0)
    x, y = (0.5 * (scipy.fft.next_fast_len(side + 2 * slab.PAD, True) - side - 2 * slab.PAD) for side in sides)
    a = np.deg2rad(k["axis"])
    return -(x * np.cos(a) - y * np.sin(a))


def errors(tiltworth, name, seed, folder):
    k = slab.KINDS[name]
    slab.write(folder / "series", name, k, *slab.make(k, seed))
    subprocess.run([tiltworth, "assess", folder / "series", "--out", folder / "out"], stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    lines = (folder / "out" / "alignment.csv").read_text().splitlines()
    rows = [row for row in csv.DictReader(line for line in lines if line[0] != "#") if row["kind"] == "tilt"]
    t, x, y = (np.array([float(row[key]) for row in rows]) for key in ("tilt_deg", "x_px", "y_px"))
    t, a = np.deg2rad(t), np.deg2rad(k["axis"])
    lean = np.deg2rad(k.get("pretilt", 0.0))
    across = x * np.cos(a) - y * np.sin(a) - off_axis_px(k) * (np.cos(t + lean) - np.cos(lean))
    along = x * np.sin(a) + y * np.cos(a)
    across -= np.sin(t) * (np.sin(t) @ across) / (np.sin(t) @ np.sin(t))
    return across, along


if __name__ == "__main__":
    tiltworth, name, *seeds = sys.argv[1:]
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            across, along = errors(tiltworth, name, int(seed), pathlib.Path(folder))
        off = np.hypot(across, along)
        rms = [float(np.sqrt(np.mean(part**2))) for part in (across, along)]
        print(f"{name} {seed}: {len(off)} tilts, median {np.median(off):.2f}, 95 % {np.percentile(off, 95):.2f}, "
              f"rms across {rms[0]:.2f}, along {rms[1]:.2f} px", flush=True)
