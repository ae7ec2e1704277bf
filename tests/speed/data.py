"""Invented recordings for the benchmark: seeded, made by blocks, kept until what makes them changes."""

import json
import pathlib

import h5py
import numpy as np

RATE = 50_000.0
LINE = 173.0
CHOPPER = 173.08
SCALE = 3e-4
BLOCK = 1_000_000
# Raised when anything below changes.
VERSION = 1

LAYOUTS = {
    "whole": {},
    "chunks": {"chunks": (262_144,)},
    "deflate": {"chunks": (262_144,), "compression": 4, "shuffle": True},
}


def create(file, name, samples, **layout):
    """A channel of 16-bit codes."""
    dataset = file.create_dataset(name, (samples,), "i2", **layout)
    dataset.attrs["units"] = "V"
    dataset.attrs["scale"] = SCALE
    return dataset


def line(start, count, seed, frequency=LINE):
    """A line on an offset, in noise, as codes."""
    noise = np.random.default_rng([seed, start]).standard_normal(count, "f4")
    cycles = frequency / RATE * np.arange(start, start + count) % 1
    return np.rint(1000 * np.sin(2 * np.pi * cycles + 0.6) + 200 * noise + 400).astype("i2")


def square(start, count, seed):
    """A square with flanks of about a sample and some noise, as codes."""
    noise = np.random.default_rng([seed, start, 1]).standard_normal(count, "f4")
    cycles = (CHOPPER / RATE * np.arange(start, start + count) + 0.3) % 1
    flanks = np.clip(40 * np.sin(2 * np.pi * cycles), -1, 1)
    return np.rint(8000 * flanks + 5 * noise).astype("i2")


def record(path, samples, channels, **layout):
    """A recording of channels, each given by what makes its blocks."""
    with h5py.File(path, "w") as file:
        file.attrs["sample_rate"] = RATE
        for name, make in channels.items():
            dataset = create(file, name, samples, **layout)
            for start in range(0, samples, BLOCK):
                dataset[start : start + BLOCK] = make(start, min(BLOCK, samples - start), 7)


def chopped(start, count, seed):
    """A line at the frequency of the square."""
    return line(start, count, seed, CHOPPER)


def kept(path, what, make):
    """Makes files unless they are there, made by the same version from the same numbers."""
    stamp = pathlib.Path(f"{path}.json")
    wanted = json.dumps([VERSION, *what])
    if not (stamp.exists() and stamp.read_text() == wanted):
        print(f"making {path}", flush=True)
        make()
        stamp.write_text(wanted)
    return path


def one(folder, layout, samples):
    """A record of one line."""
    path = folder / f"{layout}-{samples}.h5"
    make = lambda: record(path, samples, {"detector": line}, **LAYOUTS[layout])
    return kept(path, [samples], make)


def with_square(folder, samples):
    """A record of a line and the square that it belongs to."""
    path = folder / f"square-{samples}.h5"
    make = lambda: record(path, samples, {"detector": chopped, "chopper": square})
    return kept(path, [samples], make)


def repeated(folder, samples):
    """A very long record, of one second of samples again and again: quickly made."""
    path = folder / f"repeated-{samples}.h5"

    def make():
        second = np.tile(line(0, int(RATE), 7), BLOCK // int(RATE))
        again = lambda start, count, seed: second[:count]
        record(path, samples, {"detector": again})

    return kept(path, [samples], make)


def many(folder, count, samples):
    """A set of small recordings, one for each position; their paths."""
    inside = folder / f"many-{count}"
    inside.mkdir(exist_ok=True)
    paths = [inside / f"{index:05}.h5" for index in range(count)]

    def make():
        for index, path in enumerate(paths):
            with h5py.File(path, "w") as file:
                file.attrs["sample_rate"] = RATE
                file.attrs["position"] = float(index)
                create(file, "detector", samples)[:] = line(0, samples, index)

    kept(inside, [count, samples], make)
    return paths
