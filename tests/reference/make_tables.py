"""Reference tables, computed by general-purpose libraries that know nothing of this project.

    python3 -m venv DIR && DIR/bin/pip install -r tests/reference/requirements.txt
    DIR/bin/python tests/reference/make_tables.py            writes tests/reference/tables/
    DIR/bin/python tests/reference/make_tables.py --check    compares, exit code 1 on a difference

Tolerance of --check: inputs (counts, names, pictures) exactly, results to 1e-9 relative or absolute,
shifts to 0.0101 px (one step of their search).

Files:

sigma_clip.json   {"source", "sigma", "cases": [{"name", "width", "frames": [[DN, ...], ...],
                  "mean": [...], "variance": [...], "kept": [...]}]}
                  One picture row per frame. One clipping at 4 times 1.4826 MAD about the median
                  over the frames (astropy.stats.sigma_clip, cenfunc median, stdfunc mad_std,
                  maxiters 1), then mean, variance (n - 1) and number of the samples kept.

calibration.json  {"source", "width", "height", "darks": [[DN, ...], ...], "flats": ..., "raw":
                  [DN, ...], "dark": [...], "corrected": [...]}
                  Mean dark and (raw - dark) / (flat - dark) * mean(flat - dark), pictures row by row
                  (ccdproc.combine, subtract_dark, flat_correct).

shifts.json       {"source", "window", "cases": [{"texture", "peak_e", "read_noise_e", "fixed", "moving",
                  "shift_x_px", "shift_y_px", "phase_x_px", "phase_y_px", "plain_x_px", "plain_y_px"}]}
                  "fixed" and "moving" name 16-bit PGM files (P5, big-endian, white 65535) in the same
                  folder: a 96 x 96 window of a texture, values 100 DN + 1 DN an electron, the brightest
                  pixel of the texture at peak_e. "fixed" is free of noise (rounded to whole DN), "moving"
                  is the texture moved by the shift (positive x right, positive y down: content at x in
                  "fixed" lies at x + shift in "moving") and then given shot and read noise.
                  The move is scipy.ndimage.fourier_shift of the whole 512 x 512 texture, the window lies
                  in its middle. "phase" and "plain" are what skimage.registration
                  .phase_cross_correlation(fixed, moving, upsample_factor=100) finds with
                  normalization "phase" and None, turned to the sign above. They show how far a general
                  library comes, they are not the truth; the truth is the shift.

Textures: brick, grass, gravel, camera of scikit-image, by its documentation CC0.
Random numbers: numpy default_rng with the seeds below.
"""

import argparse
import json
import pathlib
import sys

import numpy as np

TABLES = pathlib.Path(__file__).resolve().parent / "tables"
SIGMA = 4.0
WINDOW = 96


