//! What the checks against published values share: the published data, a bench on which a recording
//! is made and a recipe is run over it, and numerical Python as an independent opinion.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use num_complex::Complex64;
use serde_json::Value;
use tempfile::TempDir;

use super::support::{Channel, Layout, Outcome, open, phasemill, record, root};

/// Unit roundoff of doubles.
pub const U: f64 = f64::EPSILON / 2.0;

/// The text of a file of published data; `None`, with a line that says so, where it is absent.
pub fn published(name: &str) -> Option<String> {
    let folder = std::env::var_os("PHASEMILL_REFERENCE_DATA").map(PathBuf::from);
    let folder = folder.unwrap_or_else(|| root().join("../shared/reference-data"));
    let text = std::fs::read_to_string(folder.join(name)).ok();
    if text.is_none() {
        eprintln!("skipped: reference data not found: {name}");
    }
    text
}

/// The rows of a table of published values: fields of every line that is neither a remark nor blank.
pub fn rows(table: &str) -> Vec<Vec<&str>> {
    let lines = table
        .lines()
        .filter(|l| !l.trim().is_empty() && !l.starts_with('#'));
    lines.map(|l| l.split(',').collect()).collect()
}

/// A folder with a recording in it.
pub struct Bench {
    folder: TempDir,
    inputs: Vec<String>,
}

impl Bench {
    /// Records channels in volts at `rate` Hz; each becomes the input of its name.
    pub fn new(rate: f64, channels: &[(&str, &[f64])]) -> Self {
        let volts = channels.iter().map(|(name, s)| Channel::volts(name, s));
        let volts: Vec<Channel> = volts.collect();
        let bench = Bench::empty(channels.iter().map(|(name, _)| *name));
        record(&bench.recording(), rate, Layout::Chunked(4096), &volts);
        bench
    }

    /// A folder for a recording that the test makes itself.
    pub fn empty<'n>(inputs: impl IntoIterator<Item = &'n str>) -> Self {
        Bench {
            folder: TempDir::new().unwrap(),
            inputs: inputs.into_iter().map(str::to_owned).collect(),
        }
    }

    /// Where the recording is.
    pub fn recording(&self) -> PathBuf {
        self.folder.path().join("recording.h5")
    }

    /// Runs stages, written as in a recipe, and keeps flows.
    #[track_caller]
    pub fn run(&self, stages: &str, results: &[&str]) -> Results {
        self.run_recipe(&self.recipe(stages, results))
    }

    /// Runs a whole recipe.
    #[track_caller]
    pub fn run_recipe(&self, recipe: &str) -> Results {
        self.attempt(recipe).expect(0);
        Results::open(&self.folder.path().join("results.h5"))
    }

    /// Runs stages that must come to grief, and gives what was said.
    #[track_caller]
    pub fn refused(&self, stages: &str, results: &[&str]) -> String {
        let outcome = self.attempt(&self.recipe(stages, results));
        assert_ne!(outcome.code, Some(0), "{outcome:#?}");
        assert!(!outcome.err.contains("panicked"), "{}", outcome.err);
        outcome.err
    }

    fn attempt(&self, recipe: &str) -> Outcome {
        std::fs::write(self.folder.path().join("recipe.ron"), recipe).unwrap();
        let arguments = ["run", "recipe.ron", "recording.h5", "-o", "results.h5"];
        let arguments = arguments.iter().chain(&["--overwrite", "--quiet"]);
        phasemill(self.folder.path(), &arguments.collect::<Vec<_>>())
    }

    fn recipe(&self, stages: &str, results: &[&str]) -> String {
        let input = |name: &String| format!("{name:?}: Wave(),");
        let inputs: String = self.inputs.iter().map(input).collect();
        format!(
            "Recipe(title: \"a check\", inputs: {{{inputs}}}, stages: {{{stages}}}, results: {results:?})"
        )
    }
}

/// What a run left behind.
pub struct Results {
    entry: hdf5::Group,
}

impl Results {
    fn open(path: &Path) -> Self {
        let entry = open(path).group("recording").unwrap();
        Results { entry }
    }

    /// Numbers of a kept flow: a column of an estimate or table, or samples.
    #[track_caller]
    pub fn column(&self, flow: &str, column: &str) -> Vec<f64> {
        let path = format!("{flow}/{column}");
        let dataset = self.entry.dataset(&path);
        dataset
            .unwrap_or_else(|e| panic!("{path}: {e}"))
            .read_raw()
            .unwrap()
    }

    /// The one number of a column.
    #[track_caller]
    pub fn one(&self, flow: &str, column: &str) -> f64 {
        let values = self.column(flow, column);
        assert_eq!(values.len(), 1, "{flow}/{column}");
        values[0]
    }

    /// A real estimate.
    #[track_caller]
    pub fn value(&self, flow: &str) -> f64 {
        self.one(flow, "value")
    }

    /// A complex estimate.
    #[track_caller]
    pub fn complex(&self, flow: &str) -> Complex64 {
        Complex64::new(self.one(flow, "in_phase"), self.one(flow, "quadrature"))
    }

