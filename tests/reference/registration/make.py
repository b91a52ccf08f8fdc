"""Pictures with known shifts, what scikit-image finds of them, and a placement by numpy: no code of the project.

Run: python make.py   (numpy, scipy, scikit-image; versions are written into expected.json)

Public pictures `camera` and `brick` of skimage.data are rolled by whole pixels and cropped in Fourier space from 512 to
128, so that the true shift is a quarter of the roll without any aliasing; and two windows of `camera` a few pixels
apart are binned by two, as two tiles that share a part of a field would be.
"""

import json
import os

import numpy as np
import scipy
import skimage
from skimage.registration import phase_cross_correlation

HERE = os.path.dirname(os.path.abspath(__file__))


def crop(image, size):
    spectrum = np.fft.fftshift(np.fft.fft2(image))
    low = (image.shape[0] - size) // 2
    return np.fft.ifft2(np.fft.ifftshift(spectrum[low:low + size, low:low + size])).real * (size / image.shape[0]) ** 2


def store(name, image):
    low, high = image.min(), image.max()
    pixels = np.round((image - low) / (high - low) * 65535).astype("<u2")
    pixels.tofile(os.path.join(HERE, name))


def library(reference, moving):
    # The library gives the shift that brings `moving` back, as (rows, columns).
    shift, _, _ = phase_cross_correlation(reference, moving, upsample_factor=100, normalization=None)
    return [float(-shift[1]), float(-shift[0])]


def pairs():
    cases = []
    for name in ("camera", "brick"):
        picture = getattr(skimage.data, name)().astype(float)
        store(f"{name}-0.u16", crop(picture, 128))
        for at, (rows, cols) in enumerate([(3, -5), (10, 7), (26, -13)], 1):
            rolled = np.roll(picture, (rows, cols), (0, 1))
            store(f"{name}-{at}.u16", crop(rolled, 128))
            cases.append({"reference": f"{name}-0.u16", "moving": f"{name}-{at}.u16", "size": 128,
                          "true_px": [cols / 4, rows / 4], "library_px": library(crop(picture, 128), crop(rolled, 128))})
    picture = skimage.data.camera().astype(float)
    window = lambda y, x: picture[y:y + 384, x:x + 384].reshape(192, 2, 192, 2).mean((1, 3))
    hann = np.outer(np.hanning(192), np.hanning(192))
    store("window-0.u16", window(64, 64))
    for at, (rows, cols) in enumerate([(3, -5), (7, 2)], 1):
        moved = window(64 - rows, 64 - cols)
        store(f"window-{at}.u16", moved)
        found = library((window(64, 64) - window(64, 64).mean()) * hann, (moved - moved.mean()) * hann)
        cases.append({"reference": "window-0.u16", "moving": f"window-{at}.u16", "size": 192,
                      "true_px": [cols / 2, rows / 2], "library_px": found})
    return cases


def placement():
    rng = np.random.default_rng(5)
    cols, rows = 4, 3
    true = np.array([[400.0 * c, 380.0 * r] for r in range(rows) for c in range(cols)]) + rng.normal(0, 5, (12, 2))
    links = []
    for r in range(rows):
        for c in range(cols):
            for dc, dr in ((1, 0), (0, 1)):
                if c + dc < cols and r + dr < rows:
                    a, b = r * cols + c, (r + dr) * cols + c + dc
                    sd = rng.uniform(0.1, 2.0, 2)
                    links.append({"from": a, "to": b, "difference": (true[b] - true[a] + rng.normal(0, 1, 2) * sd).tolist(),
                                  "weight": (1 / sd ** 2).tolist()})
    places = np.zeros((12, 2))
    for k in range(2):
        design, target = np.zeros((len(links), 11)), np.zeros(len(links))
        for row, link in enumerate(links):
            root = np.sqrt(link["weight"][k])
            for point, sign in ((link["from"], -1), (link["to"], 1)):
                if point > 0:
                    design[row, point - 1] = sign * root
            target[row] = link["difference"][k] * root
        places[1:, k] = np.linalg.lstsq(design, target, rcond=None)[0]
    return {"links": links, "places": places.tolist()}


if __name__ == "__main__":
    expected = {"numpy": np.__version__, "scipy": scipy.__version__, "scikit-image": skimage.__version__,
                "pairs": pairs(), "placement": placement()}
    with open(os.path.join(HERE, "expected.json"), "w") as out:
        json.dump(expected, out, indent=1)
