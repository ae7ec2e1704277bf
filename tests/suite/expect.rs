//! What `expect` says before a measurement: against the laws of noise, published noise bandwidths, numerical
//! Python, and by hand.

use serde_json::{Value, json};
use tempfile::TempDir;

use super::support::{noise, phasemill};
use super::support_reference::{Bench, near, published, python, reals, rows};

/// White noise of 3 mV/√Hz, recorded at 10 samples a second.
const SLOW: &str = r#"Bench(
    title: "made up",
    noise: { "white": White(density: "3 mV/sqrt(Hz)") },
    converter: Converter(rate: "10 Hz"),
)"#;

/// A recipe of one input `x`, mixed at a stated frequency, filtered, and averaged.
pub fn recipe(frequency: f64, filters: &str, last: &str, over: &str) -> String {
    format!(
        r#"Recipe(title: "a plan", inputs: {{ "x": Wave(unit: "V") }}, stages: {{
            "clock": Reference(of: "x", shape: Stated(frequency: "{frequency} Hz")),
            "product": Mix(of: "x", with: "clock"),
            {filters}
            "answer": Average(of: "{last}", over: {over}),
        }}, results: ["answer"])"#
    )
}

/// A folder with a bench and a recipe.
fn folder(bench: &str, recipe: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.ron"), bench).unwrap();
    std::fs::write(folder.path().join("recipe.ron"), recipe).unwrap();
    folder
}

/// What `expect --json` says.
#[track_caller]
fn said(folder: &TempDir, arguments: &[&str]) -> Value {
    let all: Vec<&str> = ["expect", "bench.ron"]
        .iter()
        .chain(arguments)
        .chain(&["--json"])
        .copied()
        .collect();
    let outcome = phasemill(folder.path(), &all).expect(0);
    serde_json::from_str(&outcome.out).unwrap()
}

#[track_caller]
fn number(value: &Value, name: &str) -> f64 {
    value[name]
        .as_f64()
        .unwrap_or_else(|| panic!("{name} in {value:#}"))
}

