"""Tracks of a made-up specimen and the model that scipy fits to them, for tests/alignment_outside.rs.

`python make.py` (numpy, scipy) writes tracks.json beside this file. The model is written out anew here, from the formula in
alignment.csv, and shares no code with tiltworth.
"""
import json
import os

import numpy as np
import scipy
from scipy.optimize import least_squares

rng = np.random.default_rng(20310)
NU = 3.0  # degrees of freedom of Student's t in two dimensions
tilts = np.deg2rad(np.arange(-60, 61, 8.0) + rng.normal(0, 0.05, 16))
start = 8
count = 14
axis = np.deg2rad(84.3)
points = np.column_stack([rng.uniform(-300, 300, count), rng.uniform(-300, 300, count), rng.uniform(-60, 60, count)])
shifts = rng.normal(0, 6, (len(tilts), 2))
shifts[start] = 0


def model(axis, shifts, points, track, tilt):
    t = tilts[tilt]
    u, v, z = points[track].T
    across = u * np.cos(t) + z * np.sin(t)
    x = shifts[tilt, 0] + np.cos(axis) * across + np.sin(axis) * v
    y = shifts[tilt, 1] - np.sin(axis) * across + np.cos(axis) * v
    return np.column_stack([x, y])


track, tilt = [a.ravel() for a in np.meshgrid(np.arange(count), np.arange(len(tilts)), indexing="ij")]
seen = rng.uniform(size=len(track)) < 0.8
track, tilt = track[seen], tilt[seen]
# Errors of each sight are an ellipse of its own; a few are far larger than they are believed to be.
angle = rng.uniform(0, np.pi, len(track))
long, short = rng.uniform(0.2, 0.8, len(track)), rng.uniform(0.1, 0.2, len(track))
axes = np.stack([np.column_stack([np.cos(angle), np.sin(angle)]), np.column_stack([-np.sin(angle), np.cos(angle)])], 2)
noise = np.einsum("nij,nj->ni", axes, rng.normal(size=(len(track), 2)) * np.column_stack([long, short]))
noise[rng.uniform(size=len(track)) < 0.06] *= 12
at = model(axis, shifts, points, track, tilt) + noise
weights = np.einsum("nij,nj,nkj->nik", axes, np.column_stack([long**-2, short**-2]), axes)
roots = np.einsum("nij,nj->nij", axes, np.column_stack([1 / long, 1 / short]))

free = [k for k in range(len(tilts)) if k != start]


def unpack(p):
    s = np.zeros((len(tilts), 2))
    s[free] = p[1 : 1 + 2 * len(free)].reshape(-1, 2)
    return p[0], s, p[1 + 2 * len(free) :].reshape(-1, 3)


def residuals(p):
    a, s, pts = unpack(p)
    off = np.einsum("nij,ni->nj", roots, at - model(a, s, pts, track, tilt))
    misfit = (off**2).sum(1)
    # Their squares add up to (nu + 2) ln(1 + misfit/nu): minus twice the logarithm of the likelihood.
    factor = np.sqrt((NU + 2) * np.log1p(misfit / NU) / np.maximum(misfit, 1e-30))
    mean_height = np.array([1e3 * pts[:, 2].mean()])
    return np.concatenate([(off * factor[:, None]).ravel(), mean_height])


begin = np.concatenate([[axis + 0.02], (shifts[free] + rng.normal(0, 1, (len(free), 2))).ravel(),
                        np.column_stack([points[:, :2] + rng.normal(0, 1, (count, 2)), np.zeros(count)]).ravel()])
found = least_squares(residuals, begin, xtol=1e-15, ftol=1e-15, gtol=1e-12)
a, s, pts = unpack(found.x)
out = {
    "made_with": f"scipy {scipy.__version__}, numpy {np.__version__}",
    "tilts_rad": tilts.tolist(), "start": start, "begin": begin.tolist(),
    "track": track.tolist(), "tilt": tilt.tolist(), "at": at.tolist(),
    "information": [[w[0, 0], w[0, 1], w[1, 1]] for w in weights],
    "axis_rad": a, "shifts": s.tolist(), "points": pts.tolist(),
    "true_axis_rad": axis,
}
with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "tracks.json"), "w") as file:
    json.dump(out, file)
print(found.message, np.rad2deg(a - axis), np.abs(s - shifts).max())
