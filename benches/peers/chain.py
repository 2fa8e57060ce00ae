"""The whole job with general-purpose libraries, on the frames that the chain bench kept.

    cargo bench --bench chain -- 40 keep DIR
    python benches/peers/chain.py DIR

Read, black level off, shift by phase correlation against the first frame (a hundredth of a pixel),
resampled with an eight-tap kernel, noise taken out, written as 16-bit TIFF: on all threads. Two ways
to take the noise out: the mean of nine aligned frames, and non-local means over nine frames in a
variance-stabilised coding (strength chosen by the PSNR of a frame). PSNR of still parts and of the moving square
against the truth, each result first laid on it (shift and brightness); hushframe's finished frames
are judged by the same code. Non-local means is timed on a few frames. Versions: requirements.txt.
"""

import pathlib
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from scipy.ndimage import fourier_shift
from skimage.registration import phase_cross_correlation

WIDTH, HEIGHT, BLACK, WHITE = 1920, 1080, 400, 4095 - 400
SIDE, EDGE = 360, 24
REACH = 4
POOL = ThreadPoolExecutor()


def read(file):
    return cv2.imread(str(file), cv2.IMREAD_UNCHANGED).astype(np.float32) - BLACK


def moved(picture, shift, flags=cv2.INTER_LANCZOS4):
    """Content moved by `shift` (x, y)."""
    m = np.float32([[1, 0, shift[0]], [0, 1, shift[1]]])
    return cv2.warpAffine(picture, m, picture.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)


def aligned(files):
    first = read(files[0])

    def one(file):
        frame = read(file)
        down, right = phase_cross_correlation(first, frame, upsample_factor=100, normalization=None)[0]
        return moved(frame, (right, down))

    return list(POOL.map(one, files))


def write(out, k, picture):
    cv2.imwrite(str(out / f"{k:06}.tif"), np.clip(picture + 256, 0, 65535).astype(np.uint16), [cv2.IMWRITE_TIFF_COMPRESSION, 1])


def around(k, n):
    return range(max(0, k - REACH), min(n, k + REACH + 1))


def mean_of_nine(frames, k):
    return np.mean([frames[j] for j in around(k, len(frames))], axis=0)


def non_local_means(frames, k, strength):
    """Noise is 0.5 DN a DN and 150 DN^2: stabilised to a spread of 1, coded in 16 bits."""
    first = min(max(k - REACH, 0), len(frames) - 2 * REACH - 1)
    z = [np.sqrt(8 * np.maximum(f + 300, 0)) for f in frames[first : first + 2 * REACH + 1]]
    low, high = min(p.min() for p in z), max(p.max() for p in z)
    coded = [np.round((p - low) / (high - low) * 65535).astype(np.uint16) for p in z]
    h = strength * 65535 / (high - low)
    out = cv2.fastNlMeansDenoisingMulti(coded, k - first, 2 * REACH + 1, [h], templateWindowSize=5, searchWindowSize=15, normType=cv2.NORM_L1)
    z = out.astype(np.float32) / 65535 * (high - low) + low
    return z**2 / 8 - 300


def judge(picture, k, scene, places):
    """PSNR over still parts and over the square, against the peak of the scene."""
    still = np.ones(picture.shape, bool)
    still[: EDGE], still[-EDGE:], still[:, :EDGE], still[:, -EDGE:] = False, False, False, False
    x, y = 300 + (k * 3) % (WIDTH // 2), HEIGHT // 4
    still[y - EDGE : y + SIDE + EDGE, x - EDGE : x + SIDE + EDGE] = False
    truth = scene[32 : 32 + picture.shape[0], 32 : 32 + picture.shape[1]]
    down, right = phase_cross_correlation(truth[:240], picture[:240], upsample_factor=200, normalization=None)[0]
    laid = np.fft.ifft2(fourier_shift(np.fft.fft2(truth), (-down, -right))).real

    def psnr(a, b):
        gain, offset = np.polyfit(a.ravel(), b.ravel(), 1)
        return 10 * np.log10(scene.max() ** 2 / np.mean((b - gain * a - offset) ** 2)) + 20 * np.log10(abs(gain))

    # The square moves with the rig: where it lies among still things is where the frame was put.
    px, py = x - right - places[k][0], y - down - places[k][1]
    whole = int(round(px)), int(round(py))
    square = scene[HEIGHT // 2 :, WIDTH // 3 :][:SIDE, :SIDE]
    square = np.fft.ifft2(fourier_shift(np.fft.fft2(square), (py - whole[1], px - whole[0]))).real
    inside = picture[whole[1] :, whole[0] :][EDGE : SIDE - EDGE, EDGE : SIDE - EDGE]
    return psnr(laid[still], picture[still]), psnr(square[EDGE:-EDGE, EDGE:-EDGE], inside)


def main(folder):
    folder = pathlib.Path(folder)
    files = sorted((folder / "clip").glob("*.tif"))
    scene = np.fromfile(folder / "scene.f32", "<f4").reshape(HEIGHT + 64, WIDTH + 64).astype(np.float64)
    places = np.loadtxt(folder / "places.txt")
    out = folder / "peers"
    out.mkdir(exist_ok=True)
    n = len(files)
    looked_at = range(n // 4, 3 * n // 4, max(1, n // 8))

    def say(name, ms, get):
        both = np.mean([judge(np.float64(get(k)), k, scene, places) for k in looked_at], axis=0)
        print(f"{name:34} {ms:9.1f} ms a frame   still {both[0]:5.1f} dB   square {both[1]:5.1f} dB", flush=True)

    start = time.perf_counter()
    frames = aligned(files)
    steadied = (time.perf_counter() - start) / n * 1e3
    say("read and steadied", steadied, lambda k: frames[k])
    start = time.perf_counter()
    list(POOL.map(lambda k: write(out, k, mean_of_nine(frames, k)), range(n)))
    say("mean of nine", steadied + (time.perf_counter() - start) / n * 1e3, lambda k: mean_of_nine(frames, k))
    middle = n // 2
    tries = {s: non_local_means(frames, middle, s) for s in (0.6, 1.0, 1.6)}
    strength = max(tries, key=lambda s: judge(np.float64(tries[s]), middle, scene, places)[0])
    start = time.perf_counter()
    kept = {k: non_local_means(frames, k, strength) for k in looked_at}
    [write(out, k, p) for k, p in kept.items()]
    ms = steadied + (time.perf_counter() - start) / len(kept) * 1e3
    say(f"non-local means, strength {strength}", ms, lambda k: kept[k])
    for preset in ("fast", "quality"):
        made = folder / preset / "clip" / "frames"
        results = sorted(made.glob("*.tif"))
        if results:
            say(f"hushframe, {preset} (time: bench)", np.nan, lambda k: cv2.imread(str(results[k]), cv2.IMREAD_UNCHANGED))


if __name__ == "__main__":
    main(sys.argv[1])
