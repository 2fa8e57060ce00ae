"""General-purpose library methods on the frames that the averaging bench exported.

    cargo bench --bench averaging -- export DIR
    python benches/peers/averaging.py DIR

All see the same frames in locked coordinates (the same alignment), 60 a clip. PSNR against the
peak over all / still / moving / the 4 px band at the rim, 8 px from the border left out.
"""

import pathlib
import sys
import time

import cv2
import numpy as np
from scipy.fft import dctn, idctn

SIZE, READ = 256, 8.0
AT = range(6, 55, 6)


def stabilise(x):
    """Anscombe transform for unit gain and the read noise: variance 1."""
    return 2 * np.sqrt(np.maximum(x + 3 / 8 + READ**2, 0))


def restore(z):
    """Its closed-form unbiased inverse: Makitalo and Foi, IEEE TIP 22(1) (2013), from memory."""
    z = np.maximum(z, 1e-3)
    s = np.sqrt(1.5)
    return z**2 / 4 + s / 4 / z - 11 / 8 / z**2 + 5 / 8 * s / z**3 - 1 / 8 - READ**2


def non_local_means(frames, k, strength):
    z = np.stack([stabilise(f) for f in frames[k - 4 : k + 5]])
    low, high = z.min(), z.max()
    coded = [np.round((p - low) / (high - low) * 65535).astype(np.uint16) for p in z]
    h = strength * 65535 / (high - low)
    out = cv2.fastNlMeansDenoisingMulti(coded, 4, 9, [h], templateWindowSize=5, searchWindowSize=15, normType=cv2.NORM_L1)
    return restore(out.astype(np.float64) / 65535 * (high - low) + low)


def shrink(picture):
    """Two-stage 8 x 8 cosine shrinkage of one frame, every position, in the stabilised domain."""
    z = stabilise(picture)

    def one(guide):
        total, weight = np.zeros_like(z), np.zeros_like(z)
        for oy in range(8):
            for ox in range(8):
                h, w = (SIZE - oy) // 8 * 8, (SIZE - ox) // 8 * 8
                cut = lambda p: p[oy : oy + h, ox : ox + w].reshape(h // 8, 8, w // 8, 8)
                c = dctn(cut(z), axes=(1, 3), norm="ortho")
                if guide is None:
                    g = (np.abs(c) > 2.7).astype(float)
                else:
                    p = dctn(cut(guide), axes=(1, 3), norm="ortho") ** 2
                    g = p / (p + 1)
                g[:, 0, :, 0] = 1
                q = 1 / (g**2).sum(axis=(1, 3), keepdims=True) + np.zeros_like(c)
                total[oy : oy + h, ox : ox + w] += (idctn(c * g, axes=(1, 3), norm="ortho") * q).reshape(h, w)
                weight[oy : oy + h, ox : ox + w] += q.reshape(h, w)
        return total / weight

    return restore(one(one(None)))


def psnr(results, truth, outside, peak):
    e = (results - truth)[:, 8:-8, 8:-8] ** 2
    d = outside[:, 8:-8, 8:-8]
    masks = [d > -1e9, d > 4, d < -4, np.abs(d) <= 4]
    return [10 * np.log10(peak**2 / e[m].mean()) for m in masks]


def main(folder):
    print(f"{'scene':26} {'method':26} {'all':>6} {'still':>6} {'moving':>6} {'edge':>6} {'ms/Mpx':>8}")
    for file in sorted(pathlib.Path(folder).glob("*.frames")):
        load = lambda kind: np.fromfile(file.with_suffix("." + kind), "<f4").reshape(-1, SIZE, SIZE)
        frames, truth, outside, own = map(load, ("frames", "truth", "outside", "own"))
        peak = float(file.stem.rsplit("_", 1)[1])
        methods = {
            "temporal median of 9": lambda k: np.median(frames[k - 4 : k + 5], axis=0),
            "aligned mean of 9": lambda k: frames[k - 4 : k + 5].mean(axis=0),
            "cosine shrinkage, 1 frame": lambda k: shrink(frames[k]),
        }
        rows = {"hushframe": (own, float("nan"))}
        for name, method in methods.items():
            start = time.process_time()
            out = np.stack([method(k) for k in AT])
            rows[name] = (out, (time.process_time() - start) / len(AT) / SIZE**2 * 1e9)
        best = None
        for strength in (0.7, 1.0, 1.4, 2.0, 2.8):
            start = time.process_time()
            out = np.stack([non_local_means(frames, k, strength) for k in AT])
            took = (time.process_time() - start) / len(AT) / SIZE**2 * 1e9
            if best is None or psnr(out, truth, outside, peak)[0] > psnr(best[0], truth, outside, peak)[0]:
                best = (out, took)
        rows["non-local means, 9 frames"] = best
        for name, (out, took) in rows.items():
            p = psnr(out, truth, outside, peak)
            print(f"{file.stem:26} {name:26} " + " ".join(f"{v:6.2f}" for v in p) + f" {took:8.0f}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
