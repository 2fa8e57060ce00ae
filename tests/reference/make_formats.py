"""Makes small sample files of every format with libraries that know nothing of this project.

    DIR/bin/python tests/reference/make_formats.py           writes tests/reference/formats
    DIR/bin/python tests/reference/make_formats.py --check   compares with what is committed

Each sample holds `pattern()`, a number scheme that the Rust tests work out again, so a reader is
right only if every sample is. `formats.json` lists the files: format, depth, variant, size, and
which pattern. Every file is read back here by an independent reader too (the library that wrote
it, or another one) before it is listed. Versions are pinned in requirements.txt.
"""

import io
import json
import pathlib
import struct
import sys
import tempfile
from fractions import Fraction

import av
import imagecodecs
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import rawpy
import tifffile

HERE = pathlib.Path(__file__).parent / "formats"
WIDTH, HEIGHT = 30, 22


def pattern(bits, channels=1, page=0, width=WIDTH, height=HEIGHT):
    """Samples that use all of `bits` bits and look like noise; shape (height, width, channels)."""
    y, x, c = np.meshgrid(
        np.arange(height, dtype=np.uint64),
        np.arange(width, dtype=np.uint64),
        np.arange(channels, dtype=np.uint64),
        indexing="ij",
    )
    key = x * 73 + y * 151 + c * 977 + np.uint64(page * 3571) + np.uint64(1)
    mixed = (key * np.uint64(2654435761)) & np.uint64(0xFFFFFFFF)
    return (mixed >> np.uint64(32 - bits)).astype(np.uint16 if bits > 8 else np.uint8)


def grey(bits, page=0, **size):
    return pattern(bits, 1, page, **size)[..., 0]


class Samples:
    """The files of one run, and their list."""

    def __init__(self, folder):
        self.folder = folder
        self.listed = []

    def add(self, name, data, kind, depth, variant, **more):
        (self.folder / name).write_bytes(data)
        entry = {"file": name, "format": kind, "depth": depth, "variant": variant}
        entry.update({"width": WIDTH, "height": HEIGHT, "channels": 1, "pages": 1})
        entry.update(more)
        self.listed.append(entry)


def must_equal(name, got, wanted):
    if not np.array_equal(got, wanted):
        raise SystemExit(f"{name}: the independent reader sees other samples")


def tiff(samples):
    """TIFF by tifffile, read back by tifffile with imagecodecs."""

    def one(name, data, depth, variant, pages=1, channels=1, **options):
        buffer = io.BytesIO()
        big = options.pop("bigtiff", False)
        order = options.pop("byteorder", "<")
        with tifffile.TiffWriter(buffer, bigtiff=big, byteorder=order) as writer:
            for page in data:
                writer.write(page, metadata=None, software=None, **options)
        raw = buffer.getvalue()
        with tifffile.TiffFile(io.BytesIO(raw)) as file:
            for page, wanted in zip(file.pages, data, strict=True):
                must_equal(name, page.asarray(), wanted)
        samples.add(name, raw, "TIFF", depth, variant, pages=pages, channels=channels)

    for bits in (8, 10, 12, 14, 16):
        packed = {} if bits in (8, 16) else {"bitspersample": bits}
        plain = {"photometric": "minisblack", **packed}
        one(f"tiff-{bits}-strips.tif", [grey(bits)], bits, "strips", rowsperstrip=5, **plain)
        one(f"tiff-{bits}-tiles.tif", [grey(bits)], bits, "tiles", tile=(16, 16), **plain)
        if not packed:
            # tifffile swaps the bytes of packed samples before it packs them.
            one(f"tiff-{bits}-be.tif", [grey(bits)], bits, "big-endian", byteorder=">", **plain)
        one(f"tiff-{bits}-big.tif", [grey(bits)], bits, "BigTIFF", bigtiff=True, **plain)
        stack = [grey(bits, page) for page in range(3)]
        one(f"tiff-{bits}-pages.tif", stack, bits, "3 pages", pages=3, **plain)
        one(
            f"tiff-{bits}-rgb.tif", [pattern(bits, 3)], bits, "RGB", channels=3,
            **{**plain, "photometric": "rgb"},
        )
    for bits in (8, 16):
        plain = {"photometric": "minisblack"}
        for scheme in ("zlib", "lzw", "packbits"):
            name = f"tiff-{bits}-{scheme}.tif"
            one(name, [grey(bits)], bits, scheme, compression=scheme, **plain)
        one(
            f"tiff-{bits}-zlib-predictor.tif", [grey(bits)], bits, "zlib, predictor",
            compression="zlib", predictor=True, tile=(16, 16), **plain,
        )
        planes = np.moveaxis(pattern(bits, 3), 2, 0)
        one(
            f"tiff-{bits}-planar.tif", [planes], bits, "RGB in planes", channels=3,
            photometric="rgb", planarconfig="separate",
        )


