"""Tilt series of a structured slab, in numpy and scipy alone: python3 slab.py NAME [SEED [FOLDER]]

Shares no code with tiltworth and differs from its simulator where that is easy: structures are strong, three-dimensional
and lie along one direction (bundles of filaments, a folded sheet, vesicles, granules); the grain that carries the rings
is new at every tilt and lies in layers, so that the slab's thickness dims the fine rings; counting noise is white; the
underfocus grows by tan(t + pretilt) a unit of picture along the perpendicular direction. Before anything is fitted
`truth.json` says how far each ring stands out of the noise and how well underfocus can be known at best (Cramér and
Rao, all else known, every pixel counted in full).
"""

import json
import pathlib
import sys

import numpy as np
import scipy.fft
import tifffile

KINDS = {
    # Low dose, fine pixels, one picture a tilt.
    "ice": dict(size=(960, 960), pixel=0.36, electrons=2.4, loss=0.5, gain=10.0, defocus=3.8, scatter=0.08,
                astigmatism=(0.05, 20.0), axis=-11.0, thickness=120.0, grain=0.065, envelope=0.55, structures=1.0,
                kv=300.0, cs=2.7, contrast=0.07, specimen="vitrified", step=6.0),
    "ice-fine": dict(size=(1024, 1024), pixel=0.22, electrons=3.0, loss=0.5, gain=20.0, defocus=2.2, scatter=0.06,
                     astigmatism=(0.12, 140.0), axis=84.0, thickness=80.0, grain=0.13, envelope=0.35, structures=0.8,
                     kv=300.0, cs=2.7, contrast=0.07, specimen="vitrified", step=10.0),
    "ice-200": dict(size=(1024, 768), pixel=0.45, electrons=3.0, loss=0.6, gain=10.0, defocus=3.0, scatter=0.1,
                    astigmatism=(0.2, 75.0), axis=3.0, thickness=100.0, grain=0.07, envelope=0.6, structures=1.0,
                    kv=200.0, cs=2.0, contrast=0.07, specimen="vitrified", step=10.0),
    # A stained section, coarse pixels, few rings, a strip of three tiles.
    "resin": dict(size=(512, 512), tiles=3, overlap=96, pixel=0.7, electrons=12.0, loss=0.65, gain=40.0, defocus=3.2,
                  scatter=0.05, astigmatism=(0.05, 60.0), axis=2.5, thickness=90.0, grain=0.03, envelope=0.9,
                  structures=1.2, kv=300.0, cs=2.7, contrast=0.1, specimen="resin-section", step=6.0, regulated=True),
    "resin-wide": dict(size=(1024, 1024), pixel=0.8, electrons=10.0, loss=0.65, gain=40.0, defocus=4.5, scatter=0.1,
                       astigmatism=(0.15, 100.0), axis=92.0, thickness=90.0, grain=0.04, envelope=1.0, structures=1.2,
                       kv=300.0, cs=2.7, contrast=0.2, specimen="resin-section", step=10.0, regulated=True,
                       pretilt=4.0),
    # One small picture a tilt for the committed set.
    "small": dict(size=(512, 512), pixel=0.5, electrons=6.0, loss=0.5, gain=4.0, defocus=3.0, scatter=0.1,
                  astigmatism=(0.12, 30.0), axis=15.0, thickness=80.0, grain=0.08, envelope=0.7, structures=1.0,
                  kv=300.0, cs=2.7, contrast=0.07, specimen="vitrified", angles=[-60, -45, -30, -15, 0, 15, 30, 45, 60]),
}
LAYERS = 3
PAD = 64


def wavelength_nm(kv):
    e, c, h, m = 1.602176634e-19, 299792458.0, 6.62607015e-34, 9.1093837139e-31
    energy = e * kv * 1e3
    return h / np.sqrt(2 * m * energy * (1 + energy / (2 * m * c * c))) * 1e9


