//! What the checks share: the program, recordings made on the spot, and what a run left behind.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::recipe::Recipe;
use phasemill_stages::REGISTRY;

/// The folder of the whole project.
pub fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent().unwrap().to_path_buf()
}

/// Whether expected files are to be rewritten instead of compared.
pub fn updating() -> bool {
    std::env::var_os("PHASEMILL_UPDATE").is_some()
}

/// The program, which Cargo builds beside the folder of the test's own executable.
pub fn program() -> PathBuf {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    let find = || {
        let own = std::env::current_exe().unwrap();
        let folder = own.parent().and_then(Path::parent).unwrap();
        let path = folder.join(format!("phasemill{}", std::env::consts::EXE_SUFFIX));
        let remedy = "run `cargo build -p phasemill` (with `--release` if the tests are)";
        assert!(path.is_file(), "the program is not built; {remedy}");
        if let Some(source) = newer_source(&path) {
            panic!("the program is older than {source}; {remedy}");
        }
        path
    };
    PROGRAM.get_or_init(find).clone()
}

/// A source of the program that was changed after it was built; `cargo build` lists its sources beside
/// it.
fn newer_source(program: &Path) -> Option<String> {
    let changed = |path: &Path| std::fs::metadata(path).and_then(|m| m.modified()).ok();
    let built = changed(program)?;
    let list = std::fs::read_to_string(program.with_extension("d")).ok()?;
    let (_, sources) = list.split_once(": ")?;
    let sources = sources.trim().replace("\\ ", "\0");
    let mut sources = sources.split(' ').map(|s| s.replace('\0', " "));
    let own = root();
    sources.find(|s| {
        let path = Path::new(s);
        path.starts_with(&own) && changed(path).is_some_and(|at| at > built)
    })
}

/// What the program left behind.
#[derive(Debug)]
pub struct Outcome {
    /// Exit code; `None` when a signal ended it.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Outcome {
    /// Expects an exit code, and no panic.
    #[track_caller]
    pub fn expect(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "{self:#?}");
        assert!(!self.err.contains("panicked"), "{}", self.err);
        self
    }

    /// Expects a text in what was printed to standard error.
    #[track_caller]
    pub fn says(self, text: &str) -> Self {
        assert!(
            self.err.contains(text),
            "expected `{text}` in:\n{}",
            self.err
        );
        self
    }
}

/// The program, ready to be given arguments, in a folder.
pub fn command(folder: &Path) -> Command {
    let mut command = Command::new(program());
    command.current_dir(folder).stdin(Stdio::null());
    command
}

/// The program in a folder, on an emulated processor of 2010 that knows vectors of two doubles and no others.
pub fn on_an_old_processor(folder: &Path) -> Command {
    let mut command = Command::new("qemu-x86_64");
    command.args(["-cpu", "Westmere"]).arg(program());
    command.current_dir(folder).stdin(Stdio::null());
    command
}

/// Runs the program in a folder.
pub fn phasemill<A: AsRef<std::ffi::OsStr>>(folder: &Path, arguments: &[A]) -> Outcome {
    finish(command(folder).args(arguments))
}