def sigma_clip_table():
    import astropy
    from astropy.stats import mad_std, sigma_clip

    rng = np.random.default_rng(1)
    cases = []
    for name, count in [("short", 7), ("sixteen", 16), ("head", 32)]:
        frames = np.rint(rng.normal(200.0, 8.0, (count, 12))).astype(int)
        spikes = rng.random(frames.shape) < 0.04
        frames[spikes] += 300
        frames[0, 0] = 0
        frames[:, 11] = 50
        frames[count // 2, 11] = 51
        clipped = sigma_clip(
            frames.astype(float), sigma=SIGMA, maxiters=1, cenfunc="median", stdfunc=mad_std, axis=0
        )
        cases.append(
            {
                "name": name,
                "width": 12,
                "frames": frames.tolist(),
                "mean": np.ma.mean(clipped, axis=0).data.tolist(),
                "variance": np.ma.var(clipped, axis=0, ddof=1).data.tolist(),
                "kept": (~np.ma.getmaskarray(clipped)).sum(axis=0).tolist(),
            }
        )
    return {"source": f"astropy {astropy.__version__}", "sigma": SIGMA, "cases": cases}


def calibration_table():
    import astropy.units as u
    import ccdproc
    from astropy.nddata import CCDData

    rng = np.random.default_rng(2)
    width, height = 8, 6
    pattern = 100.0 + rng.normal(0.0, 5.0, (height, width))
    response = 1.0 + rng.normal(0.0, 0.05, (height, width))
    darks = [np.rint(pattern + rng.normal(0.0, 3.0, pattern.shape)) for _ in range(4)]
    flats = [np.rint(pattern + 2000.0 * response + rng.normal(0.0, 20.0, pattern.shape)) for _ in range(4)]
    scene = 500.0 + 30.0 * np.arange(width * height).reshape(height, width)
    raw = np.rint(pattern + scene * response)

    def ccd(data):
        return CCDData(data, unit="adu")

    dark = ccdproc.combine([ccd(d) for d in darks], method="average")
    flat = ccdproc.combine([ccd(f) for f in flats], method="average")
    one = 1.0 * u.s
    times = {"dark_exposure": one, "data_exposure": one}
    lit = ccdproc.subtract_dark(flat, dark, **times)
    corrected = ccdproc.flat_correct(ccdproc.subtract_dark(ccd(raw), dark, **times), lit)

    def row(a):
        return np.asarray(a).ravel().tolist()

    return {
        "source": f"ccdproc {ccdproc.__version__}",
        "width": width,
        "height": height,
        "darks": [[int(v) for v in d.ravel()] for d in darks],
        "flats": [[int(v) for v in f.ravel()] for f in flats],
        "raw": [int(v) for v in raw.ravel()],
        "dark": row(dark.data),
        "corrected": row(corrected.data),
    }


def pgm(picture):
    head = f"P5\n{picture.shape[1]} {picture.shape[0]}\n65535\n".encode()
    return head + picture.astype(">u2").tobytes()


def dn(electrons):
    return np.clip(np.rint(100.0 + electrons), 0, 65535)


def shifts_table():
    import scipy
    import skimage
    import skimage.data
    from scipy.ndimage import fourier_shift
    from skimage.registration import phase_cross_correlation

    shifts = [(0.37, -0.21), (-1.63, 0.84), (0.05, 2.5)]
    read = 8.0
    files, cases = {}, []
    for t, name in enumerate(["brick", "grass", "gravel", "camera"]):
        texture = getattr(skimage.data, name)().astype(float)
        corner = (texture.shape[0] - WINDOW) // 2
        part = slice(corner, corner + WINDOW)
        for k, peak in enumerate([25.0, 150.0, 2000.0]):
            dx, dy = shifts[(t + k) % len(shifts)]
            light = texture / texture.max() * peak
            moved = np.fft.ifft2(fourier_shift(np.fft.fft2(light), (dy, dx))).real
            rng = np.random.default_rng(100 + 10 * t + k)
            clean = np.clip(moved[part, part], 0.0, None)
            noisy = rng.poisson(clean) + rng.normal(0.0, read, clean.shape)
            fixed = dn(light[part, part])
            moving = dn(noisy)
            stem = f"{name}_{peak:.0f}e"
            files[f"{stem}_fixed.pgm"] = pgm(fixed)
            files[f"{stem}_moving.pgm"] = pgm(moving)
            found = {}
            for key, normalization in [("phase", "phase"), ("plain", None)]:
                # The library gives the shift that moves "moving" back onto "fixed".
                back, _, _ = phase_cross_correlation(
                    fixed - fixed.mean(),
                    moving - moving.mean(),
                    upsample_factor=100,
                    normalization=normalization,
                )
                found[f"{key}_x_px"] = -float(back[1])
                found[f"{key}_y_px"] = -float(back[0])
            cases.append(
                {
                    "texture": name,
                    "peak_e": peak,
                    "read_noise_e": read,
                    "fixed": f"{stem}_fixed.pgm",
                    "moving": f"{stem}_moving.pgm",
                    "shift_x_px": dx,
                    "shift_y_px": dy,
                    **found,
                }
            )
    source = f"scikit-image {skimage.__version__}, scipy {scipy.__version__}"
    return {"source": source, "window": WINDOW, "cases": cases}, files


def differences(path, old, new, tolerance):
    """Places where two JSON values differ, as texts."""
    if isinstance(new, dict) and isinstance(old, dict):
        if old.keys() != new.keys():
            return [f"{path}: keys {sorted(old)} and {sorted(new)}"]
        out = []
        for k in new:
            found = k.endswith("_px") and not k.startswith("shift")
            out += differences(f"{path}.{k}", old[k], new[k], 0.0101 if found else tolerance)
        return out
    if isinstance(new, list) and isinstance(old, list):
        if len(old) != len(new):
            return [f"{path}: {len(old)} and {len(new)} values"]
        return [d for i, (a, b) in enumerate(zip(old, new)) for d in differences(f"{path}[{i}]", a, b, tolerance)]
    if isinstance(new, float) and isinstance(old, (int, float)):
        return [] if abs(old - new) <= tolerance * max(1.0, abs(new)) else [f"{path}: {old} and {new}"]
    return [] if old == new else [f"{path}: {old} and {new}"]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare with the committed tables")
    check = parser.parse_args().check
    shifts, pictures = shifts_table()
    tables = {
        "sigma_clip.json": sigma_clip_table(),
        "calibration.json": calibration_table(),
        "shifts.json": shifts,
    }
    if not check:
        TABLES.mkdir(exist_ok=True)
        for name, table in tables.items():
            (TABLES / name).write_text(json.dumps(table, indent=1) + "\n")
        for name, data in pictures.items():
            (TABLES / name).write_bytes(data)
        return 0
    faults = []
    for name, table in tables.items():
        path = TABLES / name
        if not path.exists():
            faults.append(f"{name}: missing")
            continue
        # Through text and back, so that both sides are plain JSON.
        faults += differences(name, json.loads(path.read_text()), json.loads(json.dumps(table)), 1e-9)
    for name, data in pictures.items():
        path = TABLES / name
        if not path.exists() or path.read_bytes() != data:
            faults.append(f"{name}: {'differs' if path.exists() else 'missing'}")
    wanted = set(tables) | set(pictures)
    faults += [f"{p.name}: not made by this script" for p in TABLES.iterdir() if p.name not in wanted]
    for fault in faults[:50]:
        print(fault)
    print(f"{len(tables)} tables and {len(pictures)} pictures, {len(faults)} differences")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
