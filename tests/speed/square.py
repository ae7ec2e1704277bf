"""The phase of a square reference from its rising edges; a line mixed at the harmonics 1, 2 and 3."""

import h5py
import numpy as np

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
        detector = file["detector"]
        scale = detector.attrs["scale"]
        edges = rising(file["chopper"])
        sums, count = np.zeros((3, 2)), 0
        for start in range(0, len(detector), BLOCK):
            x = detector[start : start + BLOCK] * scale
            k = np.arange(start, start + len(x))
            known = (k >= edges[0]) & (k <= edges[-1])
            first = max(np.searchsorted(edges, start) - 1, 0)
            last = np.searchsorted(edges, start + len(x)) + 1
            cycles = np.interp(k, edges[first:last], np.arange(first, min(last, len(edges))))
            x, cycles = x[known], cycles[known]
            count += len(x)
            for harmonic in (1, 2, 3):
                turn = 2 * np.pi * (harmonic * cycles % 1)
                sums[harmonic - 1] += [x @ np.sin(turn), x @ np.cos(turn)]
        return (2 * sums / count).ravel().tolist()
