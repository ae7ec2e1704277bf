"""A line at a stated frequency: offset removed, mixed, four RC poles, decimated, averaged.

NumPy and SciPy, block by block with the filter's state, as one would write it with care.
"""

import h5py
import numpy as np
from scipy.signal import sosfilt

BLOCK = 1_000_000


def rc(poles, time_constant, rate):
    """Equal RC poles y[k] = a y[k-1] + (1 - a) x[k], as sections."""
    a = np.exp(-1 / (rate * time_constant))
    return np.tile([1 - a, 0, 0, 1, -a, 0], (poles, 1))


def lock(dataset, rate, frequency, time_constant, every, skip):
    """In-phase and quadrature part of the line, from decimated samples after the first `skip` of them."""
    scale = dataset.attrs["scale"]
    starts = range(0, len(dataset), BLOCK)
    total = sum(int(dataset[i : i + BLOCK].sum(dtype="i8")) for i in starts)
    offset = total / len(dataset)
    sections = rc(4, time_constant, rate)
    state = np.zeros((4, 2, 2))
    slow = []
    for start in starts:
        x = (dataset[start : start + BLOCK] - offset) * (2 * scale)
        cycles = frequency / rate * np.arange(start, start + len(x)) % 1
        product = np.empty((2, len(x)))
        np.multiply(x, np.sin(2 * np.pi * cycles), out=product[0])
        np.multiply(x, np.cos(2 * np.pi * cycles), out=product[1])
        smooth, state = sosfilt(sections, product, axis=1, zi=state)
        slow.append(smooth[:, ::every])
    return np.concatenate(slow, axis=1)[:, skip:].mean(axis=1).tolist()


def work(paths):
    with h5py.File(paths[0]) as file:
        return lock(file["detector"], file.attrs["sample_rate"], 173.0, 0.3, 2500, 100)
