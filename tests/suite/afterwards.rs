//! What follows from the frequency of a reference that is known only once the reference was found.

use crate::support::{Channel, Layout, noise, phasemill, record, sine, square};

const RATE: f64 = 2000.0;
const LENGTH: usize = 20_000;

/// A reference at the third harmonic of the mains, whose frequency the recipe does not state, and a filter before the
/// mixing: the check cannot judge either, and the run does. A Butterworth low pass of order 2 at 300 Hz has the gain
/// 1/sqrt(1 + (tan(pi·150/2000)/tan(pi·300/2000))^4) = 0.9762 at 150 Hz, and the phase -atan(sqrt(2)·w/(1 - w^2)) with
/// w = 0.4712, which is -40.6 degrees (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7: bilinear transform).
#[test]
fn what_a_check_left_open_is_told_after_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = |filter: &str, of: &str, mains: &str| {
        format!(
            r#"Recipe(
        title: "A line at three times the mains",
        {mains}
        inputs: {{ "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") }},
        stages: {{
            "clock": Reference(of: "chopper", shape: Square()),
            {filter}
            "product": Mix(of: "{of}", with: "clock"),
            "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "100 ms")),
            "answer": Average(of: "smooth"),
        }},
        results: ["answer"],
    )"#
        )
    };
    let low = r#""low": Filter(of: "detector", kind: Butterworth(order: 2, band: Low("300 Hz"))),"#;
    let mains = r#"mains: "50 Hz","#;
    for (name, text) in [
        ("both.ron", recipe(low, "low", mains)),
        ("neither.ron", recipe("", "detector", "")),
    ] {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let tone = sine(LENGTH, RATE, 150.0, 0.1, 0.3);
    let noise = noise(LENGTH, 0.01, 7);
    let detector: Vec<f64> = tone.iter().zip(&noise).map(|(a, b)| a + b).collect();
    let chopper = square(LENGTH, RATE, 150.0);
    let channels = [
        Channel::volts("/detector", &detector),
        Channel::volts("/chopper", &chopper),
    ];
    record(
        &folder.path().join("r.h5"),
        RATE,
        Layout::Contiguous,
        &channels,
    );
    let run = |recipe: &str| {
        let out = format!("{recipe}.h5");
        phasemill(folder.path(), &["run", recipe, "r.h5", "--out", &out]).expect(0)
    };
    let both = run("both.ron");
    let told = format!("{}{}", both.out, both.err);
    for part in [
        "Hz that was found, 3 times the mains, 150 Hz, lies ",
        "Hz that was found, the signal of `answer`: filters multiply its amplitude by 0.976 and add -40.6 deg to its phase",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let neither = run("neither.ron");
    let told = format!("{}{}", neither.out, neither.err);
    assert!(
        !told.contains("times the mains, 150") && !told.contains("multiply"),
        "{told}"
    );
}
