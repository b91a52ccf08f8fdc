"""Writes a small tilt series of a slab of round particles, projected by numpy alone: no code of the project takes part.

Run: python make.py   (numpy only)

21 tilts from -60 to +60 degrees of 160 x 160 px, axis along the columns: a particle at (u, v, z) is seen at
(u cos t + z sin t, v). 900 particles in a slab of 60 px, counting noise of 40 electrons a pixel at zero tilt.
"""

import os
import struct

import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
SIDE, SEED = 160, 20311107


def tiff(path, pages):
    """Uncompressed little-endian TIFF 6.0, one strip a page, 8-bit unsigned."""
    with open(path, "wb") as out:
        out.write(b"II*\0" + struct.pack("<I", 8))
        offset = 8
        for at, page in enumerate(pages):
            height, width = page.shape
            entries = [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 1),
                       (273, 4, offset + 2 + 9 * 12 + 4), (277, 3, 1), (278, 4, height), (279, 4, page.size)]
            following = offset + 2 + 9 * 12 + 4 + page.size
            out.write(struct.pack("<H", len(entries)))
            for tag, kind, value in entries:
                out.write(struct.pack("<HHII", tag, kind, 1, value))
            out.write(struct.pack("<I", following if at + 1 < len(pages) else 0))
            out.write(page.tobytes())
            offset = following


def main():
    rng = np.random.default_rng(SEED)
    n = 900
    u, v, z = rng.uniform(-190, 190, n), rng.uniform(-90, 90, n), rng.uniform(-30, 30, n)
    radius, depth = rng.uniform(1.5, 3.5, n), rng.uniform(0.05, 0.25, n)
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    pages, rows = [], ["section,tilt_deg,acquired_at"]
    for k, deg in enumerate(range(-60, 61, 6)):
        t = np.deg2rad(deg)
        shift = rng.uniform(-2, 2, 2)
        depth_at = np.full((SIDE, SIDE), 0.3 / np.cos(t))
        for i in range(n):
            cx, cy = u[i] * np.cos(t) + z[i] * np.sin(t) + shift[0], v[i] + shift[1]
            if abs(cx) < 95 and abs(cy) < 95:
                depth_at += depth[i] * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * radius[i] ** 2))
        pages.append(np.clip(rng.poisson(40 * np.exp(0.3) * np.exp(-depth_at)), 0, 255).astype(np.uint8))
        rows.append(f"{k},{deg:.1f},2031-11-07T10:{2 * k:02d}:00Z")
    tiff(os.path.join(HERE, "stack.tif"), pages)
    with open(os.path.join(HERE, "sections.csv"), "w") as out:
        out.write("\n".join(rows) + "\n")
    with open(os.path.join(HERE, "series.toml"), "w") as out:
        out.write('title = "Outside check: angles"\nspecimen = "resin-section"\nstack = "stack.tif"\n'
                  'table = "sections.csv"\n[instrument]\nkv = 200.0\n[camera]\npixel_nm = 1.2\n'
                  'full_scale_counts = 255\ncounts_per_electron = 1.0\n[tilt]\naxis_deg = 0.0\n')


main()
