"""Directions that two tilt series leave unseen, counted: python3 make.py > missing.json

A direction is drawn evenly on the sphere. It is seen by a series if the plane that is perpendicular to the beam at some
tilt of its range holds it: the beam, turned about the tilt axis, must be perpendicular to the direction. Nothing here is
tiltworth's. numpy 2; seed below.
"""

import json

import numpy as np

random = np.random.default_rng(20310417)
N = 10_000_000


def seen(g, low, high, axis_deg):
    """Axis in the x-y plane; u across it. The beam at the tilt t is (-sin t) u + (cos t) z."""
    a = np.radians(axis_deg)
    u = np.array([np.cos(a), -np.sin(a), 0.0])
    across, height = g @ u, g[:, 2]
    # beam . g = 0: tan t = height / across
    tilt = np.degrees(np.arctan2(height, across))
    tilt = np.where(tilt > 90, tilt - 180, np.where(tilt < -90, tilt + 180, tilt))
    return (tilt >= low) & (tilt <= high)


cases = []
for a, b, apart in [((-60, 60), (-60, 60), 90), ((-70, 70), (-70, 70), 90), ((-60, 60), (-60, 60), 60),
                    ((-60, 60), (-45, 50), 90), ((-65, 40), (-30, 70), 90), ((-65, 40), (-30, 70), 270),
                    ((-50, 62), (-50, 62), 180), ((10, 60), (-60, 5), 75), ((-60, 60), (0, 0), 90)]:
    hits = 0
    for _ in range(4):
        g = random.standard_normal((N // 4, 3))
        hits += int((~(seen(g, *a, 0.0) | seen(g, *b, apart))).sum())
    p = hits / N
    cases.append({"a_deg": a, "b_deg": b, "apart_deg": apart, "missing": p, "sd": float(np.sqrt(p * (1 - p) / N))})
print(json.dumps(cases, indent=1))
