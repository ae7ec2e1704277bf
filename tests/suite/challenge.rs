//! `challenge` on recordings made on the spot: a right recipe passes, and each of the usual faults is
//! caught, on the recording that a user has.

use std::path::Path;

use serde_json::Value;
use tempfile::TempDir;

use super::study::Normal;
use super::support::{Channel, Layout, attribute, open, phasemill, record};

const RATE: f64 = 5000.0;
const SAMPLES: usize = 25_000;
const POINTS: usize = 3;

/// A chopper near 137 Hz whose phase walks by 0.03 of a cycle in a second, and a detector that sees chopped
/// light of 20 mV (full step) in noise of 5 mV.
fn bench() -> TempDir {
    let folder = TempDir::new().unwrap();
    let mut random = Normal::new(7);
    let (mut detector, mut chopper) = (Vec::new(), Vec::new());
    for _ in 0..POINTS {
        let mut phase = random.unit();
        for _ in 0..SAMPLES {
            phase += 137.3 / RATE + 0.03 / RATE.sqrt() * random.draw();
            let up = |p: f64| f64::from(u8::from(p.rem_euclid(1.0) < 0.5));
            chopper.push(5.0 * up(phase));
            detector.push(0.1 + 0.02 * up(phase - 0.1) + 5e-3 * random.draw());
        }
    }
    let channel = |dataset, samples| Channel {
        dataset,
        unit: "V",
        samples,
        points: POINTS,
    };
    let channels = [channel("detector", &detector), channel("chopper", &chopper)];
    let file = folder.path().join("a.h5");
    record(&file, RATE, Layout::Chunked(4096), &channels);
    folder
}

/// The usual chain; `clock`, `mix` and `average` are more settings.
fn recipe(clock: &str, mix: &str, filter: &str, average: &str, express: &str) -> String {
    format!(
        r#"Recipe(
    title: "a chopped signal",
    inputs: {{ "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") }},
    constants: {{ "gain": Constant(value: "1e6 V/A", standard_uncertainty: "0.5 %") }},
    stages: {{
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: {clock}),
        "product": Mix(of: "ac", with: "clock"{mix}),
        "smooth": Filter(of: "product", kind: {filter}),
        "slow": Decimate(of: "smooth", to: "250 Hz"),
        "voltage": Average(of: "slow"{average}),
        "current": Amplify(of: "voltage", divide_by: "gain"{express}),
    }},
    results: ["current"],
)"#
    )
}

const RC: &str = r#"RcCascade(poles: 4, time_constant: "20 ms")"#;
const BLOCKS: &str = r#", over: Blocks("0.3 s")"#;
const STEP: &str = ", express_as: FullStep(chopping: Square())";

/// Runs a challenge and reads what it says as JSON.
#[track_caller]
fn challenged(folder: &Path, recipe: &str, more: &[&str], code: i32) -> Value {
    std::fs::write(folder.join("r.ron"), recipe).unwrap();
    let arguments = [&["challenge", "r.ron", "a.h5", "--json", "--quiet"], more].concat();
    let outcome = phasemill(folder, &arguments);
    let all: Value = serde_json::from_str(&outcome.out).unwrap_or_else(|_| panic!("{outcome:#?}"));
    assert_eq!(all[0]["recording"], "a");
    let report = all[0]["report"].clone();
    let told = (&report["faults"], &report["notes"]);
    assert_eq!(outcome.code, Some(code), "{told:#?}");
    assert_eq!(report["passed"], code == 0, "{told:#?}");
    report
}

fn list<'v>(report: &'v Value, name: &str) -> &'v Vec<Value> {
    report[name].as_array().unwrap()
}

/// Size of what came back over size of what was added, for each tone.
fn gains(report: &Value) -> Vec<f64> {
    let part = |line: &Value, name: &str, k: usize| line[name][k].as_f64().unwrap();
    let size = |line: &Value, name: &str| libm::hypot(part(line, name, 0), part(line, name, 1));
    let lines = list(report, "tones").iter();
    lines
        .map(|l| size(l, "recovered") / size(l, "injected"))
        .collect()
}