/// Noise bandwidths of cascades of equal poles and of Butterworth filters (sources in the file of published
/// values), with a mean over a single sample behind them, which adds nothing. The noise is followed until
/// 1e-6 of a step is left, which is a few times that of the bandwidth; sampling and the bilinear transform
/// change it as derived beside the same check of `check`.
#[test]
fn noise_bandwidths_are_the_published_ones() {
    let Some(table) = published("enbw_published.csv") else {
        return;
    };
    let bandwidth = |filter: &str| {
        let smooth = format!(r#""smooth": Filter(of: "product", kind: {filter}),"#);
        let folder = folder(SLOW, &recipe(2.3, &smooth, "smooth", "Point"));
        let found = said(&folder, &["recipe.ron"]);
        let first = &found["averages"][0]["expected"][0];
        assert_eq!(number(first, "averaging_time_s"), 0.1);
        // A density S leaves 2·S·B in each part.
        let band = number(first, "noise_bandwidth_hz");
        let u = number(first, "standard_uncertainty_unit");
        near("u", u, 3e-3 * (2.0 * band).sqrt(), 1e-12);
        band
    };
    for row in rows(&table).iter().skip(1) {
        let n: f64 = row[0].parse().unwrap();
        let found = bandwidth(&format!(r#"RcCascade(poles: {n}, time_constant: "20 s")"#)) * 20.0;
        let (above, below) = row[4].split_once('/').unwrap();
        let exact = above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap();
        let sampling = 1.5 * n / (12.0 * 200.0 * 200.0);
        near("ENBW·τ", found, exact, (sampling + 1e-5) * exact);

        let found = bandwidth(&format!(
            r#"Butterworth(order: {n}, band: Low("0.001 Hz"))"#
        )) / 1e-3;
        let k = libm::tan(std::f64::consts::PI * 1e-4);
        let bound = if n == 1.0 { 2.0 * k } else { 4.0 * k * k };
        near("Butterworth", found, row[1].parse().unwrap(), bound + 2e-5);
    }
}

/// √(4kTR), √(2qI) and q²/12 by hand (k and q of the SI of 2019): 1 kΩ at 300 K has 4.070354 nV/√Hz, 1 µA in
/// 1 kΩ has 0.5660700 nV/√Hz, a step of 2 V/2^12 at 1 kHz has (2/4096)²/12 in 500 Hz, 6.303e-6 V/√Hz.
#[test]
fn laws_of_noise_by_hand() {
    let bench = r#"Bench(title: "three laws", noise: {
            "thermal": Johnson(resistance: "1 kOhm", temperature: "300 K"),
            "shot": Shot(current: "1 uA", gain: "1 kOhm"),
        }, converter: Converter(rate: "1 kHz", full_scale: "1 V", bits: 12))"#;
    let found = said(&folder(bench, ""), &["--at", "17Hz,73Hz"]);
    let budgets = found["budgets"].as_array().unwrap();
    assert_eq!(budgets.len(), 2);
    for budget in budgets {
        let sources = budget["sources"].as_array().unwrap();
        let density = |k: usize| number(&sources[k], "density_unit_per_sqrt_hz");
        near("thermal", density(0), 4.070354e-9, 1e-15);
        near("shot", density(1), 0.5660700e-9, 1e-16);
        let step = 2.0 / 4096.0;
        near("step", density(2), step / (12.0f64 * 500.0).sqrt(), 1e-18);
        let shares: f64 = sources.iter().map(|s| number(s, "share_of_power")).sum();
        near("shares", shares, 1.0, 1e-12);
    }
    near("step", number(&found, "step_unit"), 2.0 / 4096.0, 1e-18);
    let cautions = found["cautions"].to_string();
    assert!(cautions.contains("half a step"), "{cautions}");
}

/// The variance of the mean of n samples behind a filter, by adaptive quadrature of density times gains
/// (scipy.integrate.quad, scipy.signal.butter and freqz), for averages shorter and longer than the filter's
/// memory, of noise that falls with frequency. The part of the band is cut where the mean has its zeros.
const QUADRATURE: &str = r#"
import sys, json
import numpy as np
from scipy import integrate, signal, stats
work = json.load(sys.stdin)
fs, f0, exponent, corner, density = (work[k] for k in ("rate", "line", "exponent", "corner", "density"))
sos = signal.butter(2, work["low"], fs=fs, output="sos")
def power(f):
    return density**2*(corner/np.maximum(np.abs(f), 1e-3))**exponent*(np.abs(f) >= 1e-3)
def integrand(v, n):
    w, h = signal.sosfreqz(sos, worN=np.atleast_1d(v)/fs*2*np.pi)
    x = np.atleast_1d(v)/fs
    d = np.where(np.abs(np.sin(np.pi*x)) < 1e-12, 1.0, np.sin(np.pi*n*x)/(n*np.where(x == 0, 1, np.sin(np.pi*x))))
    f = f0 + np.atleast_1d(v)
    f = f - fs*np.round(f/fs)
    return power(f)*np.abs(h)**2*d**2
out = []
nodes, weights = np.polynomial.legendre.leggauss(12)
for n in work["samples"]:
    zeros = np.arange(-fs/2, fs/2 + fs/n/2, fs/n)
    extra = np.concatenate([-f0 + np.concatenate([-np.geomspace(1e-3, 5, 40), np.geomspace(1e-3, 5, 40)]), np.linspace(-40, 40, 321)])
    edges = np.unique(np.concatenate([zeros, extra]))
    edges = edges[(edges >= -fs/2) & (edges <= fs/2)]
    a, b = edges[:-1], edges[1:]
    v = 0.5*(b - a)[:, None]*nodes + 0.5*(a + b)[:, None]
    whole = float(np.sum(0.5*(b - a)[:, None]*weights*integrand(v.ravel(), n).reshape(v.shape)))
    near, error = integrate.quad(lambda v: float(integrand(v, n)[0]), -fs/n, fs/n, epsabs=0, epsrel=1e-9, limit=200)
    inside = (a >= -fs/n - 1e-9) & (b <= fs/n + 1e-9)
    part = float(np.sum((0.5*(b - a)[:, None]*weights*integrand(v.ravel(), n).reshape(v.shape))[inside]))
    out.append([whole, near, part])
threshold = float(stats.rayleigh.isf(0.05))
power95 = [float(stats.rice.sf(threshold, a)) for a in work["amplitudes"]]
json.dump({"variances": out, "threshold": threshold, "power": power95, "normal": float(stats.norm.isf(0.05))}, sys.stdout)
"#;

#[test]
fn scatter_and_limits_are_those_of_scipy() {
    let (rate, line) = (1000.0, 130.0);
    let bench = r#"Bench(title: "slow noise", signal: "1 V", noise: {
            "slow": Flicker(density: "2 mV/sqrt(Hz)", corner: "40 Hz", exponent: 1.4),
        }, converter: Converter(rate: "1 kHz"))"#;
    let smooth =
        r#""smooth": Filter(of: "product", kind: Butterworth(order: 2, band: Low("3 Hz"))),"#;
    let folder = folder(bench, &recipe(line, smooth, "smooth", "Point"));
    let found = said(&folder, &["recipe.ron"]);
    let rows = found["averages"][0]["expected"].as_array().unwrap();
    let times: Vec<f64> = rows.iter().map(|r| number(r, "averaging_time_s")).collect();
    assert_eq!(times[..3], [0.1, 1.0, 10.0]);
    let us: Vec<f64> = rows
        .iter()
        .map(|r| number(r, "standard_uncertainty_unit"))
        .collect();
    let limits: Vec<f64> = [
        "threshold_unit",
        "smallest_amplitude_unit",
        "smallest_in_phase_unit",
    ]
    .iter()
    .map(|k| number(&rows[0], k) / us[0])
    .collect();
    let work = json!({
        "rate": rate, "line": line, "exponent": 1.4, "corner": 40.0, "density": 2e-3, "low": 3.0,
        "samples": [100, 1000, 10_000], "amplitudes": [0.0, limits[1]],
    });
    let Some(out) = python(QUADRATURE, &work) else {
        return;
    };
    for (k, u) in us.iter().take(3).enumerate() {
        let [whole, near_line, part] = reals(&out["variances"][k])[..] else {
            panic!("three numbers");
        };
        // The rule on pieces agrees with adaptive quadrature around the line.
        near("quadrature", part, near_line, 1e-6 * near_line);
        // The density is taken as its mean in cells of line/64 or less: of its curvature,
        // 1.4·2.4/f²·width²/24, some 3e-5 remain, and 1e-5 of the chain's memory.
        near("variance", u * u, whole, 1e-4 * whole);
    }
    let threshold = out["threshold"].as_f64().unwrap();
    near("threshold", limits[0], threshold, 1e-12);
    let power = reals(&out["power"]);
    near("no signal", power[0], 0.05, 1e-9);
    near("smallest signal", power[1], 0.95, 1e-9);
    near(
        "in phase",
        limits[2],
        2.0 * out["normal"].as_f64().unwrap(),
        1e-12,
    );
}

