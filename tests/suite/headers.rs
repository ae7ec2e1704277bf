//! What headers and samples of recordings show, told with the recording, the place in the text and a cure.

use std::path::Path;

use crate::support::{
    Channel, Layout, MEAN, Outcome, attribute, create, folder, noise, phasemill, record,
    text_attribute,
};

const RATE: f64 = 1000.0;

/// Two channels, of which one is the reference of the other.
const TWO: &str = r#"Recipe(
    title: "two channels",
    inputs: {
        "detector": Wave(unit: "V"),
        "chopper": Wave(unit: "V"),
    },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "level": Average(of: "product"),
    },
    results: ["level"],
)
"#;

fn run(folder: &Path, more: &[&str]) -> Outcome {
    let mut arguments = vec!["run", "recipe.ron", "--out", "out.h5", "--overwrite"];
    arguments.extend(more);
    phasemill(folder, &arguments)
}

fn check(folder: &Path, more: &[&str]) -> Outcome {
    let mut arguments = vec!["check", "recipe.ron"];
    arguments.extend(more);
    phasemill(folder, &arguments)
}

fn square(length: usize) -> Vec<f64> {
    (0..length)
        .map(|i| if i % 50 < 25 { 5.0 } else { 0.0 })
        .collect()
}

/// An amplifier that is full far below the range of the converter.
#[test]
fn a_signal_that_is_cut_off_below_full_scale_is_remarked_on() {
    let cut = |at: f64| {
        let folder = folder(MEAN);
        let samples: Vec<f64> = noise(100_000, 1.0, 3)
            .iter()
            .map(|x| (300.0 * x).round().min(at))
            .collect();
        let path = folder.path().join("a.h5");
        record(
            &path,
            RATE,
            Layout::Contiguous,
            &[Channel::volts("/x", &samples)],
        );
        let outcome = run(folder.path(), &["a.h5"]).expect(0);
        let seen = phasemill(folder.path(), &["inspect", "a.h5"]).expect(0);
        (outcome.err, seen.out)
    };
    let (told, seen) = cut(450.0);
    assert!(told.contains("stand at the largest value, 450"), "{told}");
    assert!(seen.contains("stand at the largest value, 450"), "{seen}");
    let (told, seen) = cut(1e9);
    assert!(
        told.is_empty() && !seen.contains("stand at"),
        "{told}\n{seen}"
    );
}

#[test]
fn headers_of_all_inputs_are_told_at_once_each_at_its_place() {
    let folder = folder(TWO);
    let channel = Channel {
        unit: "A",
        ..Channel::volts("/chopper", &[0.0; 100])
    };
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[channel],
    );
    let checked = check(folder.path(), &["a.h5"]).expect(2);
    let ran = run(folder.path(), &["a.h5"]).expect(2);
    for outcome in [checked, ran] {
        outcome
            .says("error[unknown-name]: expected a dataset, found none of this name")
            .says("--> recipe.ron:4:10")
            .says("in `/detector` of a.h5")
            .says("error[unit]: expected a unit such as V, found A")
            .says("--> recipe.ron:5:10")
            .says("in `/chopper` of a.h5")
            .says("help: name another dataset, or state its unit and scale in the wiring");
    }
    let told = check(folder.path(), &["a.h5", "--json"]).expect(2);
    let told: serde_json::Value = serde_json::from_str(&told.out).unwrap();
    assert_eq!(told["diagnostics"].as_array().map(Vec::len), Some(2));
    assert_eq!(told["diagnostics"][1]["line"], 5);
    assert_eq!(told["diagnostics"][1]["notes"][0], "in `/chopper` of a.h5");
}

