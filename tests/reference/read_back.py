"""Reads finished frames with readers that know nothing of this project.

    DIR/bin/python tests/reference/read_back.py OUT/CLIP [PNG ...]

For every frame of a finished clip (tifffile): shape and data type are those of record.json, the
values span a plausible range, the resolution tags give the scale of the record in pixels a
centimetre, ImageDescription and Software say what made the file, and a second reader (Pillow's
own TIFF reader, through imageio) sees the same samples. PNG files that follow must hold 16 bits
and the samples of the frame of the same name, where there
is one. Exit code 1 and one line a fault where something differs.
"""

import json
import pathlib
import sys

import imageio.v3 as iio
import numpy as np
import tifffile

INCH, CENTIMETRE = 2, 3


def check_frame(path, record):
    """Faults of one finished frame, as texts."""
    faults = []
    with tifffile.TiffFile(path) as file:
        if len(file.pages) != 1:
            faults.append(f"{len(file.pages)} pages")
        page = file.pages[0]
        data = page.asarray()
        tags = {tag.name: tag.value for tag in page.tags.values()}
    width, height = record["frame_size"]
    if data.shape[:2] != (height, width):
        faults.append(f"shape {data.shape}, the record says {width} x {height}")
    if data.dtype != np.uint16:
        faults.append(f"samples are {data.dtype}")
    if data.min() == data.max():
        faults.append("all samples are equal")
    scale = record["scale"]
    if scale is None:
        if tags["ResolutionUnit"] != 1:
            faults.append(f"a resolution though no scale is known: {tags['ResolutionUnit']}")
    else:
        wanted = 1e4 / scale["um_per_px"]
        for name in ("XResolution", "YResolution"):
            num, den = tags[name]
            if tags["ResolutionUnit"] != CENTIMETRE or abs(num / den / wanted - 1) > 1e-6:
                faults.append(f"{name} {num}/{den} unit {tags['ResolutionUnit']}, not {wanted} per cm")
    text = tags.get("ImageDescription", "")
    for word in (record["tool"], record["pipeline"]["name"], f"frame {int(path.stem)}"):
        if word not in text:
            faults.append(f'no "{word}" in the description "{text}"')
    if record["tool"] != tags.get("Software"):
        faults.append(f"Software is {tags.get('Software')!r}")
    if data.ndim == 2:
        # Pillow has no 16-bit colour; it would be cut to 8.
        other = iio.imread(path, plugin="pillow")
        if not np.array_equal(other, data):
            faults.append("tifffile and Pillow see different samples")
    return faults


def check_png(path, folder):
    """Faults of one PNG picture, as texts."""
    data = iio.imread(path, plugin="pillow")
    faults = [] if data.dtype == np.uint16 else [f"samples are {data.dtype}"]
    twin = folder / f"{path.stem}.tif"
    if not twin.exists():
        faults.append(f"there is no {twin.name} to compare with")
    elif not np.array_equal(data, tifffile.imread(twin)):
        faults.append(f"other samples than {twin.name}")
    return faults


def main():
    clip = pathlib.Path(sys.argv[1])
    record = json.loads((clip / "record.json").read_text())
    seal = json.loads((clip / "complete.json").read_text())
    frames = sorted((clip / "frames").iterdir())
    faults = []
    if [f"frames/{f.name}" for f in frames] != [f["file"] for f in seal["frames"]] or not frames:
        faults.append("the folder of frames does not hold what complete.json lists")
    for path in frames:
        faults += [f"{path.name}: {fault}" for fault in check_frame(path, record)]
    pngs = [pathlib.Path(p) for p in sys.argv[2:]]
    for path in pngs:
        faults += [f"{path.name}: {fault}" for fault in check_png(path, clip / "frames")]
    for fault in faults[:50]:
        print(fault)
    print(f"{len(frames)} frames and {len(pngs)} PNG files read back, {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
