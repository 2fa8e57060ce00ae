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

import imagecodecs
import numpy as np
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


def make(folder):
    samples = Samples(folder)
    tiff(samples)
    tiff_packed_compressed(samples)
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
