//! A cache of intermediate results changes how long a run takes, and nothing else.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use phasemill_engine::lineage::{Lineage, Record};

use crate::support::{
    Channel, Layout, Outcome, command, files, finish, names, noise, phasemill, record, sine, square,
};

/// All kinds of work over samples, at slow rates too, where a cache takes their place.
const RECIPE: &str = r#"Recipe(
    title: "a chain with slow parts",
    inputs: { "x": Wave(unit: "V"), "ref": Wave(unit: "V") },
    constants: { "gain": Constant(value: "1.0e6 V/A", standard_uncertainty: "0.5 %", source: "made up") },
    stages: {
        "ac": RemoveOffset(of: "x"),
        "clock": Reference(of: "ref", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "20 ms")),
        "slow": Decimate(of: "smooth", to: "50 Hz"),
        "scaled": Amplify(of: "slow", divide_by: "gain"),
        "current": Average(of: "scaled"),
        "polar": Polar(of: "current"),
        "net": Background(of: "current", point: Index(0)),
        "quiet": Filter(of: "x", kind: RcCascade(poles: 4, time_constant: "20 ms")),
        "level": Decimate(of: "quiet", to: "50 Hz"),
        "steady": RemoveOffset(of: "level"),
        "rest": Average(of: "steady", over: Blocks("0.5 s")),
        "density": Spectrum(of: "level", segment: "2 s"),
        "calm": Filter(of: "x", kind: RcCascade(poles: 2, time_constant: "30 ms")),
        "pace": Decimate(of: "calm", to: "50 Hz"),
        "mean": Average(of: "pace"),
    },
    results: ["slow", "steady", "current", "polar", "net", "rest", "density", "mean", "clock.frequency", "clock.jitter"],
)
"#;
const RATE: f64 = 5000.0;
const POINTS: usize = 4;
/// More than a block of samples, so that what is replayed comes in several pieces.
const LENGTH: usize = 70_000;

fn made(path: &Path, seed: u64) {
    let (mut x, mut reference) = (Vec::new(), Vec::new());
    for point in 0..POINTS {
        let tone = sine(LENGTH, RATE, 170.0, 3.0 + point as f64, 0.4);
        let noise = noise(LENGTH, 1.0, seed + point as u64);
        x.extend(tone.iter().zip(noise).map(|(t, n)| t + n + 0.5));
        reference.extend(square(LENGTH, RATE, 170.0));
    }
    // A point that fails behind a stage that does not.
    x[2 * LENGTH + 50_000] = f64::NAN;
    let channel = |dataset, samples| Channel {
        points: POINTS,
        ..Channel::volts(dataset, samples)
    };
    record(
        path,
        RATE,
        Layout::Chunked(4096),
        &[channel("/x", &x), channel("/ref", &reference)],
    );
    aged(path, 60);
}

/// Gives a file the time of some seconds ago: one of just now is not trusted.
fn aged(path: &Path, seconds: u64) {
    let file = File::options().write(true).open(path).unwrap();
    let then = SystemTime::now() - Duration::from_secs(seconds);
    file.set_modified(then).unwrap();
}

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let bench = Bench {
            folder: tempfile::tempdir().unwrap(),
        };
        bench.write("recipe.ron", RECIPE);
        made(&bench.at("a.h5"), 1);
        bench
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.at(name), text).unwrap();
    }

    fn arguments<'a>(recording: &'a str, out: &'a str, more: &[&'a str]) -> Vec<&'a str> {
        let run = ["run", "recipe.ron", recording, "--out", out, "--overwrite"];
        [&run[..], more].concat()
    }

    /// A run, in which a point fails.
    fn run(&self, out: &str, more: &[&str]) -> Outcome {
        let arguments = Self::arguments("a.h5", out, more);
        phasemill(self.folder.path(), &arguments).expect(2)
    }

    fn cached(&self, out: &str) -> Outcome {
        self.run(out, &["--cache", "kept"])
    }

    /// The record without what differs from run to run, held against the file.
    fn record(&self, out: &str) -> Lineage {
        let record = Record::open(&self.at(out)).unwrap();
        assert!(record.is_whole(), "{out}");
        let mut lineage = record.lineage;
        for entry in &lineage.entries {
            for output in &entry.outputs {
                let found = record
                    .file
                    .digest(&entry.name, &output.name, output.points)
                    .unwrap();
                assert_eq!(found.content(), output.content, "{out}: {}", output.name);
            }
        }
        lineage.began.clear();
        lineage.ended.clear();
        lineage
            .entries
            .iter_mut()
            .for_each(|e| e.from_cache.clear());
        lineage
    }

    fn same(&self, one: &str, other: &str, what: &str) {
        let (one, other) = (self.record(one), self.record(other));
        assert!(!one.entries.is_empty());
        assert_eq!(one, other, "{what}");
    }

    fn entries(&self) -> Vec<PathBuf> {
        files(&self.at("kept"), ".kept")
    }
}

