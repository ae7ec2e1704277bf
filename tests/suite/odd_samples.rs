//! Channels of which the samples stand still, or in a few coarse steps: the run, its table and `inspect` say so.

use std::path::Path;

use serde_json::Value;

use crate::support::{
    Channel, Layout, attribute, create, folder, noise, phasemill, record, sine, square, tabled,
    text_attribute,
};

const RATE: f64 = 10_000.0;
const FREQUENCY: f64 = 137.3;
const LENGTH: usize = 100_000;

const RECIPE: &str = r#"// Invented.
Recipe(
    title: "One point",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "50 ms")),
        "slow": Decimate(of: "smooth", to: "100 Hz"),
        "answer": Average(of: "slow"),
    },
    results: ["answer"],
)
"#;

/// A sine of 1 mV in noise.
fn detector(rms: f64) -> Vec<f64> {
    let wave = sine(LENGTH, RATE, FREQUENCY, 1e-3, 0.5);
    let noise = noise(LENGTH, rms, 11);
    wave.iter().zip(noise).map(|(w, n)| w + n).collect()
}

/// Records a detector beside a square reference.
fn store(folder: &Path, detector: &[f64]) {
    let chopper = square(LENGTH, RATE, FREQUENCY);
    let channels = [
        Channel::volts("/detector", detector),
        Channel::volts("/chopper", &chopper),
    ];
    record(
        &folder.join("a.h5"),
        RATE,
        Layout::Deflated(5000),
        &channels,
    );
}

/// What is said on the screen, in the table and by `inspect` of `/detector`; and its look as JSON.
fn said(folder: &Path) -> ([String; 3], Value) {
    let (ran, table) = tabled(folder, "a.h5", 0);
    let looked = phasemill(folder, &["inspect", "a.h5"]).expect(0).out;
    let json = phasemill(folder, &["inspect", "a.h5", "--json"]).expect(0);
    let json: Value = serde_json::from_str(&json.out).unwrap();
    let datasets = json["recordings"][0]["datasets"].as_array().unwrap();
    let own = datasets.iter().find(|d| d["path"] == "/detector").unwrap();
    ([ran.out + &ran.err, table, looked], own["look"].clone())
}

#[test]
fn a_buffer_that_was_lost_is_told() {
    let folder = folder(RECIPE);
    let whole = detector(1e-4);
    store(folder.path(), &whole);
    let (texts, look) = said(folder.path());
    assert!(
        texts.iter().all(|t| !t.contains("stand still")),
        "{texts:?}"
    );
    assert_eq!(look["still"], 0);
    // Held for a second from sample 50 000 on: whole windows of 2048 are those from 51 200 up to 59 392.
    let held = |i: usize, x: f64| match i {
        50_000..60_000 => whole[49_999],
        _ => x,
    };
    let stuck: Vec<f64> = whole.iter().enumerate().map(|(i, x)| held(i, *x)).collect();
    store(folder.path(), &stuck);
    let (texts, look) = said(folder.path());
    for text in texts {
        assert!(
            text.contains("8192 samples stand still, 2048 or more in a row at one value, the first at or before sample 51200"),
            "{text}"
        );
    }
    assert_eq!(
        (&look["still"], &look["first_still"]),
        (&8192.into(), &51_200.into())
    );
}

/// Three spikes, two of them in one window of 2048: the other windows span some eight times the noise of 0.1 mV and
/// twice the sine of 1 mV.
#[test]
fn spikes_are_told() {
    let folder = folder(RECIPE);
    let whole = detector(1e-4);
    store(folder.path(), &whole);
    let (texts, look) = said(folder.path());
    assert!(texts.iter().all(|t| !t.contains("stick out")), "{texts:?}");
    assert_eq!(look["sticking_out"], serde_json::Value::Null);
    let mut struck = whole;
    for (at, spike) in [(30_000, 0.5), (61_500, 2.0), (61_700, -1.0)] {
        struck[at] += spike;
    }
    store(folder.path(), &struck);
    let (texts, look) = said(folder.path());
    for text in texts {
        assert!(
            text.contains(
                "the window of 2048 samples from sample 61440 on spans 2.9990 V (2 such windows in all)"
            ),
            "{text}"
        );
    }
    let found = &look["sticking_out"];
    assert_eq!(
        (&found["windows"], &found["first_sample"]),
        (&2.into(), &61_440.into())
    );
    let spans = found["others_span"].as_f64().unwrap();
    assert!((0.002..0.004).contains(&spans), "{spans}");
}

/// A sine of 0.4 steps and noise of 0.05 steps: two codes, of which the answer tells nothing true.
#[test]
fn a_converter_in_coarse_steps_is_told() {
    let folder = folder(RECIPE);
    let path = folder.path().join("a.h5");
    let step = 2.5e-3;
    let store = |rms: f64| {
        let code = |x: &f64| (x / step + 0.25).round() as i16;
        let codes: Vec<i16> = detector(rms * step).iter().map(code).collect();
        let chopper: Vec<i16> = square(LENGTH, RATE, FREQUENCY)
            .iter()
            .map(|x| 100 * *x as i16)
            .collect();
        let file = create(&path);
        attribute(&file, "sample_rate", RATE);
        for (name, codes) in [("detector", &codes), ("chopper", &chopper)] {
            let dataset = file
                .new_dataset::<i16>()
                .shape(LENGTH)
                .create(name)
                .unwrap();
            dataset.write_raw(codes).unwrap();
            attribute(&dataset, "scale", step);
            text_attribute(&dataset, "units", "V");
        }
    };
    store(0.05);
    let (texts, look) = said(folder.path());
    for text in texts {
        let told = text
            .matches("span 1 step of the converter, of 2.5000 mV")
            .count();
        // The chopper has as few codes, and is a reference.
        assert_eq!(told, 1, "{text}");
    }
    assert_eq!(look["steps_spanned"], 1);
    // Dithered, the same signal is found.
    std::fs::remove_file(&path).unwrap();
    store(0.7);
    let (texts, look) = said(folder.path());
    assert!(
        texts.iter().all(|t| !t.contains("of the converter")),
        "{texts:?}"
    );
    assert_eq!(look["steps_spanned"], Value::Null);
}