/// White noise of 3 mV/√Hz behind nothing but a mean over T leaves 3 mV/√T: 1 mV needs 9 s, worked by hand; so
/// do 10 % of 10 mV and 0.1 rad of its phase.
#[test]
fn the_time_for_an_uncertainty_by_hand() {
    let bench = SLOW.replace("noise:", "signal: \"10 mV\", noise:");
    let folder = folder(&bench, &recipe(2.3, "", "product", "Point"));
    for wanted in ["1 mV", "10 %", "0.1 rad"] {
        let found = said(
            &folder,
            &["recipe.ron", "--uncertainty", wanted, "--time", "9 s"],
        );
        let answer = &found["averages"][0];
        near(
            "time",
            number(&answer["wanted"], "averaging_time_s"),
            9.0,
            1e-9,
        );
        near("settling", number(answer, "settling_s"), 0.0, 0.0);
        let there = &answer["in_time"];
        near("u", number(there, "standard_uncertainty_unit"), 1e-3, 1e-12);
        near("relative", number(there, "relative"), 0.1, 1e-10);
        near(
            "phase",
            number(there, "phase_deg"),
            0.1f64.to_degrees(),
            1e-9,
        );
    }
    // 10 mV is not three times the uncertainty of 0.1 s, 9.5 mV.
    let found = said(&folder, &["recipe.ron"]);
    assert_eq!(
        found["averages"][0]["expected"][0]["phase_deg"],
        Value::Null
    );
}

