"""Times the program and the scripts in pairs, checks that their answers agree, and prints a table."""

import argparse
import json
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import time

import data
import h5py
import numpy as np

HERE = pathlib.Path(__file__).parent
# The two sides are timed in turn, so often.
PAIRS = 3


class Bench:
    """The cases that are asked for, and the table of what they gave."""

    def __init__(self, options):
        self.program = str(pathlib.Path(options.program).resolve())
        self.folder = pathlib.Path(options.folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.options = options
        self.samples = 10**7 if options.quick else 10**8
        self.rows = []
        self.wrong = False

    def command(self, recipe, paths, *more):
        """A run of a recipe; what it gives goes to one place, again and again."""
        self.out = self.folder / "out.h5"
        fixed = ["--out", str(self.out), "--overwrite", "--quiet", "--anonymous", *more]
        recipe = recipe if isinstance(recipe, pathlib.Path) else HERE / f"{recipe}.ron"
        return [self.program, "run", str(recipe), *map(str, paths), *fixed]

    def run(self, command):
        """Seconds that the program takes, with its start."""
        began = time.perf_counter()
        done = subprocess.run(command, stdout=subprocess.DEVNULL)
        seconds = time.perf_counter() - began
        if done.returncode:
            sys.exit(f"expected exit code 0, found {done.returncode} of {' '.join(command[:4])} ...")
        return seconds

    def timings(self, command):
        """Seconds that the program takes, and what it says itself of its time and memory: what the system says holds
        this script's, too."""
        took = self.run(command)
        with h5py.File(self.out) as file:
            return took, json.loads(file["provenance/timings"][()])

    def script(self, name, paths):
        """Seconds and answer of a script."""
        done = subprocess.run(
            [sys.executable, str(HERE / "script.py"), name],
            input=json.dumps([str(p) for p in paths]),
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        return json.loads(done.stdout)

    def row(self, case, measured, target, reached, times, command):
        shown = " ".join(command).replace(self.program, "phasemill")
        shown = shown.replace(f"{HERE}/", "").replace(f"{self.folder}/", "")
        if len(shown) > 110:
            shown = f"{shown[:40]} ... {shown[-66:]}"
        word = "yes" if reached else "NO"
        self.rows.append((case, measured, target, word, times, shown))
        print(f"{case}: {measured} ({target}) {word}", flush=True)

    def faster(self, case, command, script, paths, *factors):
        """How many times a script takes as long as the program, against one target or several."""
        pairs = [(self.script(script, paths)[0], self.run(command)) for _ in range(PAIRS)]
        ratio = statistics.median(slow / fast for slow, fast in pairs)
        for factor in factors:
            shown = (f"{case}, against {script}", f"{ratio:.2f} x", f">= {factor} x")
            self.row(*shown, ratio >= factor, seconds(pairs), command)

    def shorter(self, case, command, script, paths, part):
        """What part the program takes of a script's time."""
        pairs = [(self.script(script, paths)[0], self.run(command)) for _ in range(PAIRS)]
        ratio = statistics.median(fast / slow for slow, fast in pairs)
        self.row(case, f"{ratio:.2f} x", f"<= {part} x", ratio <= part, seconds(pairs), command)

    def agree(self, case, command, script, paths, read, tolerance):
        """Whether the program answers as the script does, to `tolerance` times the largest number."""
        self.run(command)
        mine, theirs = read(self.out), self.script(script, paths)[1]
        if isinstance(theirs[0], str):
            with h5py.File(theirs[0]) as file:
                theirs = file["slow"][:].ravel()
        theirs = np.asarray(theirs)
        if mine.shape != theirs.shape:
            error = f"{mine.shape} numbers, not {theirs.shape}"
        else:
            error = np.abs(mine - theirs).max() / np.abs(theirs).max()
            if error <= tolerance:
                print(f"{case}: same as {script} to {error:.1e} (tolerance {tolerance:.0e})", flush=True)
                return True
        self.wrong = True
        self.row(case, "other answer", f"within {tolerance:.0e}", False, str(error), command)
        return False


def seconds(pairs):
    """The medians of both sides."""
    slow, fast = (statistics.median(side) for side in zip(*pairs))
    return f"{slow:.3f} s, {fast:.3f} s"


def phasors(*names):
    """Reads in-phase and quadrature parts of results, point by point."""

    def read(path):
        with h5py.File(path) as file:
            entry = file[file.attrs["default"]]
            parts = [[entry[n]["in_phase"][:], entry[n]["quadrature"][:]] for n in names]
            return np.concatenate([np.transpose(p).ravel() for p in parts])

    return read


def samples(path):
    """Reads kept samples."""
    with h5py.File(path) as file:
        slow = file[file.attrs["default"]]["slow"]
        return np.concatenate([slow["in_phase"][:].ravel(), slow["quadrature"][:].ravel()])


def lines(bench):
    """One line in one long record, in three layouts."""
    # Scripts add up in another order, and take the phase from a product that rounding turns by less than
    # 1e-16 of 1e8 / 50 kHz * 173 Hz cycles, that is 4e-11 of a cycle; means of 2e3 numbers lose less.
    for layout in ("whole", "chunks"):
        path = data.one(bench.folder, layout, bench.samples)
        command = bench.command("line", [path])
        case = f"one line, {layout}"
        if bench.agree(case, command, "line.work", [path], phasors("answer"), 1e-9):
            bench.faster(case, command, "line.work", [path], 100)
            bench.faster(case, command, "line_fused.work", [path], 10)
            bench.shorter(f"{case}, of read.work", command, "read.work", [path], 1.7)
    path = data.one(bench.folder, "deflate", bench.samples)
    command = bench.command("line", [path])
    if bench.agree("one line, deflate", command, "line.work", [path], phasors("answer"), 1e-9):
        bench.shorter("one line, deflate, of read.work", command, "read.work", [path], 0.3)


def squares(bench):
    path = data.with_square(bench.folder, bench.samples)
    command = bench.command("square", [path])
    read = phasors("harmonic 1", "harmonic 2", "harmonic 3")
    # Levels, and so the middle between them, may be told apart by the noise of 5 codes in 16000, which
    # shifts edges of 7000 codes a sample by 1e-3 samples, that is 2e-5 of three cycles' radians a harmonic.
    if bench.agree("square reference", command, "square.work", [path], read, 2e-4):
        bench.faster("square reference, three harmonics", command, "square.work", [path], 40)


def filters(bench):
    path = data.one(bench.folder, "whole", bench.samples)
    for kind, factors in (("butterworth", [20]), ("kaiser", [20, 1])):
        command = bench.command(kind, [path])
        script = f"filters.{kind}"
        # A sixth-order low-pass at 1/2500 of the rate amplifies rounding by some 1e6 in the script, whose phase is
        # turned by up to 4e-11 of a cycle as above; fast convolution loses some 1e-15 of the largest number.
        if bench.agree(kind, command, script, [path], samples, 1e-9):
            bench.faster(f"{kind}, kept", command, script, [path], *factors)


def alternatives(bench):
    path = data.one(bench.folder, "whole", bench.samples)
    one, eight = (bench.command(recipe, [path]) for recipe in ("one", "eight"))
    pairs = [(bench.run(eight), bench.run(one)) for _ in range(PAIRS)]
    ratio = statistics.median(a / b for a, b in pairs)
    bench.row("eight filters, of one", f"{ratio:.2f} x", "<= 2 x", ratio <= 2, seconds(pairs), eight)


def many(bench):
    count = 100 if bench.options.quick else 2000
    paths = data.many(bench.folder, count, 200_000)
    wiring = ["--wiring", str(HERE / "many.wiring.ron")]
    command = bench.command("many", paths, *wiring)
    case = f"{count} small recordings"
    if bench.agree(case, command, "many.work", paths, phasors("answer"), 1e-9):
        bench.faster(case, command, "many.work", paths, 20)
    cores(bench, case, command)


def checks(bench):
    path = data.one(bench.folder, "whole", bench.samples)
    command = [bench.program, "check", str(HERE / "line.ron"), str(path)]
    took = statistics.median(bench.run(command) for _ in range(20)) * 1000
    bench.row("check, one recording", f"{took:.1f} ms", "<= 20 ms", took <= 20, "", command)


def cores(bench, case, command):
    """What a second thread brings."""
    pairs = [
        tuple(bench.run([*command, "--threads", n]) for n in ("1", "2")) for _ in range(PAIRS)
    ]
    ratio = statistics.median(a / b for a, b in pairs)
    case = f"{case}, 2 threads against 1"
    bench.row(case, f"{ratio:.2f} x", ">= 1.8 x", ratio >= 1.8, seconds(pairs), command)


def threads(bench):
    path = data.one(bench.folder, "whole", bench.samples)
    cores(bench, "one line, whole", bench.command("line", [path]))


def hashing(bench):
    """What a run takes longer for the hash of its recording, where that comes from the disk and where the system
    has it in memory: at most the time of all threads that hash, shared among them."""
    path = data.one(bench.folder, "whole", bench.samples)
    command = bench.command("line", [path])
    for place in ("from the disk", "in memory"):
        parts = []
        for _ in range(PAIRS):
            if place == "from the disk":
                forget(path)
            took, told = bench.timings(command)
            shares = [s["seconds"] for s in told["shares"] if s["what"].endswith(": hashed")]
            hashed = sum(shares) / os.cpu_count()
            parts.append(hashed / (took - hashed))
        part = statistics.median(parts)
        case = f"hashing, recording {place}, of the rest"
        bench.row(case, f"{part:.2f} x", "<= 0.1 x", part <= 0.1, "", command)


def forget(path):
    """Has the system read a file from the disk the next time."""
    with open(path, "rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def edits(bench):
    """The last stage is edited, and the recipe run again with what a cache holds."""
    edited(bench, "line", data.one(bench.folder, "whole", bench.samples), ["answer"])
    path = data.with_square(bench.folder, bench.samples)
    edited(bench, "square", path, ["harmonic 1", "harmonic 2", "harmonic 3"])


def edited(bench, name, path, results):
    recipe, kept = bench.folder / f"{name}-edited.ron", bench.folder / "cache"
    text = (HERE / f"{name}.ron").read_text()
    read = phasors(*results)
    case = f"last stage of {name} edited"
    pairs = []
    for skip in range(6, 6 + PAIRS):
        shutil.rmtree(kept, ignore_errors=True)
        first = bench.run(bench.command(name, [path], "--cache", str(kept)))
        recipe.write_text(text.replace('Time("5 s")', f'Time("{skip} s")'))
        command = bench.command(recipe, [path], "--cache", str(kept))
        pairs.append((first, bench.run(command)))
        again = read(bench.out)
        bench.run(bench.command(recipe, [path]))
        if not np.array_equal(again, read(bench.out)):
            bench.wrong = True
            return bench.row(case, "other answer", "same bits", False, "", command)
    ratio = statistics.median(b / a for a, b in pairs)
    shown = (f"{case}, of the first run", f"{ratio:.2f} x", "<= 0.05 x")
    return bench.row(*shown, ratio <= 0.05, seconds(pairs), command)


def memory(bench):
    longest = 10**9 if bench.options.large else bench.samples
    short, long = (data.repeated(bench.folder, n) for n in (longest // 10, longest))
    commands = [bench.command("line", [path]) for path in (short, long)]
    low, high = (bench.timings(command)[1]["peak_memory_bytes"] / 2**20 for command in commands)
    case = f"memory at {longest:.0e} samples"
    bench.row(case, f"{high:.0f} MiB", "<= 200 MiB", high <= 200, "", commands[1])
    ratio = high / low
    case += " of that at a tenth"
    bench.row(case, f"{ratio:.2f} x", "<= 1.1 x", ratio <= 1.1, f"{low:.0f} MiB", commands[1])


def table(rows):
    head = ("case", "measured", "target", "reached", "theirs, ours", "command")
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    for row in [head, tuple("-" * w for w in widths), *rows]:
        print("  ".join(text.ljust(w) for text, w in zip(row, widths)).rstrip())


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("program")
    options.add_argument("folder")
    options.add_argument("--quick", action="store_true", help="1e7 samples instead of 1e8")
    options.add_argument("--large", action="store_true", help="memory at 1e9 samples")
    options.add_argument("--only", default="", help="cases whose name holds this word")
    bench = Bench(options.parse_args())
    for case in (lines, squares, filters, alternatives, many, checks, threads, hashing, edits, memory):
        if bench.options.only in case.__name__:
            case(bench)
    print(
        f"\n{bench.samples:.0e} samples, {os.cpu_count()} cores, medians of {PAIRS} pairs; the program's time is"
        " all of its process, a script's its work alone\n"
    )
    table(bench.rows)
    missed = sum(row[3] == "NO" for row in bench.rows)
    print(f"\n{len(bench.rows) - missed} of {len(bench.rows)} targets reached")
    sys.exit(bench.wrong)


main()
