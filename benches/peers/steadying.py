"""General-purpose library methods on the scenes that the steadying bench exported.

    cargo bench --bench steadying -- export DIR [WORD ...]
    python benches/peers/steadying.py DIR

Each is given what it is documented for: phase correlation and enhanced correlation against the
first frame, feature tracks with a robust translation against the first frame. "to mean" rows get
a help they do not have by themselves: the mean of all other frames brought together by the true
motion, as clean a template as there can be. Error: rms over frames and axes, a constant offset
removed. Versions: requirements.txt.
"""

import pathlib
import sys
import time

import cv2
import numpy as np
from scipy.ndimage import fourier_shift
from skimage.registration import phase_cross_correlation

SIZE = 384


def error(found, truth):
    d = np.asarray(found) - truth
    d = d[np.isfinite(d).all(axis=1)]
    return np.sqrt(np.mean((d - d.mean(axis=0)) ** 2)) if len(d) else np.nan


def eight_bit(p, low, high):
    return np.clip((p - low) / (high - low) * 255, 0, 255).astype(np.uint8)


def skimage(reference, frame, normalization):
    shift = phase_cross_correlation(reference, frame, upsample_factor=100, normalization=normalization)[0]
    return -shift[1], -shift[0]


def phase_correlate(reference, frame, window=cv2.createHanningWindow((SIZE, SIZE), cv2.CV_64F)):
    return cv2.phaseCorrelate(reference.astype(np.float64), frame.astype(np.float64), window)[0]


def enhanced(reference, frame):
    warp = np.eye(2, 3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-6)
    try:
        _, warp = cv2.findTransformECC(reference, frame, warp, cv2.MOTION_TRANSLATION, stop, None, 5)
    except cv2.error:
        return np.nan, np.nan
    return warp[0, 2], warp[1, 2]


def robust_mean(a, b, limit=1.0):
    """The translation on which most of the pairs agree (random samples of one), then their mean."""
    d = b - a
    if len(d) < 3:
        return np.nan, np.nan
    rng = np.random.default_rng(1)
    best = max(
        (np.linalg.norm(d - d[i], axis=1) < limit for i in rng.integers(0, len(d), 200)), key=lambda m: m.sum()
    )
    return tuple(d[best].mean(axis=0))


def binary_features(reference, frame, low, high):
    orb = cv2.ORB_create(1000)
    (ka, da), (kb, db) = (orb.detectAndCompute(eight_bit(p, low, high), None) for p in (reference, frame))
    if da is None or db is None:
        return np.nan, np.nan
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(da, db)
    a = np.array([ka[m.queryIdx].pt for m in pairs]).reshape(-1, 2)
    b = np.array([kb[m.trainIdx].pt for m in pairs]).reshape(-1, 2)
    return robust_mean(a, b, 2.0)


def tracked_corners(reference, frame, low, high):
    a8, b8 = eight_bit(reference, low, high), eight_bit(frame, low, high)
    points = cv2.goodFeaturesToTrack(a8, 500, 0.01, 7)
    if points is None:
        return np.nan, np.nan
    to, found, _ = cv2.calcOpticalFlowPyrLK(a8, b8, points, None, winSize=(31, 31), maxLevel=3)
    ok = found.ravel() == 1
    return robust_mean(points.reshape(-1, 2)[ok], to.reshape(-1, 2)[ok])


def brought_together(frames, truth):
    shifted = lambda f, p: np.fft.ifft2(fourier_shift(np.fft.fft2(f), (-p[1], -p[0]))).real
    return np.stack([shifted(f, p).astype(np.float32) for f, p in zip(frames, truth)])


def main(folder):
    print(f"{'scene':40} {'method':34} {'rms px':>9} {'x bound':>8} {'lost':>5} {'ms':>6}")
    for file in sorted(pathlib.Path(folder).glob("*.frames")):
        frames = np.fromfile(file, "<f4").reshape(-1, SIZE, SIZE)
        load = lambda kind: np.fromfile(file.with_suffix("." + kind), "<f4").reshape(-1, 2)
        truth, bound = load("truth"), np.sqrt(np.mean(load("bound") ** 2))
        low, high = np.percentile(frames[0], [0.5, 99.5])
        first, n = frames[0], len(frames)
        together = brought_together(frames, truth)
        total = together.sum(axis=0, dtype=np.float64)
        others = lambda k: ((total - together[k]) / (n - 1)).astype(np.float32)
        methods = {
            "phase_cross_correlation": lambda k, f: skimage(first, f, "phase"),
            "phase_cross_correlation, plain": lambda k, f: skimage(first, f, None),
            "phaseCorrelate": lambda k, f: phase_correlate(first, f),
            "findTransformECC": lambda k, f: enhanced(first, f),
            "ORB + RANSAC": lambda k, f: binary_features(first, f, low, high),
            "corner tracks + RANSAC": lambda k, f: tracked_corners(first, f, low, high),
            "phase_cross_correlation, to mean": lambda k, f: skimage(others(k), f, "phase"),
            "phaseCorrelate, to mean": lambda k, f: phase_correlate(others(k), f),
            "findTransformECC, to mean": lambda k, f: enhanced(others(k), f),
        }
        rows = {}
        own = file.with_suffix(".own")
        if own.exists():
            rows["hushframe"] = (load("own"), np.nan)
        for name, method in methods.items():
            start = time.process_time()
            found = np.array([method(k, f) for k, f in enumerate(frames)])
            rows[name] = (found, (time.process_time() - start) / n * 1e3)
        for name, (found, ms) in rows.items():
            e, lost = error(found, truth), int((~np.isfinite(found).all(axis=1)).sum())
            print(f"{file.stem:40} {name:34} {e:9.4f} {e / bound:8.2f} {lost:5} {ms:6.1f}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