/// 3 mV/√Hz behind a mean over T, and 10 mV behind 1.00 kV/A with 1 %: 10 µA with 3 µA/√(T/s) of noise and 0.1 µA
/// of the constant. 0.125 µA leaves 0.075 µA for the noise, (3/0.075)² = 1600 s; in a difference with a blocked
/// beam, which has the noise once more, twice that; 1.25 % is the same; 0.1 µA is the constant's alone. Worked by hand.
#[test]
fn an_uncertainty_is_wanted_of_the_result_behind_its_constants() {
    let behind = |of: &str| {
        format!(
            r#"Recipe(title: "a plan", inputs: {{
                    "x": Wave(unit: "V"), "y": Wave(unit: "V", dataset: "/x", recording: "blocked") }},
                constants: {{ "gain": Constant(value: "1.00 kV/A", standard_uncertainty: "1 %", source: "made up") }},
                stages: {{
                    "clock": Reference(of: "x", shape: Stated(frequency: "2.3 Hz")),
                    "product": Mix(of: "x", with: "clock"),
                    "voltage": Average(of: "product"),
                    "blocked clock": Reference(of: "y", shape: Stated(frequency: "2.3 Hz")),
                    "blocked product": Mix(of: "y", with: "blocked clock"),
                    "blocked": Average(of: "blocked product"),
                    "net": Combine(of: ["voltage", "blocked"], by: Difference),
                    "current": Amplify(of: "{of}", divide_by: "gain"),
                    "polar": Polar(of: "current"),
                }}, results: ["current", "polar"])"#
        )
    };
    let bench = SLOW.replace("noise:", "signal: \"10 mV\", noise:");
    for (of, times) in [("voltage", 1.0), ("net", 2.0)] {
        let folder = folder(&bench, &behind(of));
        for wanted in ["0.125 uA", "1.25 %"] {
            let found = said(&folder, &["recipe.ron", "--uncertainty", wanted]);
            let answer = &found["averages"][0];
            let needed = &answer["wanted"];
            assert_eq!(needed["result"], "current");
            // The plan's own noise is small, not nothing: 1e-6 squared.
            near("constants", number(needed, "of_constants"), 1e-7, 1e-16);
            // To a sample in 16 000.
            near(
                "time",
                number(needed, "averaging_time_s"),
                1600.0 * times,
                0.11,
            );
            assert_eq!(answer["kept"].as_array().unwrap().len(), 1, "{answer:#}");
            near("value", number(&answer["kept"][0], "value"), 1e-5, 1e-17);
        }
        let wanted = [
            "expect",
            "bench.ron",
            "recipe.ron",
            "--uncertainty",
            "100 nA",
        ];
        let text = phasemill(folder.path(), &wanted).expect(0);
        let told = "an uncertainty of 100 nA of `current` is not reached by averaging: constants alone make 100 nA (constant \
                    gain 100 nA)";
        assert!(text.out.contains(told), "{}", text.out);
    }
    // Of a phase that only `Polar` keeps, noise makes 3 mV/10 mV, 0.3 rad/√(T/s): 0.125 rad with 0.075 rad of a constant
    // leave 0.1 rad, 9 s.
    let turned = behind("voltage")
        .replace(r#"Polar(of: "current")"#, r#"Polar(of: "turned"), "turned": Rotate(of: "current", by: Phase("lag"))"#)
        .replace("constants: {", r#"constants: { "lag": Constant(value: "0.3 rad", standard_uncertainty: "0.075 rad", source: "made up"),"#)
        .replace(r#"results: ["current", "polar"]"#, r#"results: ["polar"]"#);
    let kept = folder(&bench, &turned);
    let found = said(&kept, &["recipe.ron", "--uncertainty", "0.125 rad"]);
    let needed = &found["averages"][0]["wanted"];
    assert_eq!(needed["result"], "polar.phase");
    near("time", number(needed, "averaging_time_s"), 9.0, 1e-9);
    near("constants", number(needed, "of_constants"), 0.075, 1e-9);

    // What has no signal has no constants' part either, and that is said.
    let folder = folder(SLOW, &behind("voltage"));
    let text = phasemill(folder.path(), &["expect", "bench.ron", "recipe.ron"]).expect(0);
    let told = "constants add 1.0 % of its value, which is not in what follows";
    assert!(text.out.contains(told), "{}", text.out);
}

/// Noise is 1 + 40/f times as strong in power: at 2.3 Hz 4.29 times its amplitude at the recommended frequency or more.
#[test]
fn a_recipe_below_the_corner_is_told_of_a_better_frequency() {
    let bench = r#"Bench(title: "made up", noise: { "white": White(density: "1 mV/sqrt(Hz)"),
        "slow": Flicker(density: "1 mV/sqrt(Hz)", corner: "40 Hz") }, converter: Converter(rate: "20 kHz"))"#;
    let folder = folder(bench, &recipe(2.3, "", "product", "Point"));
    let found = said(&folder, &["recipe.ron"]);
    let remarks = found["remarks"].to_string();
    assert!(remarks.contains("at 2.3 Hz the noise is 4."), "{remarks}");
}

