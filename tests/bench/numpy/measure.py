"""The measurements of a 1 x 3 montage series as a script of numpy, scipy and scikit-image would make them.

`python measure.py FOLDER`: FOLDER holds stack.mrc (16-bit, 1 x 3 montage, overlap of a tenth) and sections.csv. Two
processes, a tilt each at a time; vectorised throughout. It writes quality.json and a JPEG a tilt into a temporary folder and
prints the seconds it took, imports left out. What tiltworth has beyond this (judgement, page, uncertainties, nulls,
rivals, patches tested for chance) is not here: the script does less.
"""

import hashlib
import json
import os
import sys
import tempfile
import time
from multiprocessing import Pool

# Two processes share two cores: threads of libraries would only get into each other's way.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import mrcfile
import numpy as np
from PIL import Image
from scipy import fft, ndimage, optimize
from skimage.registration import phase_cross_correlation

PATCH = 512
PIXEL_NM, KV, CS_MM = 0.68, 300.0, 2.7
SECTORS = 12
MOST_POINTS = 24


def grid():
    fy, fx = np.meshgrid(fft.fftfreq(PATCH), fft.rfftfreq(PATCH), indexing="ij")
    ring = (np.hypot(fx, fy) * PATCH).astype(int)
    sector = np.floor(np.arctan2(fy, fx) / np.pi * SECTORS + 0.5).astype(int) % SECTORS
    inside = ring < PATCH // 2
    cell = np.where(inside, sector * (PATCH // 2) + ring, SECTORS * (PATCH // 2))
    return cell.ravel(), np.bincount(cell.ravel(), minlength=SECTORS * (PATCH // 2) + 1)[:-1]


WINDOW = np.outer(np.hanning(PATCH + 1)[:-1], np.hanning(PATCH + 1)[:-1]).astype(np.float32)
CELL, CELL_COUNT = grid()
Y, X = np.mgrid[:PATCH, :PATCH].astype(np.float32) - (PATCH - 1) / 2


def spectrum(tile):
    rows, cols = (n // PATCH for n in tile.shape)
    patches = tile[: rows * PATCH, : cols * PATCH].reshape(rows, PATCH, cols, PATCH).swapaxes(1, 2).reshape(-1, PATCH, PATCH)
    patches = patches - patches.mean(axis=(1, 2), keepdims=True)
    spread = (X * X).sum()
    patches -= (patches * X).sum(axis=(1, 2), keepdims=True) / spread * X
    patches -= (patches * Y).sum(axis=(1, 2), keepdims=True) / spread * Y
    half = fft.rfft2(patches * WINDOW)
    power = (half.real**2 + half.imag**2).mean(axis=0) / (WINDOW**2).sum()
    sums = np.bincount(CELL, weights=power.ravel(), minlength=SECTORS * (PATCH // 2) + 1)[:-1]
    return power, (sums / np.maximum(CELL_COUNT, 1)).reshape(SECTORS, PATCH // 2)


def wavelength_nm(kv):
    return 1.226426 / np.sqrt(kv * 1e3 * (1 + 0.978476e-6 * kv * 1e3))


def focus(cells):
    low, high = 10, 240
    g = (np.arange(PATCH // 2) + 0.5)[low:high] / PATCH / PIXEL_NM
    lam = wavelength_nm(KV)
    x = np.linspace(-1, 1, high - low)
    theta = np.pi * np.arange(SECTORS) / SECTORS
    log = np.log(np.maximum(cells[:, low:high], 1e-9))
    y = np.exp(log - np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, log.mean(axis=0), 5))) - 1
    phase = lambda um: 2 * np.pi * lam * g**2 * um[:, None] * 1e3 - np.pi * lam**3 * CS_MM * 1e6 * g**4
    trials = np.linspace(0.3, 10, 1200)
    scores = -np.cos(phase(trials)) @ y.mean(axis=0)
    basis = np.polynomial.polynomial.polyvander(x, 3)

    def residual(p):
        um = p[0] + p[1] * np.cos(2 * theta) + p[2] * np.sin(2 * theta)
        return (y + (basis @ p[3:7]) * np.cos(phase(um)) - basis @ p[7:11]).ravel()

    found = optimize.least_squares(residual, [trials[np.argmax(scores)], 0, 0, 0.1, 0, 0, 0, 0, 0, 0, 0], max_nfev=30)
    return found.x[:3].tolist()


def tile_measures(tile):
    counts = np.bincount(tile.ravel(), minlength=65536)
    values = np.nonzero(counts)[0]
    mean = (values * counts[values]).sum() / tile.size
    sd = np.sqrt((counts[values] * (values - mean) ** 2).sum() / tile.size)
    quantiles = np.interp([0.01, 0.5, 0.99], np.cumsum(counts) / tile.size, np.arange(65536))
    real = tile.astype(np.float32)
    small = real.reshape(real.shape[0] // 4, 4, real.shape[1] // 4, 4).mean(axis=(1, 3))
    power, cells = spectrum(real)
    figures = {"mean": mean, "sd": sd, "min": int(values[0]), "max": int(values[-1]), "quantiles": quantiles.tolist()}
    return figures, real, small, power, cells


def seam(above, below, overlap):
    """Whole shift, then patches along the overlap."""
    a, b = above[-overlap:], below[:overlap]
    whole = phase_cross_correlation(a, b, upsample_factor=1)[0]
    length = a.shape[1] // 12
    shifts = [
        phase_cross_correlation(a[:, k * length : (k + 1) * length], b[:, k * length : (k + 1) * length], upsample_factor=20)[0]
        for k in range(12)
    ]
    return whole.tolist(), np.std(shifts, axis=0).tolist(), float(a.mean() / b.mean())


def tilt(job):
    path, number, folder = job
    with mrcfile.mmap(path, permissive=True) as stack:
        tiles = [np.asarray(stack.data[3 * number + k]) for k in range(3)]
    overlap = tiles[0].shape[0] // 10
    measured = [tile_measures(tile) for tile in tiles]
    seams = [seam(measured[k][1], measured[k + 1][1], overlap) for k in range(2)]
    cells = np.mean([m[4] for m in measured], axis=0)
    figures = [m[0] for m in measured]
    keep = overlap // 4
    picture = np.concatenate([m[2][: -keep or None] for m in measured[:-1]] + [measured[-1][2]])
    low, high = np.percentile(picture, [0.5, 99.5])
    Image.fromarray(np.uint8(np.clip((picture - low) / (high - low) * 255, 0, 255))).save(f"{folder}/{number:03}.jpg", quality=80)
    sharpness = float(np.sqrt(cells[:, 102:205].mean() / cells[:, 25:51].mean()))
    return {"tiles": figures, "seams": seams, "focus": focus(cells), "tile_focus": [focus(m[4]) for m in measured],
            "sharpness": sharpness}, picture


def follow(pictures, angles):
    """Positions along neighbouring angles with cosine stretch, then some points through all tilts."""
    order = np.argsort(angles)
    steps = []
    for a, b in zip(order[:-1], order[1:]):
        stretch = np.cos(np.radians(angles[b])) / np.cos(np.radians(angles[a]))
        moved = ndimage.affine_transform(pictures[a], [1, 1 / stretch], [0, pictures[a].shape[1] / 2 * (1 - 1 / stretch)], order=1)
        steps.append(phase_cross_correlation(moved, pictures[b], upsample_factor=20)[0].tolist())
    middle = order[len(order) // 2]
    side = 96
    h, w = pictures[middle].shape
    places = [(y, x) for y in np.linspace(side, h - 2 * side, 6, dtype=int) for x in np.linspace(side, w - 2 * side, 4, dtype=int)]
    tracks = []
    for y, x in places[:MOST_POINTS]:
        first = pictures[middle][y : y + side, x : x + side]
        tracks.append([phase_cross_correlation(first, p[y : y + side, x : x + side], upsample_factor=20)[0].tolist() for p in pictures])
    return steps, tracks


def digest(path):
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def main(source):
    stack = f"{source}/stack.mrc"
    angles = np.genfromtxt(f"{source}/sections.csv", delimiter=",", names=True)["tilt_deg"][::3]
    with tempfile.TemporaryDirectory() as folder, Pool(2) as pool:
        begun = time.perf_counter()
        hashed = pool.apply_async(digest, [stack])
        found = pool.map(tilt, [(stack, k, folder) for k in range(len(angles))], chunksize=1)
        steps, tracks = follow([picture for _, picture in found], angles)
        record = {"tilts": [figures for figures, _ in found], "steps": steps, "tracks": tracks, "sha256": hashed.get()}
        with open(f"{folder}/quality.json", "w", encoding="utf-8") as out:
            json.dump(record, out)
        print(f"{time.perf_counter() - begun:.3f}")


if __name__ == "__main__":
    main(sys.argv[1])
