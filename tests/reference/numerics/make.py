"""An averaged periodogram by numpy and scipy alone, for tests/periodogram.rs. Run: python make.py

The picture is the 128 x 160 corner of skimage.data.camera() (scikit-image ships it)."""

import json
import os

import numpy as np
import scipy
import scipy.signal
import skimage
import skimage.data

HERE = os.path.dirname(os.path.abspath(__file__))
image = skimage.data.camera()[100:228, 150:310]
image.tofile(os.path.join(HERE, "camera-128x160.u8"))
n = 64
window = scipy.signal.get_window("hann", n, fftbins=True)
window2 = np.outer(window, window)
y, x = np.mgrid[:n, :n] - (n - 1) / 2
mean = np.zeros((n, n // 2 + 1))
starts = [(r, c) for r in (0, 64) for c in (0, 64, 96)]
for row, column in starts:
    patch = image[row:row + n, column:column + n].astype(float)
    plane = patch.mean() + x * (x * patch).sum() / (x * x).sum() + y * (y * patch).sum() / (y * y).sum()
    mean += np.abs(np.fft.rfft2((patch - plane) * window2)) ** 2 / (window2 ** 2).sum() / len(starts)
fy, fx = np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None, :]
weight = np.where((np.arange(n // 2 + 1) == 0) | (np.arange(n // 2 + 1) == n // 2), 1.0, 2.0)[None, :] * np.ones((n, 1))
edges = [0.02, 0.05, 0.1, 0.2, 0.3, 0.5]
f = np.hypot(fx, fy)
rings = [float((mean * weight)[(f >= a) & (f < b)].sum() / weight[(f >= a) & (f < b)].sum()) for a, b in zip(edges, edges[1:])]
turn = (np.floor(np.arctan2(fy, fx + 0 * fy) / np.pi * 6 + 0.5) % 6).astype(int)
cells = [float((mean * weight)[(f >= 0.1) & (f < 0.3) & (turn == s)].sum() / weight[(f >= 0.1) & (f < 0.3) & (turn == s)].sum())
         for s in range(6)]
# Our layout: column by column of fx, fy from 0 up and then negative.
json.dump({"numpy": np.__version__, "scipy": scipy.__version__, "scikit-image": skimage.__version__, "size": n,
           "edges": edges, "power": mean.T.ravel().tolist(), "rings": rings, "cells": cells},
          open(os.path.join(HERE, "periodogram.json"), "w"))