/// How many stages at points a run took from its cache, and how many it added.
fn counts(outcome: &Outcome) -> [u64; 2] {
    let line = outcome.out.lines().find(|l| l.starts_with("cache: "));
    let words: Vec<&str> = line.unwrap().split(' ').collect();
    [1, 8].map(|at| words[at].parse().unwrap())
}

/// What is kept of the 10 stages that run over samples (`ac`, `product`, `smooth`, `quiet` and `calm` are computed together
/// with the stages behind them): at one point the filters fail, and with them all behind; `ac`, `clock` and `product` do not.
const KEPT: u64 = 10 * (POINTS as u64 - 1) + 3;
/// What is found again: at that point nothing, since `product` must give its samples anew for the fault.
const FOUND: u64 = 10 * (POINTS as u64 - 1);

#[test]
fn a_cache_changes_no_bit_and_nothing_on_record() {
    let bench = Bench::new();
    bench.run("plain.h5", &[]);
    let cold = bench.cached("cold.h5");
    assert_eq!(counts(&cold), [0, KEPT], "{}", cold.out);
    let warm = bench.cached("warm.h5");
    assert_eq!(counts(&warm), [FOUND, 0], "{}", warm.out);
    bench.same("plain.h5", "cold.h5", "cold");
    bench.same("plain.h5", "warm.h5", "warm");
    let noted = |out: &str| {
        let entries = Record::open(&bench.at(out)).unwrap().lineage.entries;
        entries[0].from_cache.clone()
    };
    assert!(noted("plain.h5").is_empty() && noted("cold.h5").is_empty());
    let warm = noted("warm.h5");
    assert!(warm.contains(&"scaled".to_owned()) && !warm.contains(&"polar".to_owned()));
    let trace = |out: &str, more: &[&str]| {
        let arguments = [&["trace", out, "polar.amplitude"], more].concat();
        phasemill(bench.folder.path(), &arguments).expect(0).out
    };
    let cached = |out: &str| {
        let told = trace(out, &[]);
        let line = told.lines().find(|l| l.contains("- scaled: Amplify"));
        line.unwrap().contains("at least in part from the cache")
    };
    assert!(cached("warm.h5") && !cached("cold.h5"));
    let json: serde_json::Value = serde_json::from_str(&trace("warm.h5", &["--json"])).unwrap();
    let named = json["outputs"][0]["from_cache"].as_array().unwrap();
    assert!(named.contains(&"scaled".into()) && !named.contains(&"polar".into()));
    // It is verified by computing again, without the cache.
    std::fs::remove_dir_all(bench.at("kept")).unwrap();
    phasemill(bench.folder.path(), &["verify", "warm.h5"]).expect(0);
}

#[test]
fn an_edit_recomputes_what_is_behind_it_and_no_more() {
    let bench = Bench::new();
    bench.cached("first.h5");
    for (what, old, new, again, before) in [
        ("the last average", "\"0.5 s\"", "\"0.7 s\"", 3, 0),
        (
            "a slow offset",
            "RemoveOffset(of: \"level\")",
            "RemoveOffset(of: \"level\", method: Line)",
            6,
            0,
        ),
        ("a constant", "1.0e6 V/A", "1.1e6 V/A", 6, 0),
        (
            "a fast filter",
            "of: \"product\", kind: RcCascade(poles: 4",
            "of: \"product\", kind: RcCascade(poles: 3",
            9,
            3,
        ),
        // Chains of one group share sums: what is behind the other one is computed again, too.
        (
            "a chain of a group",
            "RcCascade(poles: 2",
            "RcCascade(poles: 3",
            18,
            0,
        ),
        ("a title", "a chain", "the chain", 0, 0),
        ("nothing", "stages: {", "stages: { /* as it was */", 0, 0),
    ] {
        let edited = RECIPE.replace(old, new);
        assert_ne!(edited, RECIPE, "{what}");
        bench.write("recipe.ron", &edited);
        let cached = bench.cached("cached.h5");
        bench.run("plain.h5", &[]);
        bench.same("plain.h5", "cached.h5", what);
        // Fast stages before the edit are computed again for their samples, and not kept again.
        assert_eq!(counts(&cached), [FOUND - again - before, again], "{what}");
    }
}