#[test]
fn a_recording_gives_rate_and_length() {
    let recording = Bench::new(20.0, &[("x", &noise(1001, 0.1, 3))]);
    let path = recording.recording();
    let folder = folder(SLOW, &recipe(2.3, "", "product", "Point"));
    let path = path.to_str().unwrap();
    let found = said(&folder, &["recipe.ron", path]);
    assert_eq!(number(&found, "rate_hz"), 20.0);
    near(
        "point",
        number(&found["averages"][0], "point_s"),
        50.05,
        1e-9,
    );
    let remarks = found["remarks"].to_string();
    assert!(
        remarks.contains("20 samples/s, the bench states 10"),
        "{remarks}"
    );
    let text = phasemill(folder.path(), &["expect", "bench.ron", "recipe.ron", path]).expect(0);
    assert!(text.out.contains("50.05 s, the point"), "{}", text.out);
}

/// The names that other programs rely on.
#[test]
fn keys_are_stable() {
    let bench = SLOW.replace("noise: {", "signal: \"1 V\", mains: \"3 Hz\", noise: { \"hum\": Line(frequency: \"3 Hz\", amplitude: \"1 V\"),");
    let folder = folder(&bench, &recipe(2.3, "", "product", "Point"));
    let found = said(
        &folder,
        &["recipe.ron", "--time", "9 s", "--uncertainty", "1 mV"],
    );
    let keys =
        |value: &Value| -> Vec<String> { value.as_object().unwrap().keys().cloned().collect() };
    assert_eq!(
        keys(&found).join(" "),
        "accepted errors diagnostics title unit rate_hz signal_peak_unit offset_unit step_unit averaging_time_s budgets advice averages remarks cautions"
    );
    assert_eq!(
        keys(&found["budgets"][0]).join(" "),
        "frequency_hz density_unit_per_sqrt_hz sources nearest_line too_near samples_per_period standard_uncertainty_unit lines_at_most_unit"
    );
    let answer = &found["averages"][0];
    assert_eq!(
        keys(answer).join(" "),
        "averages results frequency_hz settling_s point_s switched noise lines expected kept wanted in_time detects_signal_after_s remarks"
    );
    assert_eq!(
        keys(&answer["expected"][0]).join(" "),
        "averaging_time_s total_time_s noise_bandwidth_hz standard_uncertainty_unit noise_unit lines_at_most_unit relative phase_deg threshold_unit smallest_amplitude_unit smallest_in_phase_unit"
    );
}

#[test]
fn the_starter_bench_plans_the_starter_recipe() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    phasemill(here, &["new", "--bench", "b.ron"]).expect(0);
    phasemill(here, &["new", "r.ron"]).expect(0);
    let alone = phasemill(here, &["expect", "b.ron", "--plot", "p.svg"]).expect(0);
    assert!(alone.out.contains("modulate at "), "{}", alone.out);
    assert!(!alone.out.contains("dither"), "{}", alone.out);
    let both = phasemill(here, &["expect", "b.ron", "r.ron", "--plot", "p.svg"]).expect(0);
    assert!(
        both.out.contains("does not state the frequency"),
        "{}",
        both.out
    );
    let drawing = std::fs::read_to_string(here.join("p.svg")).unwrap();
    assert!(drawing.contains("averaging time in s") && drawing.contains("frequency in Hz"));
    // The same text again, whatever the machine's mood.
    let again = phasemill(here, &["expect", "b.ron", "r.ron"]).expect(0);
    assert_eq!(again.out, both.out);
    let existing = phasemill(here, &["new", "--bench", "b.ron"]).expect(1);
    assert!(
        existing.err.contains("choose a name that is free"),
        "{}",
        existing.err
    );
    assert!(
        phasemill(here, &["expect", "--settings"])
            .expect(0)
            .out
            .contains("Flicker: ")
    );
}