    /// Samples of a wave.
    #[track_caller]
    pub fn wave(&self, flow: &str) -> Vec<f64> {
        self.column(flow, "value")
    }

    /// Samples of a phasor.
    #[track_caller]
    pub fn phasor(&self, flow: &str) -> Vec<Complex64> {
        let parts = [
            self.column(flow, "in_phase"),
            self.column(flow, "quadrature"),
        ];
        let pairs = parts[0].iter().zip(&parts[1]);
        pairs.map(|(x, y)| Complex64::new(*x, *y)).collect()
    }
}

/// Expects two numbers to differ by no more than `bound`; gives by how much they do.
#[track_caller]
pub fn near(what: &str, found: f64, expected: f64, bound: f64) -> f64 {
    let off = (found - expected).abs();
    assert!(
        off <= bound,
        "{what}: expected {expected:e}, found {found:e}, off by {off:e}, more than {bound:e}"
    );
    off
}

/// Largest deviation relative to the largest expected value.
#[track_caller]
pub fn deviation(found: &[f64], expected: &[f64]) -> f64 {
    assert_eq!(found.len(), expected.len());
    let full_scale = expected.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    let pairs = found.iter().zip(expected);
    let worst = pairs.fold(0.0, |m: f64, (f, e)| m.max((f - e).abs()));
    assert!(found.iter().chain(expected).all(|v| v.is_finite()));
    assert!(full_scale > 0.0);
    worst / full_scale
}

/// Runs a script that reads JSON and writes JSON; `None` where there is no numerical Python and none
/// was asked for. The interpreter is `python3`, or what `PHASEMILL_PYTHON` names.
pub fn python(script: &str, work: &Value) -> Option<Value> {
    let named = std::env::var("PHASEMILL_PYTHON").ok();
    let python = named.as_deref().unwrap_or("python3");
    let mut probe = Command::new(python);
    probe.args(["-c", "import numpy, scipy.signal"]);
    let found = probe.stdout(Stdio::null()).stderr(Stdio::null()).status();
    if !found.is_ok_and(|status| status.success()) {
        assert!(
            named.is_none(),
            "the interpreter of PHASEMILL_PYTHON has no NumPy and SciPy"
        );
        eprintln!("skipped: python3 with NumPy and SciPy not found, set PHASEMILL_PYTHON");
        return None;
    }
    let mut child = Command::new(python)
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let text = serde_json::to_string(work).unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap().unwrap();
    assert!(output.status.success(), "the Python script failed");
    let found = serde_json::from_slice(&output.stdout);
    let said = String::from_utf8_lossy(&output.stdout);
    Some(found.unwrap_or_else(|e| panic!("{e} in what the Python script printed:\n{said}")))
}

/// The law of chi-square where covariances are estimates, for scripts: `above(x, terms)` with (numbers, raised, spread,
/// count) for each kind of term. A characteristic function is inverted along the real axis (Gil-Pelaez, Biometrika 38, 481
/// (1951)), with that of a ratio as a mean over `scipy.stats.chi2`; for four numbers or more it is right to 1e-6:
/// what is left out falls as t^-2 beyond t = 1e3, and steps resolve what is not yet so small.
pub const LAW: &str = "
import numpy as np
from scipy import stats
def above(x, terms):
    t = np.geomspace(1e-9, 1e3, 12001)
    phi = np.ones(len(t), complex)
    for numbers, raised, spread, count in terms:
        if numbers < 1e-9:
            continue
        if spread == 0:
            phi *= (1 - 2j*t)**(-count*numbers/2)
            continue
        n = numbers*(numbers + 2)/spread
        m = max(n - numbers + 1, 1)
        scale = m - 2 + raised*n/numbers
        low, high = stats.chi2.ppf(1e-13, m), stats.chi2.isf(1e-15, m)
        w = np.geomspace(low, high, 160)
        weight = stats.chi2.pdf(w, m)*w
        one = ((1 - 2j*np.outer(t, scale/w))**(-numbers/2)) @ (weight/weight.sum())
        phi *= one**count
    f = (np.exp(-1j*t*x)*phi).imag
    return float(0.5 + np.trapezoid(f, np.log(t))/np.pi)
";

/// The numbers of a list in JSON.
pub fn reals(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap();
    list.iter().map(|v| v.as_f64().unwrap()).collect()
}

/// SplitMix64: Steele, Lea & Flood, "Fast splittable pseudorandom number generators" (2014).
pub struct Random(pub u64);

impl Random {
    /// Evenly from 0 to below 1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Evenly on a logarithmic scale.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        libm::exp(self.between(libm::log(low), libm::log(high)))
    }

    /// A whole number from 0 to below `count`.
    pub fn below(&mut self, count: u32) -> u32 {
        (self.unit() * f64::from(count)) as u32
    }

    /// A standard normal number (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        radius * libm::cos(std::f64::consts::TAU * self.unit())
    }
}
