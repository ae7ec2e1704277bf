"""A line mixed and filtered at the full rate, block by block with the filter's state; every 500th sample is kept."""

import h5py
import numpy as np
from scipy.signal import butter, firwin, kaiser_beta, oaconvolve, sosfilt

BLOCK = 1_000_000
EVERY = 500


def keep(path, step):
    """Mixes, filters both parts with `step` and writes what is kept beside the recording; the place of it."""
    target = f"{path}.kept.h5"
    with h5py.File(path) as file, h5py.File(target, "w") as out:
        dataset, rate = file["detector"], file.attrs["sample_rate"]
        scale = 2 * dataset.attrs["scale"]
        kept = out.create_dataset("slow", (2, -(-len(dataset) // EVERY)), "f8")
        for start in range(0, len(dataset), BLOCK):
            x = dataset[start : start + BLOCK] * scale
            cycles = 173.0 / rate * np.arange(start, start + len(x)) % 1
            product = np.empty((2, len(x)))
            np.multiply(x, np.sin(2 * np.pi * cycles), out=product[0])
            np.multiply(x, np.cos(2 * np.pi * cycles), out=product[1])
            y = step(product)[:, ::EVERY]
            kept[:, start // EVERY : start // EVERY + y.shape[1]] = y
    return [target]


def butterworth(paths):
    sections = butter(6, 20.0, fs=50_000.0, output="sos")
    state = np.zeros((len(sections), 2, 2))

    def step(x):
        nonlocal state
        y, state = sosfilt(sections, x, axis=1, zi=state)
        return y

    return keep(paths[0], step)


def kaiser(paths):
    """2001 taps, by fast convolution in blocks that overlap."""
    # The corner of the ideal filter is in the middle of the transition.
    taps = firwin(2001, 20.0 + 90.65 / 2, window=("kaiser", kaiser_beta(60)), fs=50_000.0)
    tail = np.zeros((2, len(taps) - 1))

    def step(x):
        nonlocal tail
        x = np.concatenate((tail, x), axis=1)
        tail = x[:, -tail.shape[1] :]
        return oaconvolve(x, taps[None, :], mode="valid", axes=1)

    return keep(paths[0], step)
