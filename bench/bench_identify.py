"""FRF estimation, 4 drives by 12 responses, 600 s at 512 Hz, against peers in one run.

`washboard` stands for spectra, H1, its variance and coherence; processor time is what a machine with one processor
would take. All work on the same segments: 4096 samples, Hann, half overlapped. Ours uses two threads; where a library
lets its transforms run on two workers, that stands beside its usual way.
"""

import numpy as np
import scipy.fft
import scipy.signal
from harness import machine, measure, table

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


def two_workers(case):
    with scipy.fft.set_workers(2):
        return case()


def pyfrf(u, y, *, direct=True):
    from pyFRF import FRF

    found = FRF(
        int(RATE), u[None], y[None], exc_type="f", resp_type="a", window="hann", fft_len=N, nperseg=N, noverlap=N // 2,
        frf_estimator="H1", analytical_inverse=direct, copy=False,
    )  # fmt: skip
    return found.get_FRF("H1", "accelerance").transpose(2, 0, 1)


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
        "ShortTimeFFT and a product": lambda: short_time(u, y),
        "ShortTimeFFT on two workers": lambda: two_workers(lambda: short_time(u, y)),
        "pyFRF": lambda: pyfrf(u, y),
        "pyFRF, as it comes": lambda: pyfrf(u, y, direct=False),
        "bare FFTs": lambda: bare(u, y),
        "bare FFTs on two workers": lambda: two_workers(lambda: bare(u, y)),
    }
    ours = cases["washboard"]().values[20:-20]
    for name in ("csd loops", "ShortTimeFFT and a product", "pyFRF"):
        theirs = cases[name]()
        theirs = theirs.transpose(0, 2, 1) if name == "csd loops" else theirs
        print(f"{name}: largest difference of H1 {np.abs(theirs[20:-20] - ours).max() / np.abs(ours).max():.1e}")
    spectra = cross_spectra(u, y, RATE, block_s=N / RATE)
    theirs = scipy.signal.csd(u[:, None], y, RATE, nperseg=N)[1].transpose(2, 1, 0)
    difference = np.abs(spectra.cross - theirs).max() / np.abs(theirs).max()
    print(f"csd: largest difference of cross-spectra {difference:.1e}")
    print(machine())
    timings = measure(cases, runs=11, few={"csd loops": 4, "pyFRF": 4, "pyFRF, as it comes": 3})
    print(table(timings, reference="washboard", title="FRF estimation, by the clock"))
    least = {name: 1e3 * min(timing.cpu_s) for name, timing in timings.items()}
    print("processor time, least, ms:", {name: round(value, 1) for name, value in least.items()})


if __name__ == "__main__":
    main()