def points(rng, k, wide_nm, high_nm):
    """Points (x, y, z in nm from the middle; weight) and the width of their blur, by kind of structure."""
    area = wide_nm * high_nm * 1e-6
    thick = k["thickness"]
    sets = []

    def fill(count, spread):
        return [rng.uniform(-0.5 * s, 0.5 * s, count) for s in spread]

    # Bundles of filaments near one direction.
    xs, ys, zs = [], [], []
    for _ in range(max(3, int(25 * area))):
        cx, cy, cz = (v[0] for v in fill(1, (wide_nm, high_nm, 0.8 * thick)))
        angle = np.deg2rad(35.0 + 12.0 * rng.standard_normal())
        t = rng.uniform(-600.0, 600.0, 2400)
        xs.append(cx + t * np.cos(angle)); ys.append(cy + t * np.sin(angle)); zs.append(cz + 0.02 * t)
    sets.append((np.concatenate(xs), np.concatenate(ys), np.concatenate(zs), 0.9, 4.0))
    # A sheet that waves through the slab.
    n = int(9e4 * max(area, 0.05))
    x, y, z = fill(n, (wide_nm, high_nm, thick))
    sets.append((x, 0.08 * high_nm * np.sin(x / 90.0) + 6.0 * z / thick * 6, z, 0.5, 3.0))
    # Vesicles.
    xs, ys, zs = [], [], []
    for _ in range(int(18 * area) + 2):
        cx, cy, _ = (v[0] for v in fill(1, (wide_nm, high_nm, thick)))
        v = rng.standard_normal((3, 4000)); v /= np.linalg.norm(v, axis=0)
        r = rng.uniform(15.0, min(45.0, 0.45 * thick))
        xs.append(cx + r * v[0]); ys.append(cy + r * v[1]); zs.append(r * v[2])
    sets.append((np.concatenate(xs), np.concatenate(ys), np.concatenate(zs), 0.35, 3.0))
    # Granules.
    n = int(350 * area) + 4
    x, y, z = fill(n, (wide_nm, high_nm, thick))
    sets.append((x, y, z, 60.0, 6.0))
    return sets