/// Whatever is missing, broken or cut short is computed again, and the rest is used.
#[test]
fn any_part_of_a_cache_may_be_gone_or_damaged() {
    let bench = Bench::new();
    bench.run("plain.h5", &[]);
    bench.cached("cached.h5");
    for trial in 0..12 {
        let of_trial = |(at, path): (usize, PathBuf)| {
            let chosen = (at * 7919 + trial * 104_729) % 12 < 2 + trial % 5;
            chosen.then_some(path)
        };
        let all = bench.entries().into_iter().enumerate();
        let chosen: Vec<PathBuf> = all.filter_map(of_trial).collect();
        assert!(chosen.len() > 5);
        for path in &chosen {
            let mut bytes = std::fs::read(path).unwrap();
            let at = (bytes.len() - 1) * (trial + 1) / 12;
            match trial % 4 {
                0 => std::fs::remove_file(path).unwrap(),
                1 => {
                    bytes[at] ^= 4;
                    std::fs::write(path, &bytes).unwrap();
                }
                2 => std::fs::write(path, &bytes[..at]).unwrap(),
                _ => std::fs::write(path, []).unwrap(),
            }
        }
        let cached = bench.cached("cached.h5");
        bench.same("plain.h5", "cached.h5", &format!("trial {trial}"));
        if trial % 4 != 0 {
            cached.says("damaged entries were computed again");
        }
    }
    // An entry in the place of another one is none.
    let all = bench.entries();
    let ends: Vec<&PathBuf> = all
        .iter()
        .filter(|p| p.to_string_lossy().contains("-samples-"))
        .collect();
    std::fs::copy(ends[0], ends[1]).unwrap();
    bench
        .cached("cached.h5")
        .says("1 damaged entries were computed again");
    bench.same("plain.h5", "cached.h5", "a swapped entry");
}

#[test]
fn a_recording_that_changed_is_read_again() {
    let bench = Bench::new();
    bench.cached("cached.h5");
    // As long, and with the time of the one before.
    let time = std::fs::metadata(bench.at("a.h5")).unwrap().modified();
    made(&bench.at("a.h5"), 100);
    let file = File::options().write(true).open(bench.at("a.h5")).unwrap();
    file.set_modified(time.unwrap()).unwrap();
    bench.run("plain.h5", &[]);
    let cached = bench.cached("cached.h5");
    // What only depends on the reference, which is the same, is the same.
    assert_eq!(counts(&cached)[0], 0, "{}", cached.out);
    bench.same("plain.h5", "cached.h5", "other samples");
    // A file that is being written is not trusted, and not taken for what it was.
    made(&bench.at("a.h5"), 200);
    aged(&bench.at("a.h5"), 0);
    bench.run("plain.h5", &[]);
    for _ in 0..2 {
        let cached = bench.cached("cached.h5");
        assert_eq!(counts(&cached)[0], 0, "{}", cached.out);
        bench.same("plain.h5", "cached.h5", "of just now");
    }
}

#[test]
fn by_content_a_copy_is_known_again() {
    let bench = Bench::new();
    let by_content = ["--cache", "kept", "--cache-trust", "content"];
    bench.run("cached.h5", &by_content);
    std::fs::create_dir(bench.at("elsewhere")).unwrap();
    std::fs::copy(bench.at("a.h5"), bench.at("elsewhere/a.h5")).unwrap();
    let run = |out, more| {
        let arguments = Bench::arguments("elsewhere/a.h5", out, more);
        phasemill(bench.folder.path(), &arguments).expect(2)
    };
    let cached = run("cached.h5", &by_content);
    assert_eq!(counts(&cached), [FOUND, 0], "{}", cached.out);
    run("plain.h5", &[]);
    bench.same("plain.h5", "cached.h5", "a copy");
    // A copy is another file to one who trusts files.
    aged(&bench.at("elsewhere/a.h5"), 60);
    assert_eq!(counts(&run("cached.h5", &["--cache", "kept"]))[0], 0);
}

/// A file of which samples changed and nothing else: as no file system does by itself.
#[test]
fn a_print_that_deceives_is_noticed_once_samples_are_read() {
    let bench = Bench::new();
    bench.cached("cached.h5");
    let prints: Vec<PathBuf> = bench
        .entries()
        .into_iter()
        .filter(|p| p.to_string_lossy().contains("-print"))
        .collect();
    assert_eq!(prints.len(), 2 * POINTS);
    // The program cannot tell when all it needs is there; so the prints are turned instead of the samples, and
    // with them every key: all is read, and nothing fits what the prints say.
    for path in &prints {
        let bytes = std::fs::read(path).unwrap();
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let mut forged = [&bytes[..8], &[7; 32]].concat();
        let mut hasher = blake3::Hasher::new();
        hasher.update(&forged).update(name.as_bytes());
        forged.extend(hasher.finalize().as_bytes());
        assert_eq!(forged.len(), bytes.len());
        std::fs::write(path, forged).unwrap();
    }
    bench.run("plain.h5", &[]);
    bench
        .cached("cached.h5")
        .says("changed without a trace in the times of their files");
    bench.same("plain.h5", "cached.h5", "deceived");
}

