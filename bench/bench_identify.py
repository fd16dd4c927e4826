"""FRF estimation, 4 drives by 12 responses, 600 s at 512 Hz, against peers in one run: medians and minima in ms."""

import json
import time

import numpy as np
import scipy.fft
import scipy.signal

from washboard.identify import cross_spectra, frf_h1

RATE, N = 512.0, 4096


def loops(u, y):
    auto = [[scipy.signal.csd(b, a, RATE, nperseg=N)[1] for b in u] for a in u]
    cross = [[scipy.signal.csd(b, a, RATE, nperseg=N)[1] for b in u] for a in y]
    return np.linalg.solve(np.array(auto).transpose(2, 1, 0), np.array(cross).transpose(2, 1, 0))


def short_time(u, y):
    window = scipy.signal.get_window("hann", N)
    transform = scipy.signal.ShortTimeFFT(window, N // 2, RATE)
    a = transform.stft(u, p0=1, p1=2 * u.shape[1] // N)
    b = transform.stft(y, p0=1, p1=2 * u.shape[1] // N)
    a, b = a.transpose(1, 0, 2), b.transpose(1, 0, 2)
    back = np.conj(a.transpose(0, 2, 1))
    return (b @ back) @ np.linalg.inv(a @ back)


def bare(u, y):
    for row in np.concatenate([u, y]):
        scipy.fft.rfft(np.lib.stride_tricks.sliding_window_view(row, N)[:: N // 2], axis=-1)


def main():
    rng = np.random.default_rng(1)
    u = rng.standard_normal((4, int(600 * RATE)))
    y = rng.standard_normal((12, 4)) @ u + rng.standard_normal((12, u.shape[1]))
    cases = {
        "washboard": lambda: frf_h1(cross_spectra(u, y, RATE, block_s=N / RATE)),
        "csd loops": lambda: loops(u, y),
        "ShortTimeFFT": lambda: short_time(u, y),
        "bare FFT": lambda: bare(u, y),
    }
    cases["washboard"]()
    spent = {name: [] for name in cases}
    processor = {name: [] for name in cases}
    for _run in range(5):
        for name, call in cases.items():
            start, cpu = time.perf_counter(), time.process_time()
            call()
            spent[name].append(1e3 * (time.perf_counter() - start))
            processor[name].append(1e3 * (time.process_time() - cpu))
    for name in cases:
        print(
            json.dumps(
                {
                    "case": name, "median_ms": round(float(np.median(spent[name])), 1),
                    "min_ms": round(min(spent[name]), 1), "processor_min_ms": round(min(processor[name]), 1),
                    "x_washboard_min": round(min(spent[name]) / min(spent["washboard"]), 2),
                }
            )
        )  # fmt: skip


if __name__ == "__main__":
    main()