def packed_by_hand(bits, compression):
    """A packed TIFF in a compression that tifffile does not write, by the standard's layout."""
    rows = []
    for row in grey(bits):
        stream = "".join(f"{v:0{bits}b}" for v in row)
        stream += "0" * (-len(stream) % 8)
        rows.append(int(stream, 2).to_bytes(len(stream) // 8, "big"))
    return compression(b"".join(rows))


def tiff_packed_compressed(samples):
    for bits in (10, 12, 14):
        for number, word, pack in (
            (8, "zlib", lambda b: imagecodecs.zlib_encode(b, level=9)),
            (32773, "packbits", imagecodecs.packbits_encode),
        ):
            body = packed_by_hand(bits, pack)
            tags = [
                (256, 3, WIDTH), (257, 3, HEIGHT), (258, 3, bits), (259, 3, number),
                (262, 3, 1), (273, 4, 0), (277, 3, 1), (278, 3, HEIGHT), (279, 4, len(body)),
            ]
            at = 8 + 2 + 12 * len(tags) + 4
            raw = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(tags))
            for tag, kind, value in tags:
                raw += struct.pack("<HHII", tag, kind, 1, at if tag == 273 else value)
            raw += struct.pack("<I", 0) + body
            name = f"tiff-{bits}-{word}.tif"
            if word == "zlib":
                with tifffile.TiffFile(io.BytesIO(raw)) as file:
                    must_equal(name, file.pages[0].asarray(), grey(bits))
            samples.add(name, raw, "TIFF", bits, word)


RGGB, BGGR, GRBG, GBRG = (0, 1, 1, 2), (2, 1, 1, 0), (1, 0, 2, 1), (1, 2, 0, 1)


def dng(samples):
    """DNG by tifffile (tags) and imagecodecs (lossless JPEG), read back by LibRaw."""

    def one(name, data, depth, variant, sites=RGGB, checked=True, area=None, table=None, **options):
        buffer = io.BytesIO()
        cfa = data.ndim == 2
        tags = [
            (50706, 1, 4, (1, 4, 0, 0), True),
            (50707, 1, 4, (1, 1, 0, 0), True),
            (50708, 2, 0, "music box", True),
            (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
            (50778, 3, 1, 21, True),
            (50714, 3, 1, 0, True),
            (50717, 4, 1, (1 << depth) - 1, True),
            (51044, 10, 1, (5000, 1), True),
        ]
        if area:
            left, top, width, height = area
            tags += [(50829, 4, 4, (top, left, top + height, left + width), True)]
        if table is not None:
            tags = [t for t in tags if t[0] != 50717]
            tags += [(50717, 4, 1, int(table[-1]), True)]
            tags += [(50712, 3, len(table), tuple(int(v) for v in table), True)]
        if cfa:
            tags += [(33421, 3, 2, (2, 2), True), (33422, 1, 4, sites, True)]
        with tifffile.TiffWriter(buffer) as writer:
            writer.write(
                data, photometric=32803 if cfa else 34892, metadata=None, software=None,
                subfiletype=0, extratags=tags, **options,
            )
        raw = buffer.getvalue()
        if checked:
            with rawpy.imread(io.BytesIO(raw)) as file:
                seen = file.raw_image if cfa else file.raw_image[..., :3]
                must_equal(name, seen, data if table is None else table[data])
                y, x = (top, left) if area else (0, 0)
                # LibRaw rounds an odd left margin up to an even one.
                margins = (file.sizes.top_margin, file.sizes.left_margin)
                must_equal(name, np.array(margins), np.array((y, x + x % 2)))
                if cfa:
                    colours = np.array(file.raw_colors[y : y + 2, x : x + 2]).ravel()
                    must_equal(name, np.where(colours == 3, 1, colours), np.array(sites))
        more = {"channels": 1 if cfa else 3}
        if cfa:
            more["mosaic"] = {RGGB: "RGGB", BGGR: "BGGR", GRBG: "GRBG", GBRG: "GBRG"}[sites]
        if area:
            more.update({"width": width, "height": height, "area": [left, top]})
        if table is not None:
            more["squared"] = True
        samples.add(name, raw, "DNG", depth, variant, **more)

    one("dng-16-mosaic.dng", grey(16), 16, "mosaic, strips", rowsperstrip=5)
    for sites, word in ((BGGR, "bggr"), (GRBG, "grbg"), (GBRG, "gbrg")):
        one(f"dng-16-{word}.dng", grey(16), 16, f"mosaic {word.upper()}", sites=sites)
    # LibRaw takes nothing of less than 22 pixels a side for a raw file.
    large = grey(16, width=48, height=40)
    one("dng-16-area.dng", large, 16, "mosaic, active area", area=(3, 2, 40, 32))
    square = (np.arange(4096, dtype=np.uint64) ** 2 >> np.uint64(8)).astype(np.uint16)
    one(
        "dng-12-table.dng", grey(12), 12, "mosaic, packed, linearization table", table=square,
        bitspersample=12,
    )
    one("dng-16-linear.dng", pattern(16, 3), 16, "linear RGB")
    for bits in (10, 12, 14):
        # LibRaw takes packed rows of other depths than 12 for whole words in some files.
        one(
            f"dng-{bits}-packed.dng", grey(bits), bits, "mosaic, packed", bitspersample=bits,
            checked=bits == 12,
        )
    one("dng-16-deflate.dng", grey(16), 16, "mosaic, deflate", compression="zlib", checked=False)


def dng_lossless(samples):
    """Lossless JPEG strips and tiles, coded by two encoders, read back by LibRaw."""
    for bits in (8, 10, 12, 14, 16):
        data = grey(bits)
        coders = [("ljpeg", lambda a, b: imagecodecs.ljpeg_encode(a, bitspersample=b))]
        coders += [
            (
                f"predictor-{p}",
                lambda a, b, p=p: imagecodecs.jpeg_encode(
                    a, lossless=True, predictor=p, bitspersample=b
                ),
            )
            for p in ((1, 2, 3, 4, 5, 6, 7) if bits in (12, 16) else (6,))
        ]
        for word, coder in coders:
            for tiled in (False, True):
                if tiled and word not in ("ljpeg", "predictor-6"):
                    continue
                if tiled:
                    padded = np.pad(data, ((0, -HEIGHT % 16), (0, -WIDTH % 16)), "edge")
                    pieces = [
                        padded[y : y + 16, x : x + 16]
                        for y in range(0, padded.shape[0], 16)
                        for x in range(0, padded.shape[1], 16)
                    ]
                else:
                    pieces = [data]
                coded = []
                for piece in pieces:
                    # Half the columns as a second component, as is usual for mosaics.
                    wide = piece.reshape(piece.shape[0], -1, 2) if word == "ljpeg" else piece
                    if word == "ljpeg" and bits == 8:
                        wide = wide.astype(np.uint16)
                    if word == "ljpeg":
                        wide = piece.astype(np.uint16)
                    coded.append(coder(np.ascontiguousarray(wide), bits))
                raw = tiff_of_pieces(coded, bits, tiled)
                name = f"dng-{bits}-{word}{'-tiles' if tiled else ''}.dng"
                for piece, stream in zip(pieces, coded, strict=True):
                    got = imagecodecs.jpegsof3_decode(stream)
                    must_equal(name, got.reshape(piece.shape), piece)
                variant = f"lossless JPEG, {word}{', tiles' if tiled else ''}"
                samples.add(name, raw, "DNG", bits, variant, mosaic="RGGB")


def tiff_of_pieces(coded, bits, tiled):
    """A colour-filter TIFF of ready strips or tiles."""
    n = len(coded)
    tags = [
        (254, 4, [0]), (256, 3, [WIDTH]), (257, 3, [HEIGHT]), (258, 3, [bits]), (259, 3, [7]),
        (262, 3, [32803]), (277, 3, [1]), (33421, 3, [2, 2]), (33422, 1, list(RGGB)),
        (50706, 1, [1, 4, 0, 0]),
    ]
    if tiled:
        tags += [(322, 3, [16]), (323, 3, [16]), (324, 4, None), (325, 4, [len(c) for c in coded])]
    else:
        tags += [(273, 4, None), (278, 3, [HEIGHT]), (279, 4, [len(c) for c in coded])]
    tags.sort()
    at = 8 + 2 + 12 * len(tags) + 4
    size = {1: 1, 3: 2, 4: 4}
    letter = {1: "B", 3: "H", 4: "I"}
    extra = sum(
        size[k] * len(v if v is not None else coded)
        for _, k, v in tags
        if size[k] * len(v if v is not None else coded) > 4
    )
    offsets, end = [], at + extra
    for piece in coded:
        offsets.append(end)
        end += len(piece)
    head, behind = b"II*\0" + struct.pack("<IH", 8, len(tags)), b""
    for tag, kind, values in tags:
        values = offsets if values is None else values
        body = struct.pack(f"<{len(values)}{letter[kind]}", *values)
        head += struct.pack("<HHI", tag, kind, len(values))
        if len(body) > 4:
            head += struct.pack("<I", at + len(behind))
            behind += body
        else:
            head += body.ljust(4, b"\0")
    assert n == len(offsets)
    return head + struct.pack("<I", 0) + behind + b"".join(coded)


def dpx(samples, folder):
    """DPX by OpenImageIO and by PyAV's encoder, read back by PyAV's decoder."""

    def check(name, raw, wanted, bits):
        code = av.CodecContext.create("dpx", "r")
        frame = code.decode(av.Packet(raw))[0]
        got = frame.to_ndarray()
        if frame.format.name.startswith("gbrp"):
            got = got if got.ndim == 3 else got
        must_equal(name, got.reshape(wanted.shape), wanted)

    for bits in (8, 10, 12, 16):
        packings = ("Packed", "Filled, method A", "Filled, method B")
        for channels in (1, 3):
            for packing in packings if bits in (10, 12) else ("Packed",):
                for order in ("big", "little"):
                    word = packing.lower().replace(", method ", "-").replace("packed", "packed")
                    kind = "grey" if channels == 1 else "rgb"
                    name = f"dpx-{bits}-{kind}-{word}-{order}.dpx"
                    data = pattern(bits, channels)
                    spec = oiio.ImageSpec(WIDTH, HEIGHT, channels, "uint8" if bits == 8 else "uint16")
                    spec.attribute("oiio:BitsPerSample", bits)
                    spec.attribute("dpx:Packing", packing)
                    spec.attribute("oiio:Endian", order)
                    spec.attribute("oiio:ColorSpace", "Linear")
                    spec.attribute("dpx:FrameRate", 5000.0)
                    spec.attribute("DateTime", "2024:11:25 21:04:00")
                    # OpenImageIO scales its samples; these come back to the same ones.
                    full = (1 << bits) - 1
                    wide = data if bits in (8, 16) else np.round(
                        data.astype(np.float64) * 65535 / full
                    ).astype(np.uint16)
                    path = folder / name
                    out = oiio.ImageOutput.create(str(path))
                    assert out.open(str(path), spec), out.geterror()
                    assert out.write_image(wide), out.geterror()
                    out.close()
                    raw = bytearray(path.read_bytes())
                    # The name of the file with its folder, which is another each time.
                    raw[36:136] = bytes(100)
                    samples.add(
                        name, raw, "DPX", bits, f"{packing}, {order}-endian", channels=channels
                    )
    for fmt, bits, channels in (("gray", 8, 1), ("gray16be", 16, 1), ("rgb24", 8, 3),
                                ("rgb48le", 16, 3), ("gbrp10be", 10, 3), ("gbrp12le", 12, 3)):
        code = av.CodecContext.create("dpx", "w")
        code.width, code.height, code.pix_fmt, code.time_base = WIDTH, HEIGHT, fmt, Fraction(1, 25)
        data = pattern(bits, channels)
        frame = video_frame(data if channels == 3 else data[..., 0], fmt)
        raw = b"".join(bytes(p) for p in code.encode(frame) + code.encode(None))
        samples.add(f"dpx-{bits}-av-{fmt}.dpx", raw, "DPX", bits, f"PyAV {fmt}", channels=channels)


def video_frame(data, fmt):
    """A frame of packed or planar samples, plane by plane."""
    frame = av.VideoFrame(WIDTH, HEIGHT, fmt)
    frame.pts = 0
    planes = [data] if not fmt.startswith("gbrp") else [data[..., c] for c in (1, 2, 0)]
    for plane, values in zip(frame.planes, planes, strict=True):
        size = "u1" if values.dtype == np.uint8 else (">u2" if fmt.endswith("be") else "<u2")
        rows = values.reshape(HEIGHT, -1).astype(size).view(np.uint8).reshape(HEIGHT, -1)
        buffer = np.zeros((HEIGHT, plane.line_size), np.uint8)
        buffer[:, : rows.shape[1]] = rows
        plane.update(buffer.tobytes())
    return frame


def png(samples):
    """PNG by imagecodecs, read back by it."""
    for bits in (8, 16):
        for channels in (1, 3):
            name = f"png-{bits}-{channels}.png"
            data = pattern(bits, channels)
            raw = imagecodecs.png_encode(data if channels == 3 else data[..., 0])
            must_equal(name, imagecodecs.png_decode(raw).reshape(data.shape), data)
            variant = "RGB" if channels == 3 else "grey"
            samples.add(name, raw, "PNG", bits, variant, channels=channels)


def jpeg(samples):
    """Lossless JPEG files by imagecodecs (libjpeg-turbo), read back by another decoder of it."""
    for bits, channels in ((8, 1), (12, 1), (16, 1), (8, 3), (16, 3)):
        name = f"jpeg-{bits}-{channels}.jpg"
        data = pattern(bits, channels)
        options = {} if channels == 1 else {"colorspace": "rgb", "outcolorspace": "rgb"}
        raw = imagecodecs.jpeg_encode(
            data if channels == 3 else data[..., 0], lossless=True, predictor=4,
            bitspersample=bits, **options,
        )
        must_equal(name, imagecodecs.jpegsof3_decode(raw).reshape(data.shape), data)
        variant = "lossless" if channels == 1 else "lossless, RGB"
        samples.add(name, raw, "JPEG", bits, variant, channels=channels)


def pnm(samples):
    """PGM, PPM and PAM by PyAV's encoders."""
    for kind, fmt, bits, channels in (
        ("pgm", "gray", 8, 1), ("pgm", "gray16be", 16, 1), ("ppm", "rgb24", 8, 3),
        ("ppm", "rgb48be", 16, 3), ("pam", "gray", 8, 1), ("pam", "gray16be", 16, 1),
        ("pam", "rgb24", 8, 3), ("pam", "rgb48be", 16, 3),
    ):
        code = av.CodecContext.create(kind, "w")
        code.width, code.height, code.pix_fmt, code.time_base = WIDTH, HEIGHT, fmt, Fraction(1, 25)
        data = pattern(bits, channels)
        frame = video_frame(data if channels == 3 else data[..., 0], fmt)
        raw = b"".join(bytes(p) for p in code.encode(frame) + code.encode(None))
        name = f"{kind}-{bits}-{channels}.{kind}"
        samples.add(name, raw, kind.upper(), bits, fmt, channels=channels)


def y4m(samples, folder):
    """Y4M by PyAV: luma is the pattern, chroma is neutral."""
    for fmt, bits in (("gray", 8), ("gray10le", 10), ("gray12le", 12), ("gray16le", 16)):
        y4m_one(samples, folder, fmt, bits, 1)
    for fmt, bits in (("yuv420p", 8), ("yuv422p", 8), ("yuv444p", 8), ("yuv420p10le", 10),
                      ("yuv444p12le", 12)):
        y4m_one(samples, folder, fmt, bits, 3)


def y4m_one(samples, folder, fmt, bits, channels):
    name = f"y4m-{bits}-{fmt}.y4m"
    path = folder / name
    with av.open(str(path), "w", format="yuv4mpegpipe", options={"strict": "-1"}) as out:
        stream = out.add_stream("wrapped_avframe", rate=25)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, fmt
        for page in range(3):
            frame = av.VideoFrame(WIDTH, HEIGHT, fmt)
            frame.pts = page
            luma = grey(bits, page)
            for i, plane in enumerate(frame.planes):
                values = luma if i == 0 else np.full(
                    (plane.height, plane.width), 1 << (bits - 1), luma.dtype
                )
                rows = np.ascontiguousarray(values).view(np.uint8).reshape(plane.height, -1)
                buffer = np.zeros((plane.height, plane.line_size), np.uint8)
                buffer[:, : rows.shape[1]] = rows
                plane.update(buffer.tobytes())
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    raw = path.read_bytes()
    samples.add(
        name, raw, "Y4M", bits, fmt, channels=channels, pages=3, luma=True,
        # The reader works in single precision.
        tolerance=1,
    )


def exr(samples, folder):
    """OpenEXR by the reference library: values are pattern / 65535 in each compression."""
    compressions = {
        "none": OpenEXR.NO_COMPRESSION, "rle": OpenEXR.RLE_COMPRESSION,
        "zips": OpenEXR.ZIPS_COMPRESSION, "zip": OpenEXR.ZIP_COMPRESSION,
        "piz": OpenEXR.PIZ_COMPRESSION,
    }
    for channels, names in ((1, ["Y"]), (3, ["R", "G", "B"])):
        for kind in (np.float32, np.float16):
            for word, compression in compressions.items():
                if kind is np.float16 and word not in ("zip", "piz"):
                    continue
                data = pattern(16, channels).astype(np.float64) / 65535
                planes = {n: data[..., c].astype(kind) for c, n in enumerate(names)}
                header = {
                    "compression": compression,
                    "type": OpenEXR.scanlineimage,
                    "framesPerSecond": Fraction(25, 1),
                    "captureRate": Fraction(5000, 1),
                    "expTime": 50e-6,
                }
                bits = 16 if kind is np.float16 else 32
                name = f"exr-{'half' if bits == 16 else 'float'}-{word}-{channels}.exr"
                path = folder / name
                with OpenEXR.File(header, dict(planes)) as file:
                    file.write(str(path))
                with OpenEXR.File(str(path), separate_channels=True) as file:
                    for n in names:
                        must_equal(name, np.array(file.channels()[n].pixels), planes[n])
                # A half keeps 11 bits: near 1.0 a step is 2^-11 and the error half of it, 16 DN.
                samples.add(
                    name, path.read_bytes(), "OpenEXR", bits, word, channels=channels,
                    pattern_bits=16, tolerance=17 if bits == 16 else 0,
                )


def make(folder):
    samples = Samples(folder)
    tiff(samples)
    tiff_packed_compressed(samples)
    dng(samples)
    dng_lossless(samples)
    png(samples)
    jpeg(samples)
    pnm(samples)
    dpx(samples, folder)
    y4m(samples, folder)
    exr(samples, folder)
    text = ",\n".join(json.dumps(entry) for entry in samples.listed)
    (folder / "formats.json").write_text(f"[\n{text}\n]\n")
    return samples


def main():
    if "--check" not in sys.argv:
        HERE.mkdir(exist_ok=True)
        for old in HERE.iterdir():
            old.unlink()
        print(f"{len(make(HERE).listed)} sample files written")
        return 0
    with tempfile.TemporaryDirectory() as temp:
        folder = pathlib.Path(temp)
        made = make(folder)
        new = {p.name: p.read_bytes() for p in folder.iterdir()}
    old = {p.name: p.read_bytes() for p in HERE.iterdir()}
    odd = sorted(n for n in old.keys() | new.keys() if old.get(n) != new.get(n))
    for name in odd:
        print(f"{name} is not what the libraries give")
    print(f"{len(made.listed)} sample files, {len(odd)} differ")
    return 1 if odd else 0


if __name__ == "__main__":
    sys.exit(main())