#[track_caller]
fn says(report: &Value, name: &str, text: &str) {
    let told = |v: &Value| v.as_str().or(v["what"].as_str()).unwrap().contains(text);
    let found = list(report, name).iter().any(told);
    assert!(found, "expected `{text}` in {name} of {report:#}");
}

/// The chain is linear, so a tone comes back whole but for what settling to 0.01 % leaves: it decays within
/// some 20 ms of the 4 s averaged, 1e-4·0.02/4 = 5e-7, and what the ripple at twice the frequency leaves of
/// (1 + (2π·274·0.02)²)^-2 = 7e-7. The noise beside the signal is what the stated uncertainty says.
#[test]
fn a_right_recipe_gives_back_every_tone() {
    let folder = bench();
    let right = recipe("Square()", "", RC, BLOCKS, STEP);
    let report = challenged(folder.path(), &right, &[], 0);
    assert_eq!(list(&report, "points").len(), POINTS);
    assert_eq!(list(&report, "tones").len(), POINTS * 6);
    for gain in gains(&report) {
        assert!((gain - 1.0).abs() < 1.5e-6, "{gain}");
    }
    assert_eq!(list(&report, "neighbours").len(), POINTS * 8);
    let chi = &report["chi_square"];
    assert_eq!(chi["count"], POINTS * 16);
    assert!(chi["chance_above"].as_f64().unwrap() > 1e-3);
    // The same bits for any number of threads.
    let alone = challenged(folder.path(), &right, &["--threads", "1"], 0);
    assert_eq!(alone, report);
    // In amperes of the full step, as it is known at the bench, and at some points only.
    let known = [
        "--amplitude",
        "5 nA",
        "--as",
        "step",
        "--through",
        "1e6 V/A",
    ];
    let more = [&known[..], &["--points", "0,2", "--phase", "-70 deg"]].concat();
    let report = challenged(folder.path(), &right, &more, 0);
    assert_eq!(list(&report, "tones").len(), 2);
    assert_eq!(report["points"], serde_json::json!([0, 2]));
    let injected = report["tones"][0]["injected"][0].as_f64().unwrap();
    assert!((injected - 5e-9 * libm::cos(70f64.to_radians())).abs() < 1e-23);
}

/// The mean begins 20 ms after a start that takes 0.2 s: of the first four time constants, which are 0.08 s
/// of the 5 s averaged (the mean delay of four poles), the missing part is 0.06/5 = 1.2 %, within a fifth.
#[test]
fn a_skip_that_is_too_short_is_caught() {
    let folder = bench();
    let hasty = recipe(
        "Square()",
        "",
        RC,
        r#", skip: Time("20 ms"), over: Blocks("0.3 s")"#,
        STEP,
    );
    let report = challenged(folder.path(), &hasty, &[], 2);
    says(&report, "faults", "do not come back");
    says(&report, "notes", "of their size");
    for gain in gains(&report) {
        assert!((0.985..0.99).contains(&gain), "{gain}");
    }
}

#[test]
fn a_missing_factor_is_caught_where_the_amplitude_is_known() {
    let folder = bench();
    let peak = recipe("Square()", "", RC, BLOCKS, "");
    // By itself the recipe states peak amplitudes, and rightly so.
    challenged(folder.path(), &peak, &[], 0);
    let known = ["--amplitude", "10 nA", "--as", "step"];
    let report = challenged(folder.path(), &peak, &known, 2);
    says(
        &report,
        "notes",
        "2/pi: the full step of a square is left out",
    );
    // What is lost is no fault of the uncertainty.
    let faults = list(&report, "faults").iter();
    assert_eq!(faults.count(), 1, "{report:#}");
    assert!(report["chi_square"]["chance_above"].as_f64().unwrap() > 1e-3);
    // A wrong gain in the recipe, when the true one is stated.
    let through = ["--amplitude", "10 nA", "--through", "2e6 V/A"];
    let report = challenged(folder.path(), &peak, &through, 2);
    says(
        &report,
        "notes",
        "come back at 2.00000 of their size (2: taken twice)",
    );
}

