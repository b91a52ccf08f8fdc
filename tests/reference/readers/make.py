"""Write small image-stack files for reader tests, and expected.json beside them.

Usage: python make.py          (needs numpy, tifffile, imagecodecs, mrcfile)

Every file goes into the folder of this script. Values come from numpy
generators seeded by the file's name, so a second run gives the same pixels.
After writing, every file is read back and compared bit for bit.
"""

import hashlib
import io
import itertools
import json
import zlib
from pathlib import Path

import imagecodecs
import mrcfile
import numpy as np
import tifffile

HERE = Path(__file__).resolve().parent
DTYPES = {"u8": "u1", "i8": "i1", "u16": "u2", "i16": "i2",
          "u32": "u4", "i32": "i4", "f16": "f2", "f32": "f4"}
# Name in the file name -> value of TIFF tag 259.
CODECS = {"none": 1, "lzw": 5, "deflate8": 8, "deflate32946": 32946,
          "packbits": 32773, "zstd": 50000}
ORDERS = {"le": "<", "be": ">"}
LAYOUTS = ("strip", "tile16", "tile32")
PLAIN_COUNT = 52
ROWS_PER_STRIP = 8
# Largest edge for each item size: keeps a file to a few KB.
MAX_EDGE = {1: 59, 2: 49, 4: 39}
PIXEL_NM = 0.68


def rng_for(name):
    """Generator seeded by the file name alone."""
    return np.random.default_rng(zlib.crc32(name.encode("ascii")))


def draw(rng, count, dtype):
    """`count` values over the whole range of an integer type; floats: normal x 1e3."""
    if dtype.kind == "f":
        return (rng.standard_normal(count) * 1e3).astype(dtype)
    info = np.iinfo(dtype)
    return rng.integers(info.min, info.max, count, dtype=dtype, endpoint=True)


def make_pages(name, code, pages=None):
    """Native-order array [page, row, column] with odd edges from 21 px up.

    Three quarters of a page is noise. The middle quarter of the rows repeats
    each drawn value over a run, since noise alone never makes a run-length or
    dictionary coder write anything but literals. Integer pages also hold the
    two ends of their type's range.
    """
    rng, dtype = rng_for(name), np.dtype(DTYPES[code])
    edges = np.arange(21, MAX_EDGE[dtype.itemsize] + 1, 2)
    height, width = rng.choice(edges, 2, replace=False)  # never square
    pages = int(pages or rng.integers(1, 4))
    stack = draw(rng, pages * height * width, dtype).reshape(pages, height, width)
    top, bottom = 3 * height // 8, 5 * height // 8
    for page in stack:
        need = (bottom - top) * width
        runs = np.repeat(draw(rng, need, dtype), rng.integers(2, 30, need))
        page[top:bottom] = runs[:need].reshape(bottom - top, width)
        if dtype.kind != "f":
            page[0, 0], page[-1, -1] = np.iinfo(dtype).min, np.iinfo(dtype).max
    return stack


def hashes(stack, dtype):
    """SHA-256 of each page as little-endian C-order bytes of `dtype`."""
    little = np.dtype(dtype).newbyteorder("<")
    return [hashlib.sha256(np.ascontiguousarray(p, little).tobytes()).hexdigest()
            for p in stack]


def entry(kind, code, stack, pixel_nm=None, **more):
    """One record of expected.json for a file that must be read."""
    record = {"kind": kind, "pages": len(stack),
              "shape": [int(n) for n in stack.shape[1:3]], "dtype": code,
              "sha256": hashes(stack, DTYPES[code]), "pixel_nm": pixel_nm,
              "refused": False}
    if code == "f16":
        record["sha256_f32"] = hashes(stack, "f4")
    return record | more


def predictor_value(code, codec, wanted):
    """TIFF tag 317: 1 none, 2 horizontal differences, 3 floating point."""
    if not wanted or codec in ("none", "packbits"):
        return 1
    return 3 if code.startswith("f") else 2


