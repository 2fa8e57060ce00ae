"""Reads files of every format that is written, with readers that know nothing of this project.

    DIR/bin/python tests/reference/check_written.py FOLDER

FOLDER holds what the ignored test `exports::written_files_to_read_back` made. Samples must be
those of make_formats.pattern, exactly or to the rounding of the format, and so must rates, scale,
exposure and date. One line a fault; exit code 1 where something differs.
"""

import pathlib
import sys
from fractions import Fraction

import av
import imageio.v3 as iio
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import tifffile

from make_formats import pattern

FAULTS = []


def must(name, what, condition):
    if not condition:
        FAULTS.append(f"{name}: {what}")


def near(a, b, relative=1e-6):
    return a is not None and abs(a / b - 1) < relative


def check_dpx(path, bits, wanted):
    full = (1 << bits) - 1
    rounded = np.floor(wanted.astype(np.float64) * full / 65535 + 0.5)
    image = oiio.ImageInput.open(str(path))
    spec = image.spec()
    seen = image.read_image("uint16").reshape(wanted.shape).astype(np.float64)
    # OpenImageIO spreads 10 bits over 16.
    must(path.name, "OpenImageIO sees other samples", np.array_equal(np.floor(seen * full / 65535 + 0.5), rounded))
    must(path.name, "packing", bits == 16 or spec["dpx:Packing"] == "Filled, method A")
    must(path.name, "frame rate", near(spec["dpx:TemporalFrameRate"], 30000 / 1001))
    must(path.name, "integration time", near(spec["dpx:IntegrationTimes"], 50e-6))
    must(path.name, "linear", spec["dpx:Transfer"] == "Linear")
    must(path.name, "time code", spec["dpx:TimeCode"] == "00:00:02:01")
    frame = av.CodecContext.create("dpx", "r").decode(av.Packet(path.read_bytes()))[0]
    got = frame.to_ndarray().reshape(wanted.shape)
    must(path.name, f"PyAV ({frame.format.name}) sees other samples", np.array_equal(got, rounded))


def check_exr(path, half, wanted):
    with OpenEXR.File(str(path), separate_channels=True) as file:
        head = dict(file.header())
        channels = file.channels()
        names = ["Y"] if wanted.shape[2] == 1 else ["R", "G", "B"]
        got = np.stack([np.array(channels[n].pixels) for n in names], axis=-1)
    exact = (wanted.astype(np.float32) - 256) / np.float32(65535 - 256)
    must(path.name, "sample type", got.dtype == (np.float16 if half else np.float32))
    must(path.name, "OpenEXR sees other samples", np.array_equal(got, exact.astype(got.dtype)))

    must(path.name, "framesPerSecond", head["framesPerSecond"] == Fraction(30000, 1001))
    must(path.name, "captureRate", head["captureRate"] == Fraction(5000))
    must(path.name, "expTime", near(head["expTime"], 50e-6))
    must(path.name, "capDate", head["capDate"] == "2024:11:25 21:04:00")
    must(path.name, "scale", near(head["hushframeMicrometresPerPixel"][0], 1.003))


def check_tiff(path, wanted, ome):
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        must(path.name, "samples", np.array_equal(page.asarray().reshape(wanted.shape), wanted))
        must(path.name, "date", page.tags["DateTime"].value == "2024:11:25 21:04:00")
        exif = page.tags["ExifTag"].value
        must(path.name, "exposure", Fraction(*exif["ExposureTime"]) == Fraction(1, 20000))
        must(path.name, "original date", exif["DateTimeOriginal"] == "2024:11:25 21:04:00")
        if not ome:
            return
        must(path.name, "not taken as OME", file.is_ome)
        described = tifffile.xml2dict(file.ome_metadata)["OME"]["Image"]
        pixels = described["Pixels"]
        must(path.name, "OME name", described["Name"] == "comb <1> & tine")
        must(path.name, "OME scale", near(pixels["PhysicalSizeX"], 1.003))
        must(path.name, "OME unit", pixels["PhysicalSizeXUnit"] == "\u00b5m")
        must(path.name, "OME time", near(pixels["Plane"]["DeltaT"], -0.0002))
        must(path.name, "OME exposure", near(pixels["Plane"]["ExposureTime"], 50e-6))
        series = file.series[0].asarray().reshape(wanted.shape)
        must(path.name, "OME series", np.array_equal(series, wanted))


def check_y4m(path, wanted):
    bits = 10 if "p10" in path.name else 8
    light = wanted.astype(np.float64) / 65535
    if wanted.shape[2] == 1:
        light = np.repeat(light, 3, axis=2)
    red, green, blue = light[..., 0], light[..., 1], light[..., 2]
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    planes = [luma, (blue - luma) / 1.8556, (red - luma) / 1.5748]
    unit = 1 << (bits - 8)
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        must(path.name, "rate", stream.average_rate == Fraction(30000, 1001))
        frames = list(file.decode(stream))
    must(path.name, f"{len(frames)} frames", len(frames) == 2)
    for i, (plane, values) in enumerate(zip(frames[1].planes, planes, strict=True)):
        if i and "-420-" in path.name:
            h, w = values.shape
            values = values.reshape(h // 2, 2, w // 2, 2).mean(axis=(1, 3))
        span, zero = (219, 16) if i == 0 else (224, 128)
        codes = values * span * unit + zero * unit
        kind = np.uint8 if bits == 8 else np.uint16
        got = np.frombuffer(bytes(plane), kind).reshape(plane.height, -1)[:, : plane.width]
        # Rounded to nearest, in single precision.
        must(path.name, f"plane {i}", np.abs(got - codes).max() <= 0.501)


def main():
    folder = pathlib.Path(sys.argv[1])
    files = sorted(folder.iterdir())
    for path in files:
        wanted = pattern(16, 3 if "rgb" in path.name else 1)
        kind = path.name.split("-")[0]
        if kind in ("dpx10", "dpx16"):
            check_dpx(path, int(kind[3:]), wanted)
        elif kind == "exr":
            check_exr(path, "half" in path.name, wanted)
        elif kind in ("tiff", "ome"):
            check_tiff(path, wanted, kind == "ome")
        elif kind == "png":
            image = oiio.ImageInput.open(str(path)).read_image("uint16").reshape(wanted.shape)
            must(path.name, "samples", np.array_equal(image, wanted))
            if wanted.shape[2] == 1:
                must(path.name, "Pillow", np.array_equal(iio.imread(path, plugin="pillow"), wanted[..., 0]))
        else:
            check_y4m(path, wanted)
    for fault in FAULTS:
        print(fault)
    print(f"{len(files)} written files read back, {len(FAULTS)} faults")
    return 1 if FAULTS or not files else 0


if __name__ == "__main__":
    sys.exit(main())