#[test]
fn faults_of_a_wiring_are_told_at_its_channels() {
    let folder = folder(TWO);
    let wiring = r#"Wiring(
    channels: {
        "detector": Channel(dataset: "/raw/ch9", scale: Stated("0.3 mV")),
        "choper": Channel(dataset: "/raw/ch0", scale: Stated("0.3 mA"), unit: "V"),
    },
)
"#;
    let write = |text: &str| std::fs::write(folder.path().join("w.ron"), text).unwrap();
    let path = folder.path().join("a.h5");
    let file = create(&path);
    attribute(&file, "sample_rate", RATE);
    let raw = file.create_group("raw").unwrap();
    let channel = raw.new_dataset::<f64>().shape([100]).create("ch0");
    text_attribute(&channel.unwrap(), "units", "V");
    drop((raw, file));
    write(wiring);
    let arguments = ["a.h5", "--wiring", "w.ron"];
    for outcome in [
        check(folder.path(), &arguments).expect(2),
        run(folder.path(), &arguments).expect(2),
    ] {
        outcome
            .says("--> w.ron:3:10")
            .says("in `/raw/ch9` of a.h5")
            .says("did you mean `/raw/ch0`?")
            .says("warning[unused]: the recipe has no input `choper`")
            .says("--> w.ron:4:10")
            .says("did you mean `chopper`?")
            .says("--> recipe.ron:5:10");
    }
    write(&wiring.replace("choper", "chopper"));
    check(folder.path(), &arguments)
        .expect(2)
        .says("error[unit]: expected a `scale` in V, found `0.3 mA`")
        .says("--> w.ron:4:10")
        .says("correct the wiring");
}

#[test]
fn a_fault_against_headers_names_the_recording_and_its_channels() {
    let folder = folder(TWO);
    let (x, reference) = (noise(1000, 0.1, 3), square(1000));
    let make = |name: &str, slow: bool| {
        let path = folder.path().join(name);
        let channels = [
            Channel::volts("/detector", &x),
            Channel::volts("/chopper", &reference),
        ];
        record(&path, RATE, Layout::Contiguous, &channels);
        if slow {
            let file = crate::support::open(&path);
            attribute(&file.dataset("chopper").unwrap(), "sample_rate", 500.0);
        }
    };
    make("good.h5", false);
    make("slow.h5", true);
    let note =
        "in recording slow.h5: `/detector` 1000 Hz, 1000 samples; `/chopper` 500 Hz, 1000 samples";
    check(folder.path(), &["slow.h5"])
        .expect(1)
        .says("error[rate]")
        .says(note);
    run(folder.path(), &["slow.h5"]).expect(1).says(note);
    // The good one is computed all the same.
    let outcome = run(folder.path(), &["good.h5", "slow.h5"]).expect(2);
    let outcome = outcome.says(note).says("failed: slow: ");
    assert!(outcome.out.contains("good: two"), "{}", outcome.out);
}

#[test]
fn units_that_are_not_stated_and_an_axis_with_holes_are_warned_of() {
    let folder = folder(MEAN);
    let samples = noise(2000, 1.0, 3);
    let make = |name: &str, unit: bool, axis: [f64; 2], along_in: &str| {
        let file = create(&folder.path().join(name));
        attribute(&file, "sample_rate", RATE);
        let dataset = file.new_dataset::<f64>().shape([2, 1000]);
        let dataset = dataset.create("x").unwrap();
        dataset.write_raw(&samples).unwrap();
        if unit {
            text_attribute(&dataset, "units", "V");
        }
        text_attribute(&dataset, "axis", "wavelength");
        let along = file.new_dataset::<f64>().shape([2]);
        let along = along.create("wavelength").unwrap();
        along.write_raw(&axis).unwrap();
        if !along_in.is_empty() {
            text_attribute(&along, "units", along_in);
        }
    };
    make("good.h5", true, [500.0, 510.0], "nm");
    make("nounit.h5", false, [500.0, 510.0], "nm");
    make("noplace.h5", true, [500.0, 510.0], "");
    make("hole.h5", true, [500.0, f64::NAN], "nm");
    for (name, said) in [
        (
            "nounit.h5",
            "expected a unit in `/x@units` of nounit.h5, found none: `x` is taken to be in V",
        ),
        (
            "noplace.h5",
            "expected a unit of the axis `wavelength` of noplace.h5, found none",
        ),
        (
            "hole.h5",
            "expected a number for every point along `wavelength` of hole.h5, found NaN at point 1",
        ),
    ] {
        check(folder.path(), &[name]).expect(0).says(said);
        check(folder.path(), &[name, "--strict"]).expect(1);
        run(folder.path(), &[name]).expect(0).says(said);
    }
    check(folder.path(), &["good.h5", "--strict"]).expect(0);
    let wiring = r#"Wiring(channels: { "x": Channel(unit: "V") })"#;
    std::fs::write(folder.path().join("w.ron"), wiring).unwrap();
    check(
        folder.path(),
        &["nounit.h5", "--strict", "--wiring", "w.ron"],
    )
    .expect(0);
}