def write_tiff(name, code, order, codec, layout, predict, *, bigtiff=False,
               white=False, pages=None):
    """Write one greyscale TIFF page by page and return its record."""
    stack = make_pages(name, code, pages)
    predictor = predictor_value(code, codec, predict)
    how = {"compression": None if codec == "none" else CODECS[codec],
           "predictor": None if predictor == 1 else predictor,
           "photometric": "miniswhite" if white else "minisblack"}
    if layout == "strip":
        # Even, so an odd height always leaves a short last strip.
        how["rowsperstrip"] = ROWS_PER_STRIP
    else:
        how["tile"] = (int(layout[4:]),) * 2
    with tifffile.TiffWriter(HERE / name, bigtiff=bigtiff,
                             byteorder=ORDERS[order]) as out:
        for page in stack:
            out.write(page, metadata=None, software=False, **how)
    return entry("tiff", code, stack, byte_order=order, bigtiff=bigtiff,
                 compression=CODECS[codec], layout=layout, predictor=predictor,
                 white_is_zero=white), stack


def choose_plain():
    """Greedy cover: all pairs of settings first, then as many triples as fit.

    Pairs that matter (such as tiles with LZW, or a predictor with big-endian
    data) all occur, at a tenth of the files of the whole product.
    """
    codes = [c for c in DTYPES if c != "f16"]
    rows = [r for r in itertools.product(codes, ORDERS, CODECS, LAYOUTS, (False, True))
            if not (r[4] and r[2] in ("none", "packbits"))]

    def parts(row, size):
        return set(itertools.combinations(enumerate(row), size))

    missing = {n: set().union(*(parts(r, n) for r in rows)) for n in (2, 3)}
    chosen = []
    while len(chosen) < PLAIN_COUNT:
        best = max((r for r in rows if r not in chosen),
                   key=lambda r: tuple(len(parts(r, n) & missing[n]) for n in (2, 3)))
        chosen.append(best)
        for n in missing:
            missing[n] -= parts(best, n)
    assert not missing[2], f"pairs not covered: {sorted(map(str, missing[2]))}"
    return sorted(chosen, key=lambda r: (codes.index(r[0]), r[1] != "le",
                                         list(CODECS).index(r[2]), r[3], r[4]))


def tiff_name(prefix, code, order, codec, layout, predict):
    tail = f"_p{predictor_value(code, codec, predict)}"
    return f"{prefix}_{code}_{order}_{codec}_{layout}{tail if predict else ''}.tif"


def all_tiffs():
    """(record, native stack) of each greyscale TIFF without OME metadata."""
    jobs = [("tiff", row, {}) for row in choose_plain()]
    jobs.append(("tiff", ("f16", "le", "deflate8", "tile16", True), {}))
    jobs += [("big", row, {"bigtiff": True}) for row in (
        ("u16", "le", "lzw", "tile32", True), ("u16", "be", "none", "strip", False),
        ("f32", "le", "zstd", "strip", True), ("i32", "be", "deflate8", "tile16", True))]
    jobs += [("white", row, {"white": True}) for row in (
        ("u8", "le", "none", "strip", False), ("u16", "be", "lzw", "tile16", True),
        ("i16", "le", "deflate8", "strip", True), ("f32", "be", "none", "tile32", False))]
    made = {}
    for prefix, row, more in jobs:
        name = tiff_name(prefix, *row)
        assert name not in made, name
        made[name] = write_tiff(name, *row, **more)
    return made


def refused_record(code, page, reason, photometric):
    """A file that must be refused: no page hash, since nothing is read."""
    return {"kind": "tiff", "pages": 1, "shape": [int(n) for n in page.shape[:2]],
            "dtype": code, "sha256": [], "pixel_nm": None, "refused": True,
            "reason": reason, "photometric": photometric}


def all_refused():
    """An RGB file and a palette file."""
    made = {}
    rgb = np.moveaxis(make_pages("refuse_rgb_u8.tif", "u8", 3), 0, -1)
    tifffile.imwrite(HERE / "refuse_rgb_u8.tif", rgb, photometric="rgb",
                     planarconfig="contig", metadata=None, software=False)
    made["refuse_rgb_u8.tif"] = (refused_record("u8", rgb, "three samples a pixel", 2), rgb)
    name = "refuse_palette_u8.tif"
    page = make_pages(name, "u8", 1)[0]
    colours = rng_for(name + " colours").integers(0, 65536, (3, 256)).astype("u2")
    tifffile.imwrite(HERE / name, page, photometric="palette", colormap=colours,
                     metadata=None, software=False)
    made[name] = (refused_record("u8", page, "values are indices into a colour table", 3), page)
    return made


