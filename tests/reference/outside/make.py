"""Writes small tilt series with known truth, by numpy alone: no code of the project takes part.

Run: python make.py   (numpy only; the version is written into each truth.json)

outside-resin       1 x 3 montage, 21 tilts from -60 to +60 degrees, regulated beam; planted: two tilts smeared over
                    12 px, one dim tilt, one tilt with a bar over 30 % of the frame, one with 2 % clipped pixels
outside-vitrified   one tile, 21 tilts, dose-symmetric, fixed beam, low counts; nothing planted
outside-flat, -droop, -bell, -plateau   tiny clean series: the four right shapes of counts against tilt, as MRC2014
"""

import json
import os
import struct

import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))


def tiff(path, pages):
    """Uncompressed little-endian TIFF 6.0, one strip a page, 16-bit unsigned."""
    with open(path, "wb") as out:
        out.write(b"II*\0" + struct.pack("<I", 8))
        offset = 8
        for at, page in enumerate(pages):
            height, width = page.shape
            entries = [(256, 4, width), (257, 4, height), (258, 3, 16), (259, 3, 1), (262, 3, 1),
                       (273, 4, offset + 2 + 9 * 12 + 4), (277, 3, 1), (278, 4, height), (279, 4, page.size * 2)]
            data = page.astype("<u2").tobytes()
            following = offset + 2 + 9 * 12 + 4 + len(data)
            out.write(struct.pack("<H", len(entries)))
            for tag, kind, value in entries:
                out.write(struct.pack("<HHII", tag, kind, 1, value))
            out.write(struct.pack("<I", following if at + 1 < len(pages) else 0))
            out.write(data)
            offset = following


def mrc(path, pages, angstrom):
    """MRC2014 (Cheng et al. 2015), mode 6, little-endian."""
    nz, (ny, nx) = len(pages), pages[0].shape
    header = bytearray(1024)
    struct.pack_into("<4i", header, 0, nx, ny, nz, 6)
    struct.pack_into("<3i", header, 28, nx, ny, 1)
    struct.pack_into("<3f", header, 40, nx * angstrom, ny * angstrom, angstrom)
    struct.pack_into("<3f", header, 52, 90, 90, 90)
    struct.pack_into("<3i", header, 64, 1, 2, 3)
    struct.pack_into("<i", header, 108, 20140)
    header[208:216] = b"MAP DD\0\0"
    with open(path, "wb") as out:
        out.write(header)
        for page in pages:
            out.write(page.astype("<u2").tobytes())


def texture(rng, shape, slope, rms):
    """Random texture whose amplitude falls as f to the power -slope, periodic over `shape`."""
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    f = np.hypot(fx, fy)
    f[0, 0] = 1.0
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) * f ** -slope
    spectrum[0, 0] = 0.0
    image = np.fft.irfft2(spectrum, shape)
    return image * rms / image.std()


def smear(image, px, degrees):
    """Motion by px along (cos, sin) of the angle during the exposure: sinc in Fourier space."""
    fy, fx = np.fft.fftfreq(image.shape[0])[:, None], np.fft.rfftfreq(image.shape[1])[None, :]
    along = fx * np.cos(np.radians(degrees)) + fy * np.sin(np.radians(degrees))
    return np.fft.irfft2(np.fft.rfft2(image) * np.sinc(along * px), image.shape)


def blobs(shape, rng, count):
    y, x = np.mgrid[:shape[0], :shape[1]]
    image = np.zeros(shape)
    for _ in range(count):
        cy, cx, s = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), rng.uniform(2, 9)
        image -= rng.uniform(0.05, 0.25) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * s * s))
    return image


def statistics(tiles, full_scale):
    values = np.concatenate([tile.ravel() for tile in tiles]).astype(float)
    return {"mean": values.mean(), "sd": values.std(), "min": values.min(), "max": values.max(),
            "median": float(np.median(values)),
            "low_percentile": float(np.quantile(values, 0.01)), "high_percentile": float(np.quantile(values, 0.99)), "saturated_fraction": float((values >= full_scale).mean()),
            "zero_fraction": float((values <= 0).mean())}


def coverage(angles, thickness_nm):
    alpha = np.radians((max(angles) - min(angles)) / 2)
    step = (max(angles) - min(angles)) / (len(angles) - 1)
    return {"elongation_factor": float(np.sqrt((alpha + np.sin(alpha) * np.cos(alpha)) / (alpha - np.sin(alpha) * np.cos(alpha)))),
            "missing_wedge_fraction": 1 - (max(angles) - min(angles)) / 180,
            "crowther_resolution_nm": float(thickness_nm * np.radians(step))}


