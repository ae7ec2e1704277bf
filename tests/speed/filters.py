"""A wave filtered at its full rate, block by block with the filter's state; every 50th sample is kept."""

import h5py
import numpy as np
from scipy.signal import butter, firwin, kaiser_beta, oaconvolve, sosfilt

BLOCK = 1_000_000
EVERY = 50


def keep(path, step):
    """Filters with `step` and writes what is kept beside the recording; the place of it."""
    target = f"{path}.kept.h5"
    with h5py.File(path) as file, h5py.File(target, "w") as out:
        dataset = file["detector"]
        scale = dataset.attrs["scale"]
        kept = out.create_dataset("slow", (-(-len(dataset) // EVERY),), "f8")
        for start in range(0, len(dataset), BLOCK):
            y = step(dataset[start : start + BLOCK] * scale)[::EVERY]
            kept[start // EVERY : start // EVERY + len(y)] = y
    return [target]


def butterworth(paths):
    sections = butter(6, 200.0, fs=50_000.0, output="sos")
    state = np.zeros((len(sections), 2))

    def step(x):
        nonlocal state
        y, state = sosfilt(sections, x, zi=state)
        return y

    return keep(paths[0], step)


def kaiser(paths):
    """2001 taps, by fast convolution in blocks that overlap."""
    # The corner of the ideal filter is in the middle of the transition.
    taps = firwin(2001, 200.0 + 90.65 / 2, window=("kaiser", kaiser_beta(60)), fs=50_000.0)
    tail = np.zeros(len(taps) - 1)

    def step(x):
        nonlocal tail
        x = np.concatenate((tail, x))
        tail = x[-len(tail) :]
        return oaconvolve(x, taps, mode="valid")

    return keep(paths[0], step)