/// An axis is called one, results of a run are not taken for channels, and what makes no sense is refused before the
/// samples are read.
#[test]
fn a_look_tells_axes_and_results_from_channels() {
    let folder = folder(TWO);
    let (x, reference) = (noise(2000, 0.1, 3), [square(1000), square(1000)].concat());
    let channels = [("/detector", &x), ("/chopper", &reference)].map(|(path, samples)| Channel {
        points: 2,
        ..Channel::volts(path, samples)
    });
    let path = folder.path().join("a.h5");
    record(&path, RATE, Layout::Contiguous, &channels);
    let file = crate::support::open(&path);
    for name in ["detector", "chopper"] {
        text_attribute(&file.dataset(name).unwrap(), "axis", "wavelength");
    }
    let along = file.new_dataset::<u8>().shape([2]).create("wavelength");
    along.unwrap().write_raw(&[250u8, 255]).unwrap();
    drop(file);
    let seen = phasemill(folder.path(), &["inspect", "a.h5"]).expect(0);
    assert!(
        seen.out.contains("axis of /chopper, /detector"),
        "{}",
        seen.out
    );
    assert!(!seen.out.contains("needs a wiring"), "{}", seen.out);
    assert!(!seen.out.contains("full scale"), "{}", seen.out);
    run(folder.path(), &["a.h5"]).expect(0);
    let seen = phasemill(folder.path(), &["inspect", "out.h5"]).expect(0);
    assert!(seen.out.contains("phasemill trace out.h5"), "{}", seen.out);
    assert!(!seen.out.contains("full scale"), "{}", seen.out);
    let refused = |more: &[&str], said: &str| {
        let arguments = [&["inspect", "a.h5"], more].concat();
        phasemill(folder.path(), &arguments).expect(1).says(said);
    };
    refused(&["--point", "1"], "expected `--spectrum` with `--point`");
    refused(
        &["--reference", "20 Hz"],
        "expected `--spectrum` with `--reference`",
    );
    refused(
        &["--spectrum", "--reference", "600 Hz"],
        "below half the sample rate, 500 Hz, found `600 Hz`",
    );
    refused(&["--plot", "a.png"], "expected a name that ends in .svg");
    std::fs::write(folder.path().join("b.ron"), "mine").unwrap();
    refused(&["--bench", "b.ron"], "b.ron: exists already");
    assert_eq!(std::fs::read(folder.path().join("b.ron")).unwrap(), b"mine");
    let arguments = ["inspect", "a.h5", "--bench", "b.ron", "--overwrite"];
    phasemill(folder.path(), &arguments).expect(0);
    phasemill(folder.path(), &["expect", "b.ron"]).expect(0);
}