def weight(resolution_nm, exposure):
    """Grant & Grigorieff 2015, eLife 4:e06980, equations 3 and 4, at 300 kV."""
    k = 0.1 / resolution_nm
    return float(np.exp(-exposure / (2 * (0.245 * k ** -1.665 + 2.81))))


def beams_over(centres, dose, diameter, size, points=1500):
    """Mean and largest dose of a field (width, height) over which round beams of one dose overlap; lengths in px."""
    x = (np.arange(points) + 0.5) / points * size[0]
    y = (np.arange(points) + 0.5) / points * size[1]
    received = sum(dose * (np.hypot(x[None, :] - cx, y[:, None] - cy) <= diameter / 2) for cx, cy in centres)
    return {"mean": float(received.mean()), "largest": float(received.max())}


def save(folder, sheet, rows, truth):
    with open(os.path.join(folder, "series.toml"), "w") as out:
        out.write(sheet)
    with open(os.path.join(folder, "sections.csv"), "w") as out:
        out.write("\n".join(rows) + "\n")
    truth["numpy"] = np.__version__
    with open(os.path.join(folder, "truth.json"), "w") as out:
        json.dump(truth, out, indent=1)


def resin():
    rng = np.random.default_rng(20310417)
    n, overlap, gain, full = 192, 40, 40.0, 16383
    pitch = n - overlap
    shape = (2 * pitch + n, n)
    angles = [float(a) for a in range(-60, 61, 6)]
    dim, bar, clipped, drifted = 24.0, 60.0, -42.0, {-18.0: 40.0, 36.0: 130.0}
    fixed = blobs(shape, rng, 60)
    folder = os.path.join(HERE, "outside-resin")
    os.makedirs(folder, exist_ok=True)
    pages, rows, tilts, before = [], ["section,tilt_deg,tile_col,tile_row,acquired_at,exposure_s,dose_e_per_A2"], [], 1800.0
    for order, angle in enumerate(angles):
        path = 1 / np.cos(np.radians(angle))
        dose = round(9.0 * float(np.exp(0.6 * (path - 1))), 4)
        image = 1 + fixed + texture(rng, shape, 0.9, 0.10)
        if angle in drifted:
            image = smear(image, 12.0, drifted[angle])
        field = 6200 * image * (0.2 if angle == dim else 1.0)
        x = np.arange(shape[1])[None, :]
        dark = np.zeros(shape, bool)
        if angle == bar:
            dark = np.broadcast_to(x >= shape[1] * 0.7, shape)
            field = np.where(dark, 40.0, field)
        tiles = []
        for row in range(3):
            part = np.clip(field[row * pitch:row * pitch + n], 1, None)
            counts = rng.poisson(part / gain) * gain + rng.integers(0, int(gain), part.shape)
            if angle == clipped:
                # Two in a hundred pixels, here and there, are driven over full scale.
                counts = np.where(rng.random(part.shape) < 0.02, full + 1, counts)
            tiles.append(np.clip(np.round(counts), 0, full).astype(np.uint16))
            seconds = order * 60 + row * 10
            rows.append(f"{len(pages)},{angle:.2f},0,{row},2031-04-17T10:{seconds // 60:02d}:{seconds % 60:02d}Z,1.0,{dose}")
            pages.append(tiles[-1])
        tilt = {"tilt_deg": angle, "order": order, "counts": statistics(tiles, full), "dark_area_fraction": float(dark.mean()),
                "this_e_per_A2": dose, "before_e_per_A2": before, "after_e_per_A2": before + dose,
                "drift_direction_deg": drifted.get(angle), "drift_px": 12.0 if angle in drifted else 0.0}
        before += dose
        tilts.append(tilt)
    tiff(os.path.join(folder, "stack.tif"), pages)
    sheet = """title = "Outside check: resin"
specimen = "resin-section"
stack = "stack.tif"
table = "sections.csv"
session = "outside"
[instrument]
kv = 300.0
[camera]
pixel_nm = 0.7
full_scale_counts = 16383
counts_per_electron = 40.0
[specimen_facts]
thickness_nm = 120
[dose]
pre_exposure_e_per_A2 = 1800.0
beam = "regulated"
[montage]
cols = 1
rows = 3
overlap_px = [0, 40]
[targets]
mean_counts = 6200
setup_mean_counts = 12400
"""
    save(folder, sheet, rows, {"tilts": tilts, "coverage": coverage(angles, 120), "exclude_tilts_deg": sorted([dim, bar, clipped, *drifted]),
                               "flags": {"24.0": "counts_target", "60.0": "dark_area", "-42.0": "saturation",
                                         "-18.0": "directional_blur", "36.0": "directional_blur"},
                               "answer": "reconstruct-without",
                               # Were the beam 0.2 um wide, 285.7 px of 0.7 nm:
                               "beam_diameter_um": 0.2,
                               "beams": [beams_over([(n / 2, n / 2 + row * pitch) for row in range(3)],
                                                    tilt["this_e_per_A2"], 0.2 / 0.7e-3, (n, 2 * pitch + n))
                                         for tilt in tilts]})