#[test]
fn what_cannot_be_planned_says_why() {
    let level = r#"Recipe(title: "a level", inputs: { "x": Wave() },
        stages: { "level": Average(of: "x") }, results: ["level"])"#;
    let folder = folder(SLOW, &recipe(2.3, "", "product", "Point"));
    std::fs::write(folder.path().join("note.txt"), "mine").unwrap();
    std::fs::write(folder.path().join("level.ron"), level).unwrap();
    for (arguments, part) in [
        (
            vec!["bench.ron", "--at", "5Hz"],
            "below half the sample rate, 5 Hz, found 5 Hz",
        ),
        (
            vec!["bench.ron", "--at", "5"],
            "expected a value with a unit such as Hz, as in 173Hz, found `5`",
        ),
        (
            vec!["bench.ron", "--time", "0 s"],
            "expected a value above zero",
        ),
        (
            vec!["bench.ron", "recipe.ron", "--uncertainty", "3 A"],
            "expected an uncertainty in V as of `answer`, in V as recorded",
        ),
        (
            vec!["bench.ron", "recipe.ron", "--uncertainty", "3 %"],
            "state `signal` in the bench",
        ),
        (
            vec!["bench.ron", "recipe.ron", "--uncertainty", "0 V"],
            "above zero",
        ),
        (vec!["recipe.ron"], "expected `Bench(...)`, found `Recipe`"),
        (
            vec!["bench.ron", "bench.ron"],
            "expected `Recipe(...)`, found `Bench`",
        ),
        (vec!["nothing.ron"], "cannot read the bench nothing.ron"),
        (vec!["bench.ron", "recipe.ron", "note.txt"], "note.txt"),
        (
            vec!["bench.ron", "level.ron"],
            "a kept result behind `Mix` and `Average`",
        ),
        (
            vec!["bench.ron", "--plot", "note.txt"],
            "expected a name that ends in .svg",
        ),
    ] {
        let all: Vec<&str> = std::iter::once("expect").chain(arguments).collect();
        let outcome = phasemill(folder.path(), &all).expect(1);
        assert!(outcome.err.contains(part), "{all:?}\n{}", outcome.err);
    }
    let outcome = phasemill(folder.path(), &["expect", "recipe.ron", "--json"]).expect(1);
    let found: Value = serde_json::from_str(&outcome.out).unwrap();
    assert_eq!(found["accepted"], false);
    assert_eq!(found["diagnostics"][0]["code"], "wrong-type");
}

/// A ratio of averages behind different filters is not told, and that is said; of a phase that no constant touches no
/// part of the value is told.
#[test]
fn what_cannot_be_told_is_said() {
    let bench = r#"Bench(
        title: "made up",
        signal: "1 mV",
        noise: { "white": White(density: "1 uV/sqrt(Hz)") },
        converter: Converter(rate: "10 kHz"),
    )"#;
    let recipe = r#"Recipe(title: "a plan", inputs: { "x": Wave(unit: "V"), "y": Wave(unit: "V") }, stages: {
        "clock": Reference(of: "x", shape: Stated(frequency: "100 Hz")),
        "px": Mix(of: "x", with: "clock"),
        "py": Mix(of: "y", with: "clock"),
        "slow": Filter(of: "px", kind: RcCascade(poles: 2, time_constant: "50 ms")),
        "fast": Filter(of: "py", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "one": Average(of: "slow"),
        "other": Average(of: "fast"),
        "ratio": Combine(of: ["one", "other"], by: Ratio),
        "polar": Polar(of: "ratio"),
        "shown": Polar(of: "one"),
    }, results: ["ratio", "polar", "shown.phase"])"#;
    let folder = folder(bench, recipe);
    let told = phasemill(folder.path(), &["expect", "bench.ron", "recipe.ron"]).expect(0);
    for text in [
        "not told in the unit of the result, since averages with different chains are behind it: `ratio`, `polar`\n",
        "`shown.phase`: 0 deg expected; no constant adds to its uncertainty\n",
    ] {
        assert!(
            told.out.contains(text),
            "expected `{text}` in\n{}",
            told.out
        );
    }
    assert!(!told.out.contains("NaN"), "{}", told.out);
}