/// Runs the program in a folder, and interrupts it as Ctrl-C does, a moment after a new file there tells that it has
/// begun.
#[cfg(unix)]
pub fn interrupted(folder: &Path, arguments: &[&str]) -> Outcome {
    use std::time::{Duration, Instant};
    let before = names(folder);
    let mut child = command(folder)
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let began = Instant::now();
    while names(folder) == before && began.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(300));
    let process = child.id().to_string();
    let sent = Command::new("kill").args(["-INT", &process]).status();
    assert!(sent.unwrap().success());
    let stopped = Instant::now();
    while child.try_wait().unwrap().is_none() {
        if stopped.elapsed() > Duration::from_secs(20) {
            child.kill().unwrap();
            panic!("did not stop within 20 s");
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let output = child.wait_with_output().unwrap();
    Outcome {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// Runs a command to its end.
pub fn finish(command: &mut Command) -> Outcome {
    let output = command.output().unwrap();
    Outcome {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// Reads a recipe and checks it without recordings, as `phasemill check` does.
pub fn checked(name: &str, text: &str) -> (Option<Recipe>, Diagnostics) {
    let (recipe, mut all) = Recipe::parse(name, text, &REGISTRY);
    if let Some(recipe) = &recipe {
        phasemill_engine::check::check(recipe, |_| None, &mut all);
    }
    (recipe, all.sorted())
}

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layout {
    /// In one piece.
    Contiguous,
    /// In chunks of so many samples.
    Chunked(usize),
    /// In chunks of so many samples, shuffled and deflated.
    Deflated(usize),
}

/// A channel to be recorded.
pub struct Channel<'a> {
    /// Path of its dataset.
    pub dataset: &'a str,
    /// Its unit.
    pub unit: &'a str,
    /// Its samples, point by point.
    pub samples: &'a [f64],
    /// Points; one gives a dataset with one dimension.
    pub points: usize,
}

impl<'a> Channel<'a> {
    /// One point in volts.
    pub fn volts(dataset: &'a str, samples: &'a [f64]) -> Self {
        Channel {
            dataset,
            unit: "V",
            samples,
            points: 1,
        }
    }
}

/// Makes a file, unlocked: a lock would live on in a program that another check started meanwhile.
pub fn create(path: &Path) -> hdf5::File {
    let mut options = hdf5::File::with_options();
    options.fapl().file_locking(false);
    options.create(path).unwrap()
}

/// Opens a file, unlocked, to look at it or to change it.
pub fn open(path: &Path) -> hdf5::File {
    let mut options = hdf5::File::with_options();
    options.fapl().file_locking(false);
    options.open_rw(path).unwrap()
}

/// Writes an attribute.
pub fn attribute<T: hdf5::H5Type>(at: &hdf5::Location, name: &str, value: T) {
    let made = at.new_attr::<T>().create(name).unwrap();
    made.write_scalar(&value).unwrap();
}

/// Writes an attribute that is a text.
pub fn text_attribute(at: &hdf5::Location, name: &str, value: &str) {
    let value: hdf5::types::VarLenUnicode = value.parse().unwrap();
    attribute(at, name, value);
}

/// Writes a dataset of numbers, with its unit if it has one, and closes it.
pub fn numbers(file: &hdf5::File, name: &str, values: &[f64], unit: &str) {
    let builder = file.new_dataset::<f64>().shape([values.len()]);
    let dataset = builder.create(name).unwrap();
    dataset.write_raw(values).unwrap();
    if !unit.is_empty() {
        text_attribute(&dataset, "units", unit);
    }
}

/// Writes a recording of doubles, all channels at `rate` Hz.
pub fn record(path: &Path, rate: f64, layout: Layout, channels: &[Channel<'_>]) {
    let file = create(path);
    attribute(&file, "sample_rate", rate);
    for channel in channels {
        let length = channel.samples.len() / channel.points;
        let shape = match channel.points {
            1 => vec![length],
            points => vec![points, length],
        };
        let chunk = |samples: usize| match channel.points {
            1 => vec![samples.min(length)],
            _ => vec![1, samples.min(length)],
        };
        let builder = file.new_dataset::<f64>().shape(shape);
        let builder = match layout {
            Layout::Contiguous => builder,
            Layout::Chunked(samples) => builder.chunk(chunk(samples)),
            Layout::Deflated(samples) => builder.chunk(chunk(samples)).shuffle().deflate(4),
        };
        let dataset = builder.create(channel.dataset).unwrap();
        dataset.write_raw(channel.samples).unwrap();
        text_attribute(&dataset, "units", channel.unit);
    }
}

/// `amplitude * sin(2 pi frequency t + phase) + offset` at `rate`.
pub fn sine(length: usize, rate: f64, frequency: f64, amplitude: f64, phase: f64) -> Vec<f64> {
    let step = std::f64::consts::TAU * frequency / rate;
    let value = |i| amplitude * libm::sin(step * i as f64 + phase);
    (0..length).map(value).collect()
}

/// A square of height 1 and offset 1, rising at phase 0, as a chopper gives it.
pub fn square(length: usize, rate: f64, frequency: f64) -> Vec<f64> {
    let up = |i: usize| (i as f64 * frequency / rate).fract() < 0.5;
    (0..length).map(|i| if up(i) { 2.0 } else { 0.0 }).collect()
}

/// Noise of standard deviation near `scale`, the same for the same seed.
pub fn noise(length: usize, scale: f64, seed: u64) -> Vec<f64> {
    use rand_chacha::rand_core::{Rng, SeedableRng};
    let mut generator = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    // A sum of twelve uniform values has variance 1.
    let mut one = || {
        (0..12)
            .map(|_| generator.next_u32() as f64 / 4294967296.0)
            .sum::<f64>()
            - 6.0
    };
    (0..length).map(|_| scale * one()).collect()
}

/// Every file under a folder whose name ends in `ending`, sorted.
pub fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut pending = vec![folder.to_path_buf()];
    while let Some(folder) = pending.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if path.is_dir() && name != "target" && !name.starts_with('.') {
                pending.push(path);
            } else if path.is_file() && name.ends_with(ending) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Names in a folder, sorted.
pub fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// The mean of one channel `x`, whose uncertainty comes from blocks; half a second settles nothing and needs nothing.
pub const MEAN: &str = r#"Recipe(
    title: "mean level",
    inputs: { "x": Wave(unit: "V") },
    stages: { "level": Average(of: "x", over: Blocks("0.1 s")) },
    results: ["level"],
)
"#;

/// A folder with a recipe, `recipe.ron`.
pub fn folder(recipe: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.ron"), recipe).unwrap();
    folder
}

/// Runs `recipe.ron` over one recording into `out.h5` and the table `out.csv`; what was said, and the table.
pub fn tabled(folder: &Path, recording: &str, code: i32) -> (Outcome, String) {
    let arguments = [
        "run",
        "recipe.ron",
        recording,
        "--out",
        "out.h5",
        "--csv",
        "out.csv",
        "--overwrite",
    ];
    let outcome = phasemill(folder, &arguments).expect(code);
    let table = std::fs::read_to_string(folder.join("out.csv")).unwrap();
    (outcome, table)
}