#[test]
fn places_and_options_that_do_not_fit_say_what_does() {
    let folder = folder(MEAN);
    let refused = |arguments: &[&str], code: i32, said: &str| {
        phasemill(folder.path(), arguments).expect(code).says(said);
    };
    refused(
        &["new", "none/x.ron"],
        1,
        "its folder is not there; make it first",
    );
    refused(&["new", "recipe.ron"], 1, "choose a name that is free");
    phasemill(folder.path(), &["new", "--bench", "bench.ron"]).expect(0);
    refused(
        &["check", "bench.ron"],
        1,
        "a bench is for `phasemill expect`",
    );
    refused(
        &["expect", "bench.ron", "--plot", "e.png"],
        1,
        "expected a name that ends in .svg",
    );
    refused(
        &["expect", "bench.ron", "--at", "173"],
        1,
        "expected a value with a unit such as Hz",
    );
    refused(
        &["expect", "bench.ron", "--time", "10Hz"],
        1,
        "expected a value with a unit such as s,",
    );
    refused(
        &["expect", "bench.ron", "--at", "0Hz"],
        1,
        "expected a value above zero",
    );
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[Channel::volts("/x", &noise(1000, 1.0, 3))],
    );
    run(folder.path(), &["a.h5"]).expect(0);
    std::fs::create_dir(folder.path().join("pages")).unwrap();
    phasemill(folder.path(), &["report", "out.h5", "--out", "pages/"]).expect(0);
    assert!(folder.path().join("pages/out.html").is_file());
    refused(&["report", "out.h5", "--out", "pages"], 1, "exists already");
}

/// The mean is looked for first, the reference is read beside it: what is damaged is told once for each channel.
#[test]
fn a_damaged_chunk_is_told_once_with_its_place_and_a_cure() {
    let folder = folder(&TWO.replace(
        r#""product": Mix(of: "detector""#,
        r#""ac": RemoveOffset(of: "detector"), "product": Mix(of: "ac""#,
    ));
    let path = folder.path().join("a.h5");
    let (x, reference) = (noise(20_000, 1.0, 3), square(20_000));
    let channels = [
        Channel::volts("/detector", &x),
        Channel::volts("/chopper", &reference),
    ];
    record(&path, RATE, Layout::Deflated(5000), &channels);
    run(folder.path(), &["a.h5"]).expect(0);
    let mut bytes = std::fs::read(&path).unwrap();
    // The head of a stream of level 4 (RFC 1950); the detector's come first.
    let heads = (0..bytes.len() - 1).filter(|&i| bytes[i..i + 2] == [0x78, 0x5e]);
    let third = heads.collect::<Vec<usize>>()[2];
    bytes[third + 2] ^= 0x26;
    std::fs::write(&path, bytes).unwrap();
    let outcome = run(folder.path(), &["a.h5"]).expect(2);
    let told: Vec<&str> = outcome
        .err
        .lines()
        .filter(|l| l.starts_with("failed"))
        .collect();
    assert!(
        matches!(told[..], [one] if one.contains("the chunk of samples 5000 to 10000") && one.contains("copy the file again")),
        "{}",
        outcome.err
    );
}