def vitrified():
    rng = np.random.default_rng(7)
    n, gain = 256, 10.0
    order = [0.0]
    for step in range(1, 11):
        order += [6.0 * step, -6.0 * step] if step % 2 else [-6.0 * step, 6.0 * step]
    fixed = blobs((n, n), rng, 30) * 3.0
    folder = os.path.join(HERE, "outside-vitrified")
    os.makedirs(folder, exist_ok=True)
    pages, rows, tilts, before = [], ["section,tilt_deg,acquired_at,dose_e_per_A2"], [], 0.0
    for at, angle in enumerate(order):
        mean = 200 * np.exp(-0.4 * (1 / np.cos(np.radians(angle)) - 1))
        image = np.clip(mean * (1 + fixed + texture(rng, (n, n), 0.9, 0.12)), 0, None)
        page = (rng.poisson(image / gain) * gain).astype(np.uint16)
        rows.append(f"{at},{angle:.2f},2031-04-18T09:{at:02d}:00Z,3.0")
        tilts.append({"tilt_deg": angle, "order": at, "counts": statistics([page], 65535), "this_e_per_A2": 3.0,
                      "before_e_per_A2": before, "after_e_per_A2": before + 3.0,
                      "weights": {str(r): weight(r, before + 1.5) for r in (0.3, 1.0, 5.0)},
                      "weight_at_nyquist": weight(0.8, before + 1.5)})
        before += 3.0
        pages.append(page)
    tiff(os.path.join(folder, "stack.tif"), pages)
    sheet = """title = "Outside check: vitrified"
specimen = "vitrified"
stack = "stack.tif"
table = "sections.csv"
[instrument]
kv = 300.0
[camera]
pixel_nm = 0.4
counts_per_electron = 10.0
[specimen_facts]
thickness_nm = 150
[dose]
pre_exposure_e_per_A2 = 0.0
beam = "fixed"
"""
    tilts.sort(key=lambda tilt: tilt["tilt_deg"])
    save(folder, sheet, rows, {"tilts": tilts, "coverage": coverage(order, 150), "exclude_tilts_deg": [], "answer": "reconstruct",
                               "scheme": "dose-symmetric"})


def shapes():
    angles = [float(a) for a in range(-60, 61, 4)]
    path = 1 / np.cos(np.radians(angles))
    through = np.exp(-0.7 * (path - 1))
    for seed, (name, relative) in enumerate({"flat": np.ones(len(angles)), "droop": np.minimum(1, 1.4 * through),
                                             "bell": through, "plateau": np.maximum(1, 1.3 * through)}.items()):
        rng = np.random.default_rng(seed)
        folder = os.path.join(HERE, "outside-" + name)
        os.makedirs(folder, exist_ok=True)
        pages = [(rng.poisson(150 * r * (1 + texture(rng, (64, 64), 0.9, 0.1)).clip(0)) * 40).astype(np.uint16) for r in relative]
        mrc(os.path.join(folder, "stack.mrc"), pages, 8.0)
        with open(os.path.join(folder, "angles.txt"), "w") as out:
            out.write("\n".join(f"{a:.1f}" for a in angles) + "\n")
        with open(os.path.join(folder, "truth.json"), "w") as out:
            json.dump({"numpy": np.__version__, "means": [float(p.mean()) for p in pages], "pixel_nm": 0.8}, out)


if __name__ == "__main__":
    resin()
    vitrified()
    shapes()
