//! Constants from outside: until when they hold, and a table of gain and phase over a whole run.

use crate::support::{Channel, Layout, open, phasemill, record, sine, text_attribute};
use crate::support_reference::{Bench, near};

const RECIPE: &str = r#"Recipe(
    title: "a constant that runs out",
    inputs: { "x": Wave(unit: "V") },
    constants: { "gain": Constant(value: "10 V/A", standard_uncertainty: "1 %", valid_until: "2026-03-01") },
    stages: { "level": Average(of: "x"), "current": Amplify(of: "level", divide_by: "gain") },
    results: ["current"],
)
"#;

/// The last day itself counts; the start time of a recording beats the day given; strict refuses.
#[test]
fn a_constant_used_too_late_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("a.h5");
    std::fs::write(folder.path().join("r.ron"), RECIPE).unwrap();
    let samples = [1.0; 100];
    let channel = Channel::volts("/x", &samples);
    record(&recording, 100.0, Layout::Contiguous, &[channel]);
    let told = "`gain` holds until 2026-03-01, and is used for what was recorded on 2026-03-02";
    let check =
        |arguments: &[&str]| phasemill(folder.path(), &[&["check", "r.ron"], arguments].concat());
    for files in [&[][..], &["a.h5"]] {
        let on = |day: &'static str| check(&[files, &["--date", day]].concat()).expect(0);
        on("2026-03-02").says(told);
        assert!(!on("2026-03-01").err.contains("expired"));
    }
    let arguments = ["r.ron", "a.h5", "--date", "2026-03-02", "-o", "o.h5"];
    phasemill(folder.path(), &[&["run"], &arguments[..]].concat())
        .expect(0)
        .says(told);
    let strict = [&["run", "--strict", "--overwrite"], &arguments[..]].concat();
    phasemill(folder.path(), &strict).expect(1).says(told);
    let file = open(&recording);
    text_attribute(
        &file.dataset("/x").unwrap(),
        "start_time",
        "2026-02-28T23:59:59Z",
    );
    file.close().unwrap();
    assert!(
        !check(&["a.h5", "--date", "2026-03-02"])
            .expect(0)
            .err
            .contains("expired")
    );
    phasemill(folder.path(), &["check", "r.ron", "--date", "tomorrow"])
        .expect(1)
        .says("tomorrow");
}

/// A preamplifier with 1 V/A at 50 Hz and 0.25 V/A at -60 degrees at 200 Hz has 0.5 V/A at -30 degrees at
/// 100 Hz; a line of 1 V at 100 Hz and 20 degrees was a current of 2 A at 50 degrees. All by hand.
#[test]
fn a_table_undoes_a_preamplifier() {
    let rate = 2000.0;
    let signal = sine(4000, rate, 100.0, 1.0, 20f64.to_radians());
    let reference = sine(4000, rate, 100.0, 1.0, 0.0);
    let bench = Bench::new(rate, &[("signal", &signal), ("reference", &reference)]);
    let results = bench.run_recipe(
        r#"Recipe(
            title: "a table",
            inputs: { "signal": Wave(), "reference": Wave() },
            constants: { "pre": Table(frequency: ["50 Hz", "200 Hz"], gain: ["1 V/A", "0.25 V/A"], phase: ["0 deg", "-60 deg"], common_uncertainty: "1 %", phase_uncertainty: "1 deg") },
            stages: {
                "clock": Reference(of: "reference", shape: Sine()),
                "product": Mix(of: "signal", with: "clock"),
                "voltage": Average(of: "product", over: Blocks("0.1 s")),
                "current": Amplify(of: "voltage", divide_by: "pre", frequency: "clock.frequency"),
                "polar": Polar(of: "current"),
            },
            results: ["current", "polar"],
        )"#,
    );
    // The reference's phase is fitted to noiseless samples, to some 1e-9 as its own tests say.
    near("amplitude", results.value("polar.amplitude"), 2.0, 1e-8);
    near("phase", results.value("polar.phase"), 50.0, 1e-6);
    // 1 % of 2 A along; 1 deg/sqrt(2) across, since two entries by themselves weigh a half each.
    near(
        "amplitude u",
        results.one("polar.amplitude", "value_errors"),
        0.02,
        1e-8,
    );
    near(
        "phase u",
        results.one("polar.phase", "value_errors"),
        0.5f64.sqrt(),
        1e-6,
    );
}

/// A detector that is recorded three samples late lags by 54 degrees at 100 Hz and by 108 at its second harmonic; the
/// delay takes both away, and its uncertainty of 0.02 ms is 0.72 and 1.44 degrees. A stated phase turns by itself and by
/// its own uncertainty. All by hand.
#[test]
fn a_delay_and_a_phase_are_turned_back() {
    let rate = 2000.0;
    let of = |from: i32, frequency: f64, phase: f64| -> Vec<f64> {
        let cycles = |k: i32| f64::from(k) * frequency / rate;
        let sample = |k: i32| libm::sin(std::f64::consts::TAU * cycles(k) + phase);
        (from..from + 4000).map(sample).collect()
    };
    let first = of(-3, 100.0, 20f64.to_radians());
    let second = of(-3, 200.0, -40f64.to_radians());
    let signal: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a + b).collect();
    let reference = of(0, 100.0, 0.0);
    let bench = Bench::new(rate, &[("signal", &signal), ("reference", &reference)]);
    let results = bench.run_recipe(
        r#"Recipe(
            title: "a delay",
            inputs: { "signal": Wave(), "reference": Wave() },
            constants: {
                "late": Constant(value: "1.5 ms", standard_uncertainty: "0.02 ms"),
                "set-up": Constant(value: "-30 deg", standard_uncertainty: "0.5 deg"),
            },
            stages: {
                "clock": Reference(of: "reference", shape: Sine()),
                "product": Mix(of: "signal", with: "clock"),
                "double": Mix(of: "signal", with: "clock", harmonic: 2),
                "a": Average(of: "product", over: Blocks("0.1 s")),
                "b": Average(of: "double", over: Blocks("0.1 s")),
                "one": Rotate(of: "a", by: Delay("late"), frequency: "clock.frequency"),
                "two": Rotate(of: "b", by: Delay("late"), frequency: "clock.frequency"),
                "three": Rotate(of: "one", by: Phase("set-up")),
                "first": Polar(of: "one"),
                "second": Polar(of: "two"),
                "third": Polar(of: "three"),
            },
            results: ["first", "second", "third"],
        )"#,
    );
    let expected = [
        ("first.phase", 20.0, 0.72),
        ("second.phase", -40.0, 1.44),
        ("third.phase", -10.0, 0.72f64.hypot(0.5)),
    ];
    for (name, phase, u) in expected {
        // The reference's phase is fitted to noiseless samples, to some 1e-9 as its own tests say.
        near(name, results.value(name), phase, 1e-6);
        near(name, results.one(name, "value_errors"), u, 1e-6);
    }
}
