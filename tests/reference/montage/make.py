"""A montage whose tiles lie at known places, by numpy alone: no code of the project takes part.

Run: python make.py   (numpy only; the version is written into truth.json)

2 x 2 tiles of 144 px with 32 px overlap at 5 tilts; every tile is cut out of one field at a place that is wrong by up to
half the overlap and by a fraction of a pixel (phase ramp in Fourier space), counted by a camera whose columns and pixels
differ in gain, at 6,000 to 9,000 counts. Tile (1, 1) is 8 % darker at all tilts.
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


def field(rng, size):
    """Texture whose amplitude falls with frequency, nothing above two fifths of a cycle a pixel."""
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]
    f = np.hypot(fx, fy)
    spectrum = np.fft.rfft2(rng.standard_normal((size, size))) * (f > 0.01) * (f < 0.4) / np.maximum(f, 0.01) ** 0.7
    image = np.fft.irfft2(spectrum, (size, size))
    return image / image.std()


def cut(image, x, y, n):
    """n x n pixels from (x, y), which need not be whole, of a periodic picture."""
    fy, fx = np.fft.fftfreq(image.shape[0])[:, None], np.fft.rfftfreq(image.shape[1])[None, :]
    moved = np.fft.irfft2(np.fft.rfft2(image) * np.exp(2j * np.pi * (fx * x + fy * y)), image.shape)
    return moved[:n, :n]


def main():
    rng = np.random.default_rng(20310420)
    n, overlap, gain = 144, 32, 40.0
    pitch, size = n - overlap, 384
    pattern = 1 + 0.02 * rng.standard_normal((n, n)) + 0.03 * rng.standard_normal((1, n))
    pages, rows, tilts = [], ["section,tilt_deg,tile_col,tile_row,acquired_at"], []
    for order, angle in enumerate([-30.0, -15.0, 0.0, 15.0, 30.0]):
        image = field(rng, size)
        mean = 6000 + 750 * order
        tiles = []
        for row in range(2):
            for col in range(2):
                off = rng.uniform(-7.5, 7.5, 2)
                x, y = pitch * col + off[0], pitch * row + off[1]
                darker = 0.92 if (col, row) == (1, 1) else 1.0
                part = darker * mean * np.clip(1 + 0.10 * cut(image, 60 + x, 60 + y, n), 0.05, None)
                counts = rng.poisson(part / gain) * gain * pattern + rng.normal(0, 15, part.shape)
                seconds = order * 60 + 9 * len(tiles)
                rows.append(f"{len(pages)},{angle:.1f},{col},{row},2031-04-20T10:{seconds // 60:02d}:{seconds % 60:02d}Z")
                pages.append(np.clip(np.round(counts), 0, 65535).astype(np.uint16))
                tiles.append({"col": col, "row": row, "place_x_px": x, "place_y_px": y})
        tilts.append({"tilt_deg": angle, "tiles": tiles})
    tiff(os.path.join(HERE, "stack.tif"), pages)
    with open(os.path.join(HERE, "sections.csv"), "w") as out:
        out.write("\n".join(rows) + "\n")
    with open(os.path.join(HERE, "series.toml"), "w") as out:
        out.write('title = "Outside check: montage"\nspecimen = "resin-section"\nstack = "stack.tif"\ntable = "sections.csv"\n'
                  '[camera]\npixel_nm = 0.7\n[montage]\ncols = 2\nrows = 2\noverlap_px = [32, 32]\n')
    with open(os.path.join(HERE, "truth.json"), "w") as out:
        json.dump({"numpy": np.__version__, "pitch_px": pitch, "darker": 0.92, "tilts": tilts}, out, indent=1)


if __name__ == "__main__":
    main()
