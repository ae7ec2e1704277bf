//! How a number was made: what is on record, what `trace` tells of it, `verify` proves and `sign`
//! vouches for.

use std::path::Path;

use phasemill_engine::lineage::Record;
use serde_json::Value;

use crate::support::{
    Channel, Layout, Outcome, command, finish, noise, open, phasemill, record, sine, square,
};

const POINTS: usize = 3;
pub const LENGTH: usize = 2000;
pub const RATE: f64 = 1000.0;

pub const RECIPE: &str = r#"// Invented.
Recipe(
    title: "Three points",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    constants: { "gain": Constant(value: "2 kV/A", standard_uncertainty: "2 %", source: "made up", date: "2026-03-14") },
    stages: {
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "10 ms")),
        "voltage": Average(of: "smooth", over: Blocks("0.2 s")),
        "current": Amplify(of: "voltage", divide_by: "gain"),
    },
    results: ["current", "smooth"],
    units: { "current": "mA" },
)
"#;

/// A folder with a recipe and a recording.
pub fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.ron"), RECIPE).unwrap();
    let mut detector = Vec::new();
    for point in 0..POINTS {
        let wave = sine(LENGTH, RATE, 37.0, 1.0 + point as f64, 0.4);
        let noise = noise(LENGTH, 0.05, point as u64);
        detector.extend(wave.iter().zip(noise).map(|(w, n)| w + n + 0.2));
    }
    let chopper = square(LENGTH, RATE, 37.0).repeat(POINTS);
    let channel = |dataset, samples| Channel {
        points: POINTS,
        ..Channel::volts(dataset, samples)
    };
    let channels = [
        channel("/detector", &detector),
        channel("/chopper", &chopper),
    ];
    record(
        &folder.path().join("rec.h5"),
        RATE,
        Layout::Deflated(512),
        &channels,
    );
    folder
}

pub fn run(folder: &Path, recipe: &str, recording: &str, out: &str) {
    phasemill(folder, &["run", recipe, recording, "--out", out, "--quiet"]).expect(0);
}

fn trace(folder: &Path, arguments: &[&str]) -> String {
    phasemill(folder, &[&["trace"], arguments].concat())
        .expect(0)
        .out
}

/// The hash on record is BLAKE3 of the stored samples, little-endian, read here by the library alone.
#[test]
fn one_point_is_traced_to_its_samples() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let story = trace(folder.path(), &["out.h5", "current[1]"]);
    assert_eq!(trace(folder.path(), &["out.h5:current[1]"]), story);
    assert_eq!(trace(folder.path(), &["out.h5", "rec:current[1]"]), story);
    assert_eq!(trace(folder.path(), &["out.h5:rec:current[1]"]), story);
    let samples: Vec<f64> = {
        let file = open(&folder.path().join("rec.h5"));
        let dataset = file.dataset("detector").unwrap();
        dataset.read_raw::<f64>().unwrap()[LENGTH..2 * LENGTH].to_vec()
    };
    let bytes: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    let hash = blake3::hash(&bytes).to_hex().to_string();
    assert!(story.contains(&hash), "expected {hash} in\n{story}");
    // Two poles of 10 ms settle to 0.01 % in 11.756 time constants, where (1 + t)·exp(-t) = 1e-4: in 118
    // samples, of which sample 117 is the last.
    assert!(story.contains("samples 117 to 1999 count"), "{story}");
    for text in [
        "point 1 of rec.h5",
        "dataset /detector",
        "made up, 2026-03-14",
        "current[1] of 3",
    ] {
        assert!(story.contains(text), "expected `{text}` in\n{story}");
    }
    let json: Value =
        serde_json::from_str(&trace(folder.path(), &["out.h5", "current[1]", "--json"])).unwrap();
    let point = &json["outputs"][0]["point"];
    let detector = point["inputs"]
        .as_array()
        .unwrap()
        .iter()
        .find(|i| i["input"] == "detector");
    assert_eq!(detector.unwrap()["hash"], hash.as_str());
    assert_eq!(
        detector.unwrap()["samples"],
        serde_json::json!([117, LENGTH])
    );
    // The gain as it is on record stands beside the unit it was written in; a reader gets numbers with their units.
    let nodes = json["outputs"][0]["entry"]["nodes"].as_array().unwrap();
    let amplify = nodes.iter().find(|n| n["name"] == "current").unwrap();
    let settings = amplify["settings"].as_array().unwrap();
    let gain = settings.iter().find(|s| s[0] == "divide_by").unwrap();
    assert_eq!(gain[1], "2000.0 (u 40.0) Ohm");
    let gain = &amplify["constants"][0];
    assert_eq!(
        (&gain["value"], &gain["standard_uncertainty"]),
        (&"2 kV/A".into(), &"0.04 kV/A".into())
    );
    phasemill(folder.path(), &["trace", "out.h5", "current[3]"])
        .expect(1)
        .says("expected a point of `current` below 3");
    phasemill(folder.path(), &["trace", "out.h5", "current[x]"])
        .expect(1)
        .says("answer[17]");
}