def make(k, seed):
    rng = np.random.default_rng(seed)
    lam = wavelength_nm(k["kv"])
    width, height = k["size"]
    tiles = k.get("tiles", 1)
    tall = tiles * height - (tiles - 1) * k.get("overlap", 0)
    w, h = scipy.fft.next_fast_len(width + 2 * PAD, True), scipy.fft.next_fast_len(tall + 2 * PAD, True)
    p, a = k["pixel"], np.deg2rad(k["axis"])
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    xs -= PAD + 0.5 * (width - 1)
    ys -= PAD + 0.5 * (tall - 1)
    u_um = (xs * np.cos(a) - ys * np.sin(a)) * (p * 1e-3)
    gx, gy = np.meshgrid(scipy.fft.rfftfreq(w, p), scipy.fft.fftfreq(h, p))
    g2 = (gx * gx + gy * gy).astype(np.float32)
    twice = np.cos(2 * (np.arctan2(gy, gx) - np.deg2rad(k["astigmatism"][1]))).astype(np.float32)
    envelope = np.exp(-g2 * k["envelope"] ** 2).astype(np.float32)
    cloud = points(rng, k, w * p, h * p)
    angles = np.array(k["angles"]) if "angles" in k else np.arange(-60, 60.1, k["step"])
    images, truth, rows = [], [], []
    for deg in angles:
        t = np.deg2rad(deg + k.get("pretilt", 0.0))
        defocus = k["defocus"] + k["scatter"] * rng.standard_normal()
        phase = np.zeros((h, w), np.float32)
        spectrum = 0
        for x, y, z, weight, blur in cloud:
            u = x * np.cos(a) - y * np.sin(a)
            v = x * np.sin(a) + y * np.cos(a)
            u = u * np.cos(t) + z * np.sin(t)
            px = np.round((u * np.cos(a) + v * np.sin(a)) / p + 0.5 * w).astype(int)
            py = np.round((-u * np.sin(a) + v * np.cos(a)) / p + 0.5 * h).astype(int)
            inside = (px >= 0) & (px < w) & (py >= 0) & (py < h)
            hits = np.bincount(py[inside] * w + px[inside], minlength=w * h).reshape(h, w)
            spectrum = spectrum + scipy.fft.rfft2(hits.astype(np.float32)) * (
                1.0 * k["structures"] * weight / p**2 * np.exp(-2 * (np.pi * blur) ** 2 * g2 / 2))
        depth = scipy.fft.irfft2(spectrum, (h, w))
        path = 1 / np.cos(t)
        half_um = 0.5 * k["thickness"] * path * 1e-3
        layers = (np.arange(LAYERS) - 0.5 * (LAYERS - 1)) * 2 * half_um / LAYERS
        here = np.tan(t) * u_um
        reach = float(np.abs(here).max()) + half_um
        finest = 0.5 / (np.pi * lam * (0.5 / p) ** 2) * 1e-3
        levels = np.linspace(-reach, reach, max(2, int(2 * reach / finest) + 2)) if deg else np.array([-reach, reach])
        sigma = k["grain"] * np.sqrt(path / LAYERS)
        grains = [scipy.fft.rfft2(sigma * rng.standard_normal((h, w), dtype=np.float32)) for _ in layers]
        grains[LAYERS // 2] = grains[LAYERS // 2] + 0.5 * spectrum
        for grain, off in zip(grains, layers):
            place = (here + off - levels[0]) / (levels[1] - levels[0])
            for i, level in enumerate(levels):
                share = np.clip(1 - np.abs(place - i), 0, None)
                if deg == 0:
                    if i:
                        break
                    share, level = 1.0, off
                along = 1e3 * (defocus + level + 0.5 * k["astigmatism"][0] * twice)
                chi = np.pi * lam * g2 * (along - 0.5 * lam**2 * g2 * k["cs"] * 1e6) + np.arcsin(k["contrast"])
                phase += share * scipy.fft.irfft2(grain * (-np.sin(chi) * envelope), (h, w))
        image = np.exp(-0.5 * depth) * np.clip(1 + phase, 0.02, None)
        inside = np.s_[PAD:PAD + tall, PAD:PAD + width]
        image /= image[inside].mean()
        beam = np.exp(k["loss"] * (path - 1)) if k.get("regulated") else 1.0
        electrons = k["electrons"] * beam * np.exp(-k["loss"] * path) * 100 * p * p
        tile_truth = []
        for tile in range(tiles):
            top = tile * (height - k.get("overlap", 0))
            mean = electrons * image[PAD + top:PAD + top + height, PAD:PAD + width]
            images.append(np.clip(np.round(rng.poisson(mean) * k["gain"]), 0, 65535).astype(np.uint16))
            away = (top + 0.5 * height - 0.5 * tall) * p * 1e-3 * -np.sin(a) * np.tan(t)
            tile_truth.append(defocus + float(away))
            rows.append((len(rows), deg, tile, k["defocus"]))
        worth = bound(k, lam, t, defocus, electrons, width * tall, path)
        truth.append(dict(tilt_deg=float(deg), defocus_um=float(defocus), astigmatism_um=k["astigmatism"][0],
                          astigmatism_deg=k["astigmatism"][1], tiles_um=tile_truth, **worth))
    return images, rows, truth


def bound(k, lam, t, defocus, electrons, pixels, path):
    """Rings in standard deviations of the noise, and the bound of underfocus, for strips in which it is even."""
    p = k["pixel"]
    g = np.linspace(0.02, 0.48, 600) / p
    counts = 2 * np.pi * g * (g[1] - g[0]) * pixels * p * p / 2
    envelope = np.exp(-2 * (g * k["envelope"]) ** 2)
    half = 0.5 * k["thickness"] * path
    thin = np.sinc(2 * lam * g * g * half)
    chi = np.pi * lam * g * g * (1e3 * defocus - 0.5 * lam**2 * g * g * k["cs"] * 1e6) + np.arcsin(k["contrast"])
    grain = electrons * k["grain"] ** 2 * path * envelope
    power = 1 + 0.5 * grain * (1 - thin * np.cos(2 * chi))
    swing = 0.5 * grain * thin * np.cos(2 * chi) / power
    slope = 0.5 * grain * thin * np.sin(2 * chi) * 2 * np.pi * lam * g * g * 1e3 / power
    ring = np.maximum(chi / np.pi, 0).astype(int)
    rings = [float(np.sqrt((counts * swing**2)[ring == i].sum())) for i in range(ring.max() + 1)]
    return dict(ring_sigmas=[round(r, 2) for r in rings], measurable=sum(r >= 5 for r in rings) >= 2,
                defocus_bound_um=float((counts * slope**2).sum() ** -0.5))


def write(folder, name, k, images, rows, truth, compression=None):
    folder.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(folder / "stack.tif", np.stack(images), photometric="minisblack",
                     **(dict(compression="zlib", predictor=True) if compression else {}))
    tiles = k.get("tiles", 1)
    montage = f'[montage]\ncols = 1\nrows = {tiles}\noverlap_px = [0, {k["overlap"]}]\n' if tiles > 1 else ""
    (folder / "series.toml").write_text(
        f'title = "{name}"\nspecimen = "{k["specimen"]}"\nstack = "stack.tif"\ntable = "sections.csv"\n'
        f'series_id = "{name}"\n[instrument]\nkv = {k["kv"]}\ncs_mm = {k["cs"]}\n'
        f'amplitude_contrast = {k["contrast"]}\n[camera]\npixel_nm = {k["pixel"]}\nfull_scale_counts = 65535\n'
        f'counts_per_electron = {k["gain"]}\n[tilt]\naxis_deg = {k["axis"]}\n{montage}')
    (folder / "sections.csv").write_text("section,tilt_deg,tile_col,tile_row,wanted_defocus_um\n" + "".join(
        f"{i},{deg},0,{tile},{wanted}\n" for i, deg, tile, wanted in rows))
    (folder / "truth.json").write_text(json.dumps(
        {"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}", "tilts": truth}, indent=1) + "\n")


if __name__ == "__main__":
    name = sys.argv[1]
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    where = pathlib.Path(sys.argv[3]) if len(sys.argv) > 3 else pathlib.Path(__file__).parent / "slab"
    write(where, name, KINDS[name], *make(KINDS[name], seed), compression=name == "small")