/// A filter of some 0.2 Hz loses what the chopper's walk of 0.03 cycles in a second spreads over
/// π·0.03² = 3 mHz and more; with the chopper as the reference nothing is lost.
#[test]
fn a_filter_too_narrow_for_the_jitter_is_caught() {
    let folder = bench();
    let stated = r#"Stated(frequency: "137.3 Hz")"#;
    let narrow = r#"RcCascade(poles: 2, time_constant: "300 ms")"#;
    let average = r#", skip: Settling("0.1 %"), over: Blocks("0.5 s")"#;
    let tones = ["--amplitude", "10 nA"];
    // A recipe that knows nothing of the chopper.
    let blind = recipe(stated, "", narrow, average, STEP)
        .replace(r#", "chopper": Wave(unit: "V")"#, "")
        .replace(r#"of: "chopper""#, r#"of: "detector""#);
    // Its own reference is steady, so tones that follow it do not show the fault. The light that the jitter
    // has spread over neighbouring frequencies does.
    let report = challenged(folder.path(), &blind, &tones, 2);
    assert!(gains(&report).iter().all(|g| *g > 0.999), "{report:#}");
    says(&report, "faults", "the stated uncertainty is too small");
    let follow = ["--follow", r#"Reference(of: "chopper", shape: Square())"#];
    let report = challenged(folder.path(), &blind, &follow, 2);
    assert_eq!(report["phases_judged"], false);
    says(&report, "faults", "do not come back");
    assert!(gains(&report).iter().all(|g| *g < 0.995), "{report:#}");
    let seeing = recipe("Square()", "", RC, BLOCKS, STEP);
    challenged(folder.path(), &seeing, &follow, 0);
}

#[test]
fn a_wrong_harmonic_is_caught_where_the_right_one_is_said() {
    let folder = bench();
    let wrong = recipe("Square()", ", harmonic: 2", RC, BLOCKS, "");
    challenged(folder.path(), &wrong, &[], 0);
    let report = challenged(folder.path(), &wrong, &["--harmonic", "1"], 2);
    says(&report, "notes", "nothing comes back");
}

/// Blocks of 20 ms behind a filter of 80 ms are alike, and their scatter says nothing of the mean.
#[test]
fn an_uncertainty_that_is_too_small_is_caught() {
    let folder = bench();
    let proud = recipe("Square()", "", RC, r#", over: Blocks("20 ms")"#, STEP);
    let report = challenged(folder.path(), &proud, &[], 2);
    says(&report, "faults", "the stated uncertainty is too small");
}

#[test]
fn what_the_converter_cuts_off_is_caught() {
    let folder = bench();
    let file = open(&folder.path().join("a.h5"));
    attribute(&file.dataset("detector").unwrap(), "full_scale", 0.2);
    drop(file);
    let right = recipe("Square()", "", RC, BLOCKS, "");
    let loud = ["--amplitude", "10 nA", "--amplitude", "200 mV"];
    let report = challenged(folder.path(), &right, &loud, 2);
    says(&report, "remarks", "cut off at full scale");
    says(&report, "notes", "different parts of their size");
    let passed = |l: &&Value| l["passed"] == true;
    assert_eq!(
        list(&report, "tones").iter().filter(passed).count(),
        POINTS * 2
    );
}

#[test]
fn what_cannot_be_challenged_is_said() {
    let folder = bench();
    let right = recipe("Square()", "", RC, BLOCKS, STEP);
    std::fs::write(folder.path().join("r.ron"), &right).unwrap();
    let attempt = |more: &[&str]| {
        let arguments = [&["challenge", "r.ron", "a.h5", "--quiet"], more].concat();
        phasemill(folder.path(), &arguments).expect(1)
    };
    attempt(&["--result", "clock.frequency"])
        .says("found `clock.frequency`, which is a real estimate");
    attempt(&["--into", "chopper"]).says("there is `detector`");
    attempt(&["--follow", "smooth"]).says("expected the name of a reference");
    attempt(&["--follow", "Reference(of: \"chopper\")"])
        .says("error: `--follow Reference(of: \"chopper\")`: missing setting");
    attempt(&["--amplitude", "3 kg"]).says("expected an amplitude in");
    attempt(&["--amplitude", "0 A"]).says("expected an amplitude above zero");
    attempt(&["--through", "5 s"]).says("expected with `--through`");
    attempt(&["--points", "7"]).says("expected points from 0 to 2, found 7");
    attempt(&["--frequency", "3 kHz"]).says(
        "expected with `--frequency` one above zero and below half the sample rate of `detector`, 2500 Hz, found 3000 Hz",
    );
    attempt(&["--frequency", "0 Hz"]).says("one above zero");
    let filter = "Filter(of: \"ac\", kind: RcCascade(poles: 1, time_constant: \"1 s\"))";
    attempt(&["--follow", filter]).says("expected a stage that makes a reference");
    attempt(&["--tolerance", "2"]).says("between 0 and 1");
    attempt(&["--result", "nothing"]).says("expected with `--result` a result with in-phase and quadrature part, found `nothing`; there is");
    let nobody = r#"Reference(of: "nobody", shape: Square())"#;
    let follow = ["challenge", "r.ron", "a.h5", "--quiet", "--follow", nobody];
    phasemill(folder.path(), &follow)
        .expect(1)
        .says("shape: Square())`: expected a dataset, found none of this name, there are `/chopper`, `/detector`");
    let bare = recipe(
        "Square()",
        "",
        RC,
        ", over: Point, uncertainty: Nothing",
        STEP,
    );
    std::fs::write(folder.path().join("r.ron"), bare).unwrap();
    attempt(&[]).says("say how large they are with `--amplitude`");
    std::fs::write(folder.path().join("a.h5"), "no recording").unwrap();
    let broken = phasemill(folder.path(), &["challenge", "r.ron", "a.h5", "--quiet"]);
    broken.expect(2).says("a.h5");
}

/// Ten cycles of a slow reference leave no room for frequencies beside it, and that is said; a recording
/// without noise gives back its tones all the same.
#[test]
fn few_cycles_and_no_noise_are_no_fault() {
    let folder = TempDir::new().unwrap();
    let rate = 100.0;
    let wave = crate::support::sine(1000, rate, 1.0, 0.3, 0.2);
    let noise = crate::support::noise(1000, 0.01, 3);
    let noisy: Vec<f64> = wave.iter().zip(&noise).map(|(a, b)| a + b).collect();
    let slow = r#"Recipe(
    title: "few cycles",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "x", shape: Stated(frequency: "1 Hz")),
        "product": Mix(of: "x", with: "clock"),
        "answer": Average(of: "product"),
    },
    results: ["answer"],
)"#;
    for (samples, more) in [(&noisy, &[][..]), (&wave, &["--amplitude", "1 V"])] {
        record(
            &folder.path().join("a.h5"),
            rate,
            Layout::Contiguous,
            &[Channel::volts("x", samples)],
        );
        let report = challenged(folder.path(), slow, more, 0);
        // At 0.3 and 0.5 Hz from the line, in 10 s; the others are farther than half its frequency.
        let offsets = list(&report, "neighbours")
            .iter()
            .map(|l| l["offset"].as_f64().unwrap().abs());
        assert!(offsets.into_iter().all(|f| f < 0.5), "{report:#}");
        assert!(gains(&report).iter().all(|g| (g - 1.0).abs() < 1e-9));
    }
}