#[test]
fn the_graph_is_drawn_and_told() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let dot = trace(folder.path(), &["out.h5", "current", "--dot"]);
    assert_eq!(dot.matches(" -> ").count(), 7, "{dot}");
    for text in [
        "digraph",
        "RcCascade",
        "V, 1 kHz",
        "divide by gain",
        "peripheries=2",
    ] {
        assert!(dot.contains(text), "expected `{text}` in\n{dot}");
    }
    trace(folder.path(), &["out.h5", "--graph", "graph.svg"]);
    let svg = std::fs::read_to_string(folder.path().join("graph.svg")).unwrap();
    assert_eq!(svg.matches("marker-end").count(), 7, "{svg}");
    assert_eq!(
        svg.matches("stroke-width=\"2.5\"").count(),
        2,
        "two outputs are kept: {svg}"
    );
}

/// The paragraph holds the facts, in whole sentences, and claims an uncertainty where there is one.
#[test]
fn methods_say_what_was_done() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let told = trace(folder.path(), &["out.h5", "current", "--methods"]);
    for text in [
        "recorded at 1 kHz, 2000 samples (2 s) at each of 3 points",
        "rising edges of \"chopper\"",
        "2 equal RC poles with a time constant of 10 ms each",
        // 1/(8 tau).
        "equivalent noise bandwidth 12.5 Hz",
        "blocks of 200 ms",
        "divided by the constant \"gain\"",
        "\"gain\" is 2 kV/A",
        "(made up, 2026-03-14)",
        "Standard uncertainties of \"current\"",
        "Computed with phasemill",
    ] {
        assert!(told.contains(text), "expected `{text}` in\n{told}");
    }
    let plain = RECIPE.replace(", over: Blocks(\"0.2 s\")", ", uncertainty: Nothing");
    std::fs::write(folder.path().join("plain.ron"), plain).unwrap();
    run(folder.path(), "plain.ron", "rec.h5", "plain.h5");
    let told = trace(folder.path(), &["plain.h5", "current", "--methods"]);
    assert!(
        told.contains("No uncertainty of \"current\" was evaluated."),
        "{told}"
    );
    assert!(!told.contains("Standard uncertainties"), "{told}");
}

