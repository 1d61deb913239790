"""The job of benches/score.rs with general-purpose tools: a strip, five classes, components.

Two ways: in row blocks with numpy, as a scientist would write it with memory in mind, and, where
numba is there, fused over two threads with a table of all colors for 8 bits. Files are read and
written with OpenCV, or tifffile for TIFF.

    score.py STRIP LOGITS_JSON CUT MIN_PIXELS
"""

import json
import resource
import sys
import tempfile
import time

import cv2
import numpy as np

SRGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
BLOCK = 256


def read(path):
    if path.endswith(".png"):
        return cv2.imread(path, cv2.IMREAD_UNCHANGED)[:, :, ::-1]
    import tifffile

    return tifffile.imread(path)


def table_of_codes(dtype):
    if dtype == np.uint8:
        code = np.arange(256) / 255.0
        return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return np.arange(65536) / 65535.0


def in_blocks(picture, logits, out):
    table = table_of_codes(picture.dtype).astype(np.float32)
    matrix, logits = SRGB.astype(np.float32), logits.astype(np.float32)
    for start in range(0, len(picture), BLOCK):
        linear = table[picture[start : start + BLOCK]].reshape(-1, 3)
        xyz = linear @ matrix.T
        total = xyz @ np.array([1, 15, 3], np.float32)
        with np.errstate(all="ignore"):
            u, v = 4 * xyz[:, 0] / total, 9 * xyz[:, 1] / total
            log = np.log10(xyz[:, 1])
            z = logits[:, 0] + np.stack([u, v, log], 1) @ logits[:, 1:].T
            z = np.exp(z - z.max(1, keepdims=True))
            p = z[:, 0] / z.sum(1)
        out[start : start + BLOCK] = np.nan_to_num(p).reshape(out[start : start + BLOCK].shape)


def fused():
    import numba

    numba.set_num_threads(min(2, numba.config.NUMBA_NUM_THREADS))

    @numba.njit(fastmath=True, inline="always")
    def probability(r, g, b, m, w):
        x = m[0, 0] * r + m[0, 1] * g + m[0, 2] * b
        y = m[1, 0] * r + m[1, 1] * g + m[1, 2] * b
        z = m[2, 0] * r + m[2, 1] * g + m[2, 2] * b
        total = x + np.float32(15) * y + np.float32(3) * z
        if not (y > 0 and total > 0):
            return np.float32(0)
        u, v = np.float32(4) * x / total, np.float32(9) * y / total
        log = np.log(y) * np.float32(0.4342944819)
        first = w[0, 0] + w[0, 1] * u + w[0, 2] * v + w[0, 3] * log
        rest = np.float32(0)
        for k in range(w.shape[0]):
            other = w[k, 0] + w[k, 1] * u + w[k, 2] * v + w[k, 3] * log
            rest += np.exp(min(other - first, np.float32(80)))
        return np.float32(1) / rest

    @numba.njit(fastmath=True, parallel=True)
    def direct(picture, table, m, w, out):
        for i in numba.prange(picture.shape[0]):
            for j in range(picture.shape[1]):
                out[i, j] = np.uint8(np.float32(255) * probability(
                    table[picture[i, j, 0]], table[picture[i, j, 1]], table[picture[i, j, 2]], m, w
                ) + np.float32(0.5))

    @numba.njit(fastmath=True, parallel=True)
    def fill(table, m, w, out):
        for r in numba.prange(256):
            for g in range(256):
                for b in range(256):
                    out[(r << 16) | (g << 8) | b] = np.uint8(np.float32(255) * probability(
                        table[r], table[g], table[b], m, w) + np.float32(0.5))

    @numba.njit(parallel=True)
    def look_up(picture, colors, out):
        for i in numba.prange(picture.shape[0]):
            for j in range(picture.shape[1]):
                p = picture[i, j]
                out[i, j] = colors[(np.uint32(p[0]) << 16) | (np.uint32(p[1]) << 8) | np.uint32(p[2])]

    return direct, fill, look_up


def finish(p8, cut, min_pixels, folder):
    cv2.imwrite(folder + "/p.png", p8, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    mask = (p8 >= cut * 255).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    return int((stats[1:, cv2.CC_STAT_AREA] >= min_pixels).sum()), int(mask.sum())


def report(name, start, found):
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"  peer, {name}: {seconds:.2f} s, peak memory of the process so far {peak:.0f} MB, "
        f"{found[0]} components, {found[1]} pixels at or above the cut",
        flush=True,
    )


def main():
    path, logits, cut, min_pixels = sys.argv[1:]
    logits, cut, min_pixels = np.array(json.loads(logits)), float(cut), int(min_pixels)
    with tempfile.TemporaryDirectory() as folder:
        try:
            direct, fill, look_up = fused()
        except ImportError:
            direct = None
        if direct is not None:
            m, w = SRGB.astype(np.float32), logits.astype(np.float32)
            dtype = np.uint8 if path.endswith(".png") else np.uint16
            table = table_of_codes(dtype).astype(np.float32)
            warm, to = np.zeros((4, 4, 3), dtype), np.zeros((4, 4), np.uint8)
            direct(warm, table, m, w, to)
            if dtype == np.uint8:
                colors = np.zeros(1 << 24, np.uint8)
                fill(table, m, w, colors)
                look_up(warm, colors, to)
            start = time.perf_counter()
            picture = read(path)
            p8 = np.empty(picture.shape[:2], np.uint8)
            direct(picture, table, m, w, p8)
            report("numba, fused", start, finish(p8, cut, min_pixels, folder))
            if dtype == np.uint8:
                start = time.perf_counter()
                picture = read(path)
                fill(table, m, w, colors)
                look_up(picture, colors, p8)
                report("numba, table of all colors", start, finish(p8, cut, min_pixels, folder))
        start = time.perf_counter()
        picture = read(path)
        p = np.empty(picture.shape[:2], np.float32)
        in_blocks(picture, logits, p)
        p8 = (p * 255 + 0.5).astype(np.uint8)
        report("numpy in row blocks", start, finish(p8, cut, min_pixels, folder))


main()
