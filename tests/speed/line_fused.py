"""As `line.py`, in one loop over the samples that Numba compiles."""

import math

import h5py
import numba
import numpy as np

BLOCK = 1_000_000


@numba.njit
def run(codes, start, offset, scale, step, a, every, state, slow):
    """Mixes, filters and decimates a block."""
    for i in range(len(codes)):
        x = (codes[i] - offset) * scale
        cycles = step * (start + i)
        turn = 2 * math.pi * (cycles - math.floor(cycles))
        p, q = 2 * x * math.sin(turn), 2 * x * math.cos(turn)
        for pole in range(4):
            p = a * state[pole, 0] + (1 - a) * p
            q = a * state[pole, 1] + (1 - a) * q
            state[pole, 0], state[pole, 1] = p, q
        if (start + i) % every == 0:
            slow[0, (start + i) // every] = p
            slow[1, (start + i) // every] = q


@numba.njit
def total(codes):
    sum = 0
    for code in codes:
        sum += code
    return sum


def warm(paths):
    """Compiles."""
    codes = np.zeros(10, "i2")
    run(codes, 0, 0.5, 1.0, 0.1, 0.9, 5, np.zeros((4, 2)), np.zeros((2, 2)))
    total(codes)


def work(paths):
    with h5py.File(paths[0]) as file:
        dataset, rate = file["detector"], float(file.attrs["sample_rate"])
        scale = float(dataset.attrs["scale"])
        starts = range(0, len(dataset), BLOCK)
        offset = sum(total(dataset[i : i + BLOCK]) for i in starts) / len(dataset)
        every, state = 2500, np.zeros((4, 2))
        slow = np.empty((2, -(-len(dataset) // every)))
        a = math.exp(-1 / (rate * 0.3))
        for start in starts:
            codes = dataset[start : start + BLOCK]
            run(codes, start, offset, scale, 173.0 / rate, a, every, state, slow)
        return slow[:, 100:].mean(axis=1).tolist()