#[test]
fn a_cache_keeps_to_its_limit_and_drops_what_was_not_used_for_longest() {
    let bench = Bench::new();
    let held = |more: &[&str]| {
        let arguments = [&["cache", "kept"], more].concat();
        phasemill(bench.folder.path(), &arguments).expect(0).out
    };
    let bytes = || -> u64 {
        let sizes = bench.entries();
        sizes.iter().map(|p| p.metadata().unwrap().len()).sum()
    };
    bench.cached("cached.h5");
    let (count, all) = (bench.entries().len(), bytes());
    assert!(held(&[]).starts_with(&format!("{count} entries, ")));
    let entries = bench.entries();
    for (age, path) in entries.iter().enumerate() {
        aged(path, 1000 + age as u64);
    }
    // What is used becomes the newest.
    let last = entries.last().unwrap();
    aged(last, 1);
    held(&["--limit", &format!("{} B", all / 2)]);
    assert!(bytes() <= all / 2 && bytes() > all / 4);
    assert!(last.exists() && entries[0].exists() && !entries[count - 2].exists());
    bench.run("plain.h5", &[]);
    let small = ["--cache", "kept", "--cache-limit", "50 kB"];
    bench.run("cached.h5", &small);
    assert!(bytes() <= 50_000 && bytes() > 0);
    bench.same("plain.h5", "cached.h5", "a small cache");
    assert_eq!(held(&["--clear"]), "0 entries, 0 B\n");
    assert!(bench.entries().is_empty());
}

/// Several runs share a folder, which goes away under them again and again.
#[test]
fn several_runs_at_once_and_a_folder_that_is_deleted() {
    let bench = Bench::new();
    bench.run("plain.h5", &[]);
    let outs = ["0.h5", "1.h5", "2.h5", "3.h5"];
    let start = |out: &&str| {
        let arguments = Bench::arguments("a.h5", out, &["--cache", "kept", "--quiet"]);
        let mut run = command(bench.folder.path());
        run.args(&arguments).stderr(std::process::Stdio::null());
        run.spawn().unwrap()
    };
    for delete in [false, true] {
        let mut runs: Vec<_> = outs.iter().map(start).collect();
        while runs.iter_mut().any(|r| r.try_wait().unwrap().is_none()) {
            if delete {
                let _ = std::fs::remove_dir_all(bench.at("kept"));
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        for (mut run, out) in runs.into_iter().zip(outs) {
            let code = run.wait().unwrap().code();
            // A folder that is not there when a run begins is made, and may be gone before it is marked.
            if delete && code == Some(1) {
                continue;
            }
            assert_eq!(code, Some(2));
            bench.same("plain.h5", out, "runs at once");
        }
    }
    // Whoever deletes it may have got no further than the mark.
    let _ = std::fs::remove_file(bench.at("kept/CACHEDIR.TAG"));
    bench.cached("cached.h5");
    assert_eq!(
        names(&bench.at("kept"))
            .iter()
            .filter(|n| n.contains("partial"))
            .count(),
        0
    );
    bench.same("plain.h5", "cached.h5", "afterwards");
}

#[test]
fn a_folder_with_other_things_is_no_cache() {
    let bench = Bench::new();
    std::fs::create_dir(bench.at("other")).unwrap();
    bench.write("other/letter.txt", "dear reader");
    let run = |more: &[&str]| {
        let arguments = Bench::arguments("a.h5", "cached.h5", more);
        finish(command(bench.folder.path()).args(arguments)).expect(1)
    };
    run(&["--cache", "other"]).says("found one with other files; name another");
    run(&["--cache", "a.h5"]).says("the cache a.h5");
    run(&["--cache", "kept", "--cache-limit", "2 apples"]).says("found the unit `apples`");
    run(&["--cache-limit", "2 GiB"]).says("--cache <FOLDER>");
    run(&["--cache", "kept", "--cache-trust", "fate"]).says("content");
    for folder in ["other", "nowhere"] {
        let told = phasemill(bench.folder.path(), &["cache", folder, "--clear"]).expect(1);
        told.says("expected a folder with CACHEDIR.TAG of phasemill");
    }
    assert!(bench.at("other/letter.txt").exists());
}
