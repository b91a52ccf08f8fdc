"""Stacks whose files hold facts of the sections, for tests/sources.rs. Run: python make.py

planes.ome.tif   three sections with stage positions, times and exposure times as OME-XML (tifffile writes it)
records.mrc      four sections with a record of 16 bytes each in the extended header (mrcfile writes it), big-endian
"""

import os

import mrcfile
import numpy as np
import tifffile

HERE = os.path.dirname(os.path.abspath(__file__))
rng = np.random.default_rng(11)

counts = rng.poisson(900, (3, 48, 40)).astype(np.uint16)
tifffile.imwrite(os.path.join(HERE, "planes.ome.tif"), counts, photometric="minisblack", metadata={
    "axes": "TYX", "PhysicalSizeX": 6.8, "PhysicalSizeXUnit": "Å", "PhysicalSizeY": 6.8, "PhysicalSizeYUnit": "Å",
    "AcquisitionDate": "2031-04-17T08:30:00",
    "Plane": {"PositionX": [1.5, 1.25, -2.0], "PositionXUnit": ["mm"] * 3, "PositionY": [10.0, 11.0, 12.0],
              "PositionYUnit": ["µm"] * 3, "DeltaT": [61.0, 0.5, 122.0], "DeltaTUnit": ["s"] * 3,
              "ExposureTime": [900.0, 900.0, 950.0], "ExposureTimeUnit": ["ms"] * 3}})

record = np.dtype([("alpha", ">f4"), ("stage", ">i2"), ("seen", ">u2"), ("dose", ">f8")])
records = np.zeros(4, record)
records["alpha"] = [-10.5, -3.5, 3.5, 10.5]
records["stage"] = [-300, 25, 50, 75]
records["seen"] = [3, 2, 0, 1]
records["dose"] = [1.1, 1.2, 1.3, 1.4]
with mrcfile.new(os.path.join(HERE, "records.mrc"), overwrite=True) as mrc:
    mrc.set_data(rng.poisson(900, (4, 48, 40)).astype(">u2"))
    mrc.set_image_stack()
    mrc.voxel_size = 6.8
    mrc.set_extended_header(records)
with open(os.path.join(HERE, "versions.txt"), "w") as out:
    out.write(f"numpy {np.__version__}\ntifffile {tifffile.__version__}\nmrcfile {mrcfile.__version__}\n")