def all_ome():
    """OME-TIFF, the same 0.68 nm pixel given in three ways."""
    cases = (("ome_nm_u16.ome.tif", "u16", "<", 0.68, "nm"),
             ("ome_angstrom_f32.ome.tif", "f32", ">", 6.8, "\u00c5"),
             ("ome_nounit_i16.ome.tif", "i16", "<", 0.00068, None))
    made = {}
    for name, code, order, size, unit in cases:
        stack = make_pages(name, code, 3)
        # A fixed UUID, as a random one would change the file on every run.
        meta = {"axes": "ZYX", "PhysicalSizeX": size, "PhysicalSizeY": size,
                "UUID": f"urn:uuid:00000000-0000-4000-8000-{zlib.crc32(name.encode()):012x}"}
        if unit:
            meta |= {"PhysicalSizeXUnit": unit, "PhysicalSizeYUnit": unit}
        tifffile.imwrite(HERE / name, stack, ome=True, byteorder=order,
                         photometric="minisblack", metadata=meta, software=False)
        made[name] = (entry("ome-tiff", code, stack, PIXEL_NM, physical_size_x=size,
                            physical_size_x_unit=unit,
                            byte_order="le" if order == "<" else "be"), stack)
    return made


def swap_header(out, order):
    """Give the header the wanted byte order where one-byte data left it native."""
    if out.header.mode.dtype != np.dtype(order + "i4"):
        out.header.byteswap(True)
        out.header.dtype = out.header.dtype.newbyteorder(order)
        out.header.machst = mrcfile.utils.machine_stamp_from_byte_order(order)


def write_mrc(name, code, mode, order, extended):
    """One MRC image stack (space group 0) of 6.8 angstrom pixels."""
    stack = make_pages(name, code)
    with mrcfile.new(HERE / name, overwrite=True) as out:
        out.set_data(stack.astype(stack.dtype.newbyteorder(ORDERS[order])))
        out.set_image_stack()
        out.voxel_size = 10 * PIXEL_NM
        if extended:
            raw = rng_for(name + " extended").integers(0, 256, 100).astype("u1")
            out.set_extended_header(raw.view("V1"))
        swap_header(out, ORDERS[order])
        # The library's own label carries the date of the run.
        out.header.label = b""
        out.header.label[0] = b"reader test file"
        out.header.nlabl = 1
    return entry("mrc", code, stack, PIXEL_NM, byte_order=order, mode=mode,
                 extended_bytes=100 if extended else 0), stack


def all_mrcs():
    made = {}
    modes = {0: "i8", 1: "i16", 2: "f32", 6: "u16", 12: "f16"}
    for (mode, code), order, ext in itertools.product(modes.items(), ORDERS, (False, True)):
        name = f"mrc_mode{mode}_{order}{'_ext100' if ext else ''}.mrc"
        made[name] = write_mrc(name, code, mode, order, ext)
    return made


def check_tiff(name, record, stack):
    """Read back through tifffile, and through libtiff where it can."""
    data = (HERE / name).read_bytes()
    with tifffile.TiffFile(HERE / name) as src:
        order = "be" if src.byteorder == ">" else "le"
        assert data[:2] == (b"MM" if order == "be" else b"II")
        if "bigtiff" in record:
            assert (order, src.is_bigtiff) == (record["byte_order"], record["bigtiff"])
        assert len(src.pages) == record["pages"], name
        for index, page in enumerate(src.pages):
            page = page.aspage()
            got = page.asarray()
            if record["refused"]:
                assert np.array_equal(got, stack) and page.photometric == record["photometric"]
                continue
            assert got.dtype.newbyteorder("=") == stack.dtype, (name, got.dtype)
            assert hashes([got], got.dtype)[0] == record["sha256"][index], name
            if "layout" in record:
                check_tags(page, record)
        if record["kind"] == "ome-tiff":
            check_ome(src, record)
    if record["refused"]:
        return False
    for index, want in enumerate(record["sha256"]):
        try:
            got = imagecodecs.tiff_decode(data, index=index)
        except (imagecodecs.TiffError, ValueError, NotImplementedError):
            return False
        assert hashes([got], got.dtype)[0] == want, f"libtiff differs: {name}"
    return True


