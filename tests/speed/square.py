"""The phase of a square reference from its rising edges; a line mixed at the harmonics 1, 2 and 3, filtered, kept slow."""

import h5py
import numpy as np
from line import rc
from scipy.signal import sosfilt

BLOCK = 1_000_000


def rising(dataset):
    """Places of the rising edges, in samples: where a straight line crosses the middle."""
    starts = range(0, len(dataset), BLOCK)
    ends = [(block.min(), block.max()) for block in (dataset[i : i + BLOCK] for i in starts)]
    middle = (float(min(low for low, _ in ends)) + float(max(high for _, high in ends))) / 2
    edges = []
    for start in starts:
        # One sample more, for an edge between two blocks.
        x = dataset[start : start + BLOCK + 1].astype(float)
        at = np.flatnonzero((x[:-1] < middle) & (x[1:] >= middle))
        edges.append(start + at + (middle - x[at]) / (x[at + 1] - x[at]))
    return np.concatenate(edges)


def work(paths):
    with h5py.File(paths[0]) as file:
        detector, rate = file["detector"], file.attrs["sample_rate"]
        scale = detector.attrs["scale"]
        edges = rising(file["chopper"])
        sections = rc(2, 0.1, rate)
        states, slow = np.zeros((3, 2, 2, 2)), []
        for start in range(0, len(detector), BLOCK):
            x = detector[start : start + BLOCK] * (2 * scale)
            k = np.arange(start, start + len(x))
            first = max(np.searchsorted(edges, start) - 2, 0)
            last = min(np.searchsorted(edges, start + len(x)) + 2, len(edges))
            cycles = np.interp(k, edges[first:last], np.arange(first, last))
            # Beyond the outermost edges the phase goes on as between the next.
            if start == 0:
                early = k < edges[0]
                cycles[early] = (k[early] - edges[0]) / (edges[8] - edges[0]) * 8
            late = k > edges[-1]
            step = 8 / (edges[-1] - edges[-9])
            cycles[late] = len(edges) - 1 + (k[late] - edges[-1]) * step
            kept = []
            for n in range(3):
                turn = 2 * np.pi * ((n + 1) * cycles % 1)
                product = np.empty((2, len(x)))
                np.multiply(x, np.sin(turn), out=product[0])
                np.multiply(x, np.cos(turn), out=product[1])
                smooth, states[n] = sosfilt(sections, product, axis=1, zi=states[n])
                kept.append(smooth[:, ::2500])
            slow.append(kept)
        return np.concatenate(slow, axis=2)[:, :, 100:].mean(axis=2).ravel().tolist()