/// Points of two recordings are combined by their numbers: a background that was swept the other way is warned of, and
/// one that was taken a little beside is not.
#[test]
fn points_that_are_combined_and_lie_elsewhere_are_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let make = |name: &str, unit: &str, axis: [f64; 3]| {
        let file = create(&folder.path().join(name));
        let values = vec![0.5; 3 * 1000];
        let dataset = file
            .new_dataset::<f64>()
            .shape((3, 1000))
            .create("detector");
        let dataset = dataset.unwrap();
        dataset.write_raw(&values).unwrap();
        attribute(&dataset, "sample_rate", 1000.0);
        text_attribute(&dataset, "units", "V");
        text_attribute(&dataset, "axis", "temperature");
        let places = file.new_dataset::<f64>().shape(3).create("temperature");
        let places = places.unwrap();
        places.write_raw(&axis).unwrap();
        text_attribute(&places, "units", unit);
    };
    make("lit.h5", "K", [80.0, 190.0, 300.0]);
    make("beside.h5", "K", [81.0, 188.0, 302.0]);
    make("small.h5", "mK", [80_000.0, 190_000.0, 300_000.0]);
    make("back.h5", "K", [300.0, 190.0, 80.0]);
    make("off.h5", "K", [80.0, 220.0, 300.0]);
    let recipe = r#"Recipe(
        title: "A level less its background",
        inputs: {
            "detector": Wave(unit: "V"),
            "empty": Wave(unit: "V", recording: "dark"),
        },
        stages: {
            "lit": Average(of: "detector", uncertainty: Nothing),
            "dark level": Average(of: "empty", uncertainty: Nothing),
            "net": Combine(of: ["lit", "dark level"], by: Difference),
        },
        results: ["net"],
    )"#;
    let wiring = r#"Wiring(channels: { "empty": Channel(dataset: "/detector") })"#;
    std::fs::write(folder.path().join("recipe.ron"), recipe).unwrap();
    std::fs::write(folder.path().join("wiring.ron"), wiring).unwrap();
    let check = |dark: &str| {
        let with = format!("dark={dark}");
        let arguments = [
            "check",
            "recipe.ron",
            "lit.h5",
            "--with",
            &with,
            "--wiring",
            "wiring.ron",
        ];
        phasemill(folder.path(), &arguments).expect(0).err
    };
    for same in ["beside.h5", "small.h5"] {
        assert!(!check(same).contains("lie elsewhere"), "{same}");
    }
    let back = check("back.h5");
    let places = "point 0 is at `temperature` 80 K in the first recording, and at `temperature` 300 K in `dark`";
    let turned = "bring the points of one recording into the order of the other";
    assert!(back.contains(places) && back.contains(turned), "{back}");
    let off = check("off.h5");
    assert!(off.contains("at `temperature` 220 K in `dark`"), "{off}");
    assert!(off.contains("record both at the same places"), "{off}");
}

/// The zero of °C is where it is by convention: an offset has it, and a step of the converter has not.
#[test]
fn temperatures_in_degrees_celsius_are_read_by_an_offset() {
    let recipe = MEAN.replace(r#"Wave(unit: "V")"#, "Wave()");
    let folder = folder(&recipe);
    let at = folder.path();
    let codes: Vec<f64> = noise(1000, 10.0, 3)
        .iter()
        .map(|x| 2000.0 + x.round())
        .collect();
    let mean = codes.iter().sum::<f64>() / codes.len() as f64;
    let channel = |unit| Channel {
        unit,
        ..Channel::volts("/x", &codes)
    };
    record(
        &at.join("codes.h5"),
        RATE,
        Layout::Contiguous,
        &[channel("1")],
    );
    let degrees: Vec<f64> = codes.iter().map(|c| 0.01 * c).collect();
    let channel = Channel {
        unit: "°C",
        ..Channel::volts("/x", &degrees)
    };
    record(&at.join("degrees.h5"), RATE, Layout::Contiguous, &[channel]);
    run(at, &["degrees.h5"])
        .expect(2)
        .says(r#"state `unit: "K", offset: Stated("0 °C")` in the wiring"#);
    let level = |file: &str, channel: &str| {
        let wiring = format!(r#"Wiring(channels: {{ "x": Channel({channel}) }})"#);
        std::fs::write(at.join("w.ron"), wiring).unwrap();
        run(at, &[file, "--wiring", "w.ron", "--csv", "out.csv"]).expect(0);
        let table = std::fs::read_to_string(at.join("out.csv")).unwrap();
        table
            .lines()
            .nth(1)
            .unwrap()
            .split(',')
            .nth(3)
            .unwrap()
            .parse::<f64>()
            .unwrap()
    };
    let expected = 273.15 + 0.01 * mean;
    for (file, channel) in [
        ("degrees.h5", r#"unit: "K", offset: Stated("0 °C")"#),
        (
            "codes.h5",
            r#"unit: "K", scale: Stated("0.01 K"), offset: Stated("0 °C")"#,
        ),
        (
            "codes.h5",
            r#"unit: "K", scale: Stated("0.01 °C"), offset: Stated("273.15")"#,
        ),
    ] {
        let found = level(file, channel);
        assert!(
            (found - expected).abs() < 1e-9,
            "{channel}: {found} {expected}"
        );
    }
}