/// Neither the user nor a folder is named in what is for others.
#[test]
fn what_is_public_names_no_user_and_no_folder() {
    let folder = bench();
    let whole = folder.path().canonicalize().unwrap();
    let at = |name: &str| whole.join(name).display().to_string();
    let run = |out: &str, more: &[&str]| {
        let (recipe, recording, out) = (at("recipe.ron"), at("rec.h5"), at(out));
        let mut command = command(folder.path());
        command.args(["run", &recipe, &recording, "--out", &out, "--quiet"]);
        finish(command.args(more).env("USER", "someone-invented")).expect(0);
    };
    run("out.h5", &[]);
    let private = trace(folder.path(), &["out.h5", "--json"]);
    assert!(
        private.contains("someone-invented") && private.contains(&at("rec.h5")),
        "{private}"
    );
    let host = std::fs::read_to_string("/etc/hostname").unwrap_or_default();
    let host = host.trim();
    let folder_name = whole.display().to_string();
    for arguments in [
        &["out.h5", "--json", "--public"][..],
        &["out.h5", "--public"],
        &["out.h5", "--dot"],
        &["out.h5", "--methods"],
    ] {
        let public = trace(folder.path(), arguments);
        for secret in ["someone-invented", &folder_name] {
            assert!(
                !public.contains(secret),
                "{arguments:?} tell {secret}:\n{public}"
            );
        }
        assert!(
            host.len() < 6 || !public.contains(host),
            "{arguments:?} tell {host}:\n{public}"
        );
    }
    run("anonymous.h5", &["--anonymous"]);
    let anonymous = trace(folder.path(), &["anonymous.h5", "--json"]);
    assert!(!anonymous.contains("someone-invented"), "{anonymous}");
}

fn verified(folder: &Path, arguments: &[&str]) -> Outcome {
    phasemill(folder, &[&["verify"], arguments].concat())
}

#[test]
fn recordings_that_moved_are_found_by_their_samples() {
    let folder = bench();
    let at = |name: &str| folder.path().join(name);
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let good = verified(folder.path(), &["out.h5"]).expect(0).out;
    assert!(good.contains("2 of 2 outputs identical"), "{good}");
    verified(folder.path(), &["out.h5", "--quick"]).expect(0);
    // From elsewhere, with a path that means something else there.
    std::fs::create_dir(at("elsewhere")).unwrap();
    verified(&at("elsewhere"), &["../out.h5"]).expect(0);
    // Under another name, among others that hold something else.
    std::fs::create_dir_all(at("archive/2026")).unwrap();
    std::fs::rename(at("rec.h5"), at("archive/2026/renamed.h5")).unwrap();
    let other = vec![0.0; POINTS * LENGTH];
    let channel = |dataset| Channel {
        points: POINTS,
        ..Channel::volts(dataset, &other)
    };
    record(
        &at("archive/rec.h5"),
        RATE,
        Layout::Contiguous,
        &[channel("/detector"), channel("/chopper")],
    );
    let lost = verified(folder.path(), &["out.h5"]).expect(2).out;
    assert!(
        lost.contains("cannot be checked") && lost.contains("--in FOLDER"),
        "{lost}"
    );
    for how in [
        &["out.h5", "--in", "archive"][..],
        &["out.h5", "--in", "archive", "--quick"],
    ] {
        let found = verified(folder.path(), how).expect(0).out;
        assert!(found.contains("renamed.h5"), "{found}");
    }
    verified(folder.path(), &["out.h5", "--in", "nowhere"])
        .expect(1)
        .says("nowhere");
    verified(folder.path(), &["none.h5"])
        .expect(1)
        .says("no such file");
    verified(folder.path(), &["archive/rec.h5"])
        .expect(1)
        .says("expected a result file");
}

/// Adds to a number of a file, as a hand might.
pub fn add(path: &Path, dataset: &str, at: usize, what: f64) {
    let file = open(path);
    let dataset = file.dataset(dataset).unwrap();
    let mut values = dataset.read_raw::<f64>().unwrap();
    values[at] += what;
    dataset.write_raw(&values).unwrap();
}

/// What is no recording any more cannot be compared with anything: nothing is said to differ.
#[test]
fn a_recording_that_became_something_else_cannot_be_checked() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    std::fs::write(folder.path().join("rec.h5"), "a text").unwrap();
    for how in [&["out.h5"][..], &["out.h5", "--quick"]] {
        let told = verified(folder.path(), how).expect(2).out;
        assert!(!told.contains("differs"), "{told}");
        let both = told.matches("cannot be checked, `").count();
        assert_eq!(both, 2, "{told}");
        assert!(told.contains("its recording cannot be read"), "{told}");
    }
}