def check_tags(page, record):
    tags = {code: page.tags[code].value for code in (259, 262)}
    predictor = page.tags[317].value if 317 in page.tags else 1
    assert (tags[259], predictor) == (record["compression"], record["predictor"]), page
    assert tags[262] == (0 if record["white_is_zero"] else 1)
    if record["layout"] == "strip":
        assert not page.is_tiled and page.rowsperstrip == ROWS_PER_STRIP
    else:
        side = int(record["layout"][4:])
        assert (page.tilelength, page.tilewidth) == (side, side)
        assert page.imagewidth % side and page.imagelength % side


def check_ome(src, record):
    pixels = tifffile.xml2dict(src.ome_metadata)["OME"]["Image"]["Pixels"]
    assert pixels["PhysicalSizeX"] == record["physical_size_x"]
    assert pixels.get("PhysicalSizeXUnit") == record["physical_size_x_unit"]
    to_nm = {"nm": 1.0, "\u00c5": 0.1, None: 1000.0}
    size_nm = pixels["PhysicalSizeX"] * to_nm[record["physical_size_x_unit"]]
    assert abs(size_nm - record["pixel_nm"]) < 1e-12


def check_mrc(name, record):
    """Read back through mrcfile and its validator, then straight from the bytes."""
    log = io.StringIO()
    with np.errstate(over="ignore"):
        mrcfile.validate(HERE / name, print_file=log)
    # The validator sums squares in half precision, so for mode 12 its RMS
    # overflows; the header's own value is checked below instead.
    complaints = [line for line in log.getvalue().splitlines()[1:]
                  if "appears to be valid" not in line
                  and not (record["mode"] == 12 and "RMS deviation is inf" in line)]
    # EXTTYP stays blank on purpose: the bytes are noise of no declared kind.
    allowed = 1 if record["extended_bytes"] else 0
    assert len(complaints) == allowed and all(
        c.startswith("Extended header type is undefined") for c in complaints), complaints
    data = (HERE / name).read_bytes()
    with mrcfile.open(HERE / name) as src:
        assert int(src.header.ispg) == 0 and int(src.header.mz) == 1
        assert int(src.header.mode) == record["mode"]
        # The library returns a stack of one page as a plain 2-D image.
        stack = src.data.reshape(record["pages"], *record["shape"])
        assert hashes(stack, stack.dtype) == record["sha256"], name
        assert np.isclose(src.header.rms, stack.astype("f8").std(), rtol=1e-3)
        assert len(src.extended_header.tobytes()) == record["extended_bytes"]
        assert abs(float(src.voxel_size.x) / 10 - record["pixel_nm"]) < 1e-6
    end = ORDERS[record["byte_order"]]
    width, height, pages, mode = np.frombuffer(data, end + "i4", 4)
    assert [height, width] == record["shape"] and pages == record["pages"]
    assert mode == record["mode"] and data[208:212] == b"MAP "
    assert data[212] == (0x44 if end == "<" else 0x11)
    assert np.frombuffer(data, end + "i4", 1, 92)[0] == record["extended_bytes"]
    body = np.frombuffer(data, end + DTYPES[record["dtype"]],
                         offset=1024 + record["extended_bytes"])
    assert hashes(body.reshape(pages, height, width), DTYPES[record["dtype"]]) == record["sha256"]


def main():
    made = all_tiffs() | all_refused() | all_ome() | all_mrcs()
    twice = 0
    for name, (record, stack) in made.items():
        if record["kind"] == "mrc":
            check_mrc(name, record)
        else:
            ok = check_tiff(name, record, stack)
            twice += ok
            if not ok and not record["refused"]:
                print("not read by libtiff:", name)
    versions = {m.__name__: m.__version__ for m in (np, tifffile, imagecodecs, mrcfile)}
    text = json.dumps({"versions": versions,
                       "files": {name: record for name, (record, _) in made.items()}},
                      indent=1, ensure_ascii=True)
    (HERE / "expected.json").write_text(text + "\n", encoding="ascii")
    size = sum((HERE / name).stat().st_size for name in made)
    print(f"{len(made)} files, {size} bytes; {twice} TIFF files also checked with libtiff")


if __name__ == "__main__":
    main()
