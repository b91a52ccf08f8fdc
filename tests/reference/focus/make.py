"""Images of known focus that share no code with tiltworth: python3 make.py

Needs numpy 2, tifffile, imagecodecs, and for the first set abTEM 1.0.11 (Madsen & Susi 2021, Open Research Europe
1:24). Writes into this folder:

abtem/   exit waves of a random thin object, imaged by abTEM's own contrast transfer, with counting noise
tilted/  images of a tilted slab, in numpy alone: each of many underfocuses is imaged as a whole, and each pixel is
         interpolated between the two next to its own underfocus
"""

import json
import pathlib

import numpy as np
import tifffile

HERE = pathlib.Path(__file__).parent
SIZE = 512


def write(name, sheet, rows, images, truth):
    folder = HERE / name
    folder.mkdir(exist_ok=True)
    tifffile.imwrite(folder / "stack.tif", np.stack(images).astype(np.uint16), compression="zlib", predictor=True,
                     photometric="minisblack")
    (folder / "series.toml").write_text(sheet)
    (folder / "sections.csv").write_text("section,tilt_deg,wanted_defocus_um\n" + "".join(
        f"{i},{deg},{wanted}\n" for i, (deg, wanted) in enumerate(rows)))
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


def sheet(title, kv, cs_mm, contrast, pixel_nm, axis_deg):
    return (f'title = "{title}"\nspecimen = "vitrified"\nstack = "stack.tif"\ntable = "sections.csv"\n'
            f'series_id = "{title}"\n[instrument]\nkv = {kv}\ncs_mm = {cs_mm}\namplitude_contrast = {contrast}\n'
            f'[camera]\npixel_nm = {pixel_nm}\nfull_scale_counts = 65535\n[tilt]\naxis_deg = {axis_deg}\n')


def abtem_set():
    import abtem

    kv, cs_mm, contrast, pixel_nm = 300.0, 2.7, 0.07, 0.2
    rng = np.random.default_rng(7)
    # Underfocus (µm), astigmatism (µm), azimuth of the largest underfocus (degrees).
    cases = [(1.2, 0.0, 0.0), (1.8, 0.12, 20.0), (0.8, 0.2, 75.0), (2.4, 0.3, 140.0), (1.0, 0.15, 100.0)]
    images, truth, rows = [], [], []
    for i, (defocus, astigmatism, azimuth) in enumerate(cases):
        v = 0.12 * rng.standard_normal((SIZE, SIZE))
        wave = np.exp((1j * np.sqrt(1 - contrast**2) - contrast) * v).astype(np.complex64)
        waves = abtem.Waves(wave, energy=kv * 1e3, sampling=10 * pixel_nm)
        # abTEM: χ ∝ ½α²(C10 + C12 cos 2(φ - φ12)), underfocus = -C10; so it is largest at φ12 + 90° for C12 > 0.
        ctf = abtem.CTF(energy=kv * 1e3, defocus=defocus * 1e4, Cs=cs_mm * 1e7,
                        astigmatism=0.5 * astigmatism * 1e4, astigmatism_angle=np.deg2rad(azimuth - 90.0),
                        semiangle_cutoff=200)
        image = np.asarray(waves.apply_ctf(ctf).intensity().compute().array, dtype=float)
        image = image.T  # abTEM's first axis is x
        images.append(rng.poisson(60.0 * image / image.mean()))
        rows.append((0.5 * i - 1.0, defocus))
        truth.append({"tilt_deg": rows[-1][0], "defocus_um": defocus, "astigmatism_um": astigmatism,
                      "astigmatism_deg": azimuth})
    write("abtem", sheet("abtem", kv, cs_mm, contrast, pixel_nm, 0.0), rows, images,
          {"made_with": f"abTEM {abtem.__version__}, numpy {np.__version__}", "tilts": truth})


def transfer(kv, cs_mm, contrast, pixel_nm, size, defocus_um, astigmatism_um, azimuth_deg):
    e, c, h, m = 1.602176634e-19, 299792458.0, 6.62607015e-34, 9.1093837139e-31
    energy = e * kv * 1e3
    wavelength = h / np.sqrt(2 * m * energy * (1 + energy / (2 * m * c * c))) * 1e9
    fy, fx = np.meshgrid(np.fft.fftfreq(size, pixel_nm), np.fft.fftfreq(size, pixel_nm), indexing="ij")
    g2 = fx * fx + fy * fy
    along = 1e3 * (defocus_um + 0.5 * astigmatism_um * np.cos(2 * (np.arctan2(fy, fx) - np.deg2rad(azimuth_deg))))
    chi = np.pi * wavelength * g2 * (along - 0.5 * wavelength**2 * g2 * cs_mm * 1e6)
    return -np.sin(chi + np.arcsin(contrast)) * np.exp(-g2 * 0.5**2)


def tilted_set():
    kv, cs_mm, contrast, pixel_nm, axis_deg = 300.0, 2.7, 0.07, 0.5, 23.0
    rng = np.random.default_rng(11)
    pad = 640
    images, truth, rows = [], [], []
    ys, xs = np.mgrid[:pad, :pad] - (pad - 1) / 2
    a = np.deg2rad(axis_deg)
    u_um = (xs * np.cos(a) - ys * np.sin(a)) * pixel_nm * 1e-3
    for deg in (-60.0, -45.0, 0.0, 30.0, 60.0):
        defocus = 3.0 + 0.1 * rng.standard_normal()
        spectrum = np.fft.fft2(0.2 * rng.standard_normal((pad, pad)))
        here = np.tan(np.deg2rad(deg)) * u_um
        levels = np.linspace(here.min(), here.max(), 1 if deg == 0 else 61)
        planes = [np.fft.ifft2(spectrum * transfer(kv, cs_mm, contrast, pixel_nm, pad, defocus + d, 0.1, 50.0)).real
                  for d in levels]
        if deg == 0:
            image = planes[0]
        else:
            place = (here - levels[0]) / (levels[1] - levels[0])
            below = np.clip(place.astype(int), 0, len(levels) - 2)
            part = place - below
            stack = np.stack(planes)
            rows_, cols_ = np.mgrid[:pad, :pad]
            image = stack[below, rows_, cols_] * (1 - part) + stack[below + 1, rows_, cols_] * part
        cut = slice((pad - SIZE) // 2, (pad + SIZE) // 2)
        images.append(rng.poisson(np.clip(125.0 * (1 + image[cut, cut]), 0, None)))
        rows.append((deg, 3.0))
        truth.append({"tilt_deg": deg, "defocus_um": defocus, "astigmatism_um": 0.1, "astigmatism_deg": 50.0})
    write("tilted", sheet("tilted", kv, cs_mm, contrast, pixel_nm, axis_deg), rows, images,
          {"made_with": f"numpy {np.__version__}", "tilts": truth})


if __name__ == "__main__":
    abtem_set()
    tilted_set()