/// One point proves good where another was changed. (Of an estimate that shares a constant with others, a point
/// also holds its covariance with them.)
#[test]
fn a_single_point_is_verified() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let change = |file: &str, dataset: &str, row: usize, column: usize| {
        add(
            &folder.path().join(file),
            dataset,
            row * LENGTH + column,
            1e-9,
        );
    };
    change("rec.h5", "detector", 1, 700);
    for (what, code) in [
        ("smooth[0]", 0),
        ("smooth[1]", 2),
        ("smooth[2]", 0),
        ("smooth", 2),
        ("current[1]", 2),
    ] {
        for quick in [&[][..], &["--quick"]] {
            let which = format!("out.h5:{what}");
            let arguments = [&[which.as_str()][..], quick].concat();
            let told = verified(folder.path(), &arguments).expect(code).out;
            let place = "`detector`, point 1: its samples";
            assert_eq!(told.contains(place), code == 2, "{told}");
        }
    }
    change("rec.h5", "detector", 1, 700);
    std::fs::remove_file(folder.path().join("out.h5")).unwrap();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    change("out.h5", "rec/smooth/in_phase", 2, 5);
    verified(folder.path(), &["out.h5:smooth[0]"]).expect(0);
    let told = verified(folder.path(), &["out.h5:smooth"]).expect(2).out;
    assert!(
        told.contains("`smooth`, point 2, sample 5: in_phase is"),
        "{told}"
    );
    verified(folder.path(), &["out.h5:current"]).expect(0);
    verified(folder.path(), &["out.h5:smooth[9]"])
        .expect(1)
        .says("below 3");
}

/// Changes a text dataset of a result file.
pub fn rewrite(path: &Path, dataset: &str, from: &str, to: &str) {
    use hdf5::types::VarLenUnicode;
    let file = open(path);
    let dataset = file.dataset(dataset).unwrap();
    let text = dataset.read_scalar::<VarLenUnicode>().unwrap().to_string();
    assert!(text.contains(from), "{text}");
    let text: VarLenUnicode = text.replacen(from, to, 1).parse().unwrap();
    dataset.write_scalar(&text).unwrap();
}

#[test]
fn texts_may_change_their_comments_and_nothing_else() {
    let folder = bench();
    for (from, to, code, said) in [
        (
            "// Invented.",
            "// Another comment, and a longer one.",
            0,
            "2 of 2",
        ),
        ("    title", "  title", 0, "2 of 2"),
        ("poles: 2", "poles: 3", 2, "`smooth`: kind.poles was 2"),
        ("2 kV/A", "3 kV/A", 2, "`current`: divide_by was"),
        ("made up", "made in", 2, "no longer say"),
        (
            "of: \"product\"",
            "of: \"prodigy\"",
            2,
            "unknown flow `prodigy`",
        ),
        ("Recipe(", "Recite(", 2, "cannot be read any more"),
    ] {
        let path = folder.path().join("out.h5");
        let _ = std::fs::remove_file(&path);
        run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
        rewrite(&path, "/provenance/recipe", from, to);
        let outcome = verified(folder.path(), &["out.h5"]).expect(code);
        assert!(
            outcome.out.contains(said),
            "{from} -> {to}: {}",
            outcome.out
        );
    }
    // The record itself.
    let entry = "/provenance/points/rec/lineage";
    for (dataset, from, to) in [
        ("/provenance/lineage", "\"began\"", "\"begun\""),
        ("/provenance/lineage", "\"rec\"", "\"rec\" "),
        (entry, "made up", "made in"),
        (entry, "0.2 s", "0.3 s"),
    ] {
        let path = folder.path().join("out.h5");
        std::fs::remove_file(&path).unwrap();
        run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
        rewrite(&path, dataset, from, to);
        let outcome = verified(folder.path(), &["out.h5", "--quick"]).expect(2);
        assert!(
            outcome.out.contains("not what was sealed"),
            "{}",
            outcome.out
        );
    }
}

/// Intervals that were drawn because the command line asked for it are part of what is proved.
#[test]
fn what_was_drawn_is_drawn_again() {
    let folder = bench();
    let arguments = [
        "run",
        "recipe.ron",
        "rec.h5",
        "--out",
        "out.h5",
        "--quiet",
        "--monte-carlo",
        "10000",
    ];
    phasemill(folder.path(), &[&arguments[..], &["--seed", "7"]].concat()).expect(0);
    let file = phasemill_engine::store::ResultReader::open(&folder.path().join("out.h5")).unwrap();
    assert!(
        file.names("/rec/current")
            .iter()
            .any(|n| n == "monte_carlo")
    );
    drop(file);
    verified(folder.path(), &["out.h5"]).expect(0);
}

#[test]
fn signatures_are_made_and_checked_by_the_stock_tool() {
    let stock = |arguments: &[&str], folder: &Path| {
        let mut tool = std::process::Command::new("ssh-keygen");
        tool.args(arguments)
            .current_dir(folder)
            .stdin(std::process::Stdio::null())
            .output()
    };
    let folder = bench();
    let made = stock(
        &[
            "-q", "-t", "ed25519", "-N", "", "-C", "invented", "-f", "key",
        ],
        folder.path(),
    );
    if made.is_err() {
        eprintln!("skipped: ssh-keygen not found");
        return;
    }
    assert!(made.unwrap().status.success());
    stock(
        &[
            "-q", "-t", "ed25519", "-N", "", "-C", "invented", "-f", "other",
        ],
        folder.path(),
    )
    .unwrap();
    let public =
        |key: &str| std::fs::read_to_string(folder.path().join(format!("{key}.pub"))).unwrap();
    std::fs::write(
        folder.path().join("signers"),
        format!("bench@example.org {}", public("key")),
    )
    .unwrap();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let signed = |more: &[&str]| {
        let arguments = [
            &["verify", "out.h5", "--quick", "--signers", "signers"],
            more,
        ]
        .concat();
        phasemill(folder.path(), &arguments)
    };
    signed(&[])
        .expect(2)
        .says("expected a signature, found none");
    phasemill(folder.path(), &["sign", "out.h5", "--key", "key"]).expect(0);
    let good = signed(&[]).expect(0).out;
    assert!(good.contains("signed by bench@example.org"), "{good}");
    phasemill(folder.path(), &["sign", "out.h5", "--key", "key"])
        .expect(1)
        .says("--overwrite");
    phasemill(
        folder.path(),
        &["sign", "out.h5", "--key", "none", "--overwrite"],
    )
    .expect(1)
    .says("did not sign");
    // As the help says, without this program knowing the signature.
    let message = phasemill(folder.path(), &["sign", "out.h5", "--message"])
        .expect(0)
        .out;
    std::fs::write(folder.path().join("message"), &message).unwrap();
    let mut check = std::process::Command::new("ssh-keygen");
    check.args([
        "-Y",
        "verify",
        "-n",
        "phasemill-run",
        "-I",
        "bench@example.org",
        "-f",
        "signers",
        "-s",
        "out.h5.sig",
    ]);
    check.stdin(std::fs::File::open(folder.path().join("message")).unwrap());
    assert!(
        check
            .current_dir(folder.path())
            .output()
            .unwrap()
            .status
            .success()
    );
    // Someone who is not allowed, and a record that was changed together with its seal.
    phasemill(
        folder.path(),
        &["sign", "out.h5", "--key", "other", "--out", "other.sig"],
    )
    .expect(0);
    signed(&["--signature", "other.sig"])
        .expect(2)
        .says("by nobody whom signers allows");
    let path = folder.path().join("out.h5");
    rewrite(&path, "/provenance/lineage", "made up", "made in");
    let seal = Record::open(&path).unwrap();
    let (old, new) = (seal.seal.clone().unwrap(), seal.digest.clone());
    drop(seal);
    rewrite(&path, "/provenance/seal", &old, &new);
    signed(&[]).expect(2).says("not of this file");
}
