//! `compare` on recordings made on the spot: what its chains give is what they give alone, bit for bit; its
//! tests are those of SciPy; its file is one that `trace` and `verify` know and that h5py reads.

use std::path::Path;

use serde_json::{Value, json};
use tempfile::TempDir;

use super::support::{
    Channel, Layout, Outcome, attribute, create, noise, open, phasemill, record, text_attribute,
};
use super::support_reference::{LAW, near, python, reals};

const RATE: f64 = 2000.0;
const SAMPLES: usize = 6000;
const POINTS: usize = 5;

/// Stages up to the filter, which `{filter}` stands for.
fn recipe(filter: &str, alternatives: &str) -> String {
    format!(
        r#"Recipe(
    title: "a made-up peak",
    inputs: {{ "x": Wave(unit: "V") }},
    constants: {{ "gain": Constant(value: "1e6 V/A", standard_uncertainty: "0.5 %") }},
    stages: {{
        "ac": RemoveOffset(of: "x"),
        "clock": Reference(of: "x", shape: Stated(frequency: "175 Hz")),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: {filter}),
        "slow": Decimate(of: "smooth", to: "500 Hz"),
        "voltage": Average(of: "slow"),
        "current": Amplify(of: "voltage", divide_by: "gain"),
        "polar": Polar(of: "current"),
    }},
    results: ["current", "polar"],
    units: {{ "current": "nA" }},
    {alternatives}
)
"#
    )
}

const BASE: &str = r#"RcCascade(poles: 4, time_constant: "20 ms")"#;
const SLOW: &str = r#"RcCascade(poles: 4, time_constant: "60 ms")"#;
const SHARP: &str = r#"Butterworth(order: 3, band: Low("8 Hz"))"#;

fn alternatives() -> String {
    format!(
        r#"alternatives: {{
        "time constant": Step(set: ["smooth.kind.time_constant"], to: ["20 ms", "60 ms"]),
        "sharp": Replace({{ "smooth": Filter(of: "product", kind: {SHARP}) }}),
    }},"#
    )
}

/// Names of the chains, and the filter of each.
const CHAINS: [(&str, &str); 3] = [
    ("current", BASE),
    ("current (time constant 60 ms)", SLOW),
    ("current (sharp)", SHARP),
];

/// A sweep with a peak in the middle, in noise of 0.3 V: amplitudes from 1 V to 3 V.
fn bench() -> TempDir {
    let folder = TempDir::new().unwrap();
    let mut samples = Vec::new();
    for point in 0..POINTS {
        let amplitude = [1.0, 1.1, 3.0, 1.1, 1.0][point];
        let noise = noise(SAMPLES, 0.3, 40 + point as u64);
        let tone = super::support::sine(SAMPLES, RATE, 175.0, amplitude, 0.7);
        samples.extend(tone.iter().zip(noise).map(|(t, n)| t + n));
    }
    let channel = Channel {
        points: POINTS,
        ..Channel::volts("x", &samples)
    };
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Chunked(1000),
        &[channel],
    );
    let file = open(&folder.path().join("a.h5"));
    let axis = file.new_dataset::<f64>().shape([POINTS]);
    let axis = axis.create("wavelength").unwrap();
    axis.write_raw(&[500.0, 510.0, 520.0, 530.0, 540.0])
        .unwrap();
    text_attribute(&axis, "units", "nm");
    text_attribute(&file.dataset("x").unwrap(), "axis", "/wavelength");
    file.close().unwrap();
    std::fs::write(folder.path().join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    folder
}

fn compare(folder: &Path, more: &[&str]) -> Outcome {
    let first = ["compare", "r.ron", "a.h5", "--quiet", "--overwrite"];
    phasemill(folder, &[&first[..], more].concat())
}

fn numbers(file: &hdf5::File, path: &str) -> Vec<f64> {
    let dataset = file.dataset(path);
    dataset
        .unwrap_or_else(|e| panic!("{path}: {e}"))
        .read_raw()
        .unwrap()
}

#[track_caller]
fn same_bits(what: &str, found: &[f64], expected: &[f64]) {
    let bits = |x: &[f64]| x.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(found), bits(expected), "{what}");
}

#[test]
fn chains_and_their_differences_are_those_of_runs_alone_bit_for_bit() {
    let folder = bench();
    let folder = folder.path();
    // Without a declared unit results are in A, so that the numbers in the files are those computed.
    let recipe = |filter: &str, alternatives: &str| {
        recipe(filter, alternatives).replace(r#"units: { "current": "nA" },"#, "")
    };
    std::fs::write(folder.join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    compare(folder, &["--out", "all.h5"]).expect(0);
    let all = open(&folder.join("all.h5"));
    let parts = ["in_phase", "quadrature"];
    let mut base = Vec::new();
    for (chain, filter) in CHAINS {
        std::fs::write(folder.join("one.ron"), recipe(filter, "")).unwrap();
        let run = [
            "run",
            "one.ron",
            "a.h5",
            "--quiet",
            "--overwrite",
            "-o",
            "one.h5",
        ];
        phasemill(folder, &run).expect(0);
        let one = open(&folder.join("one.h5"));
        // Means of the same samples share one density of noise, so the uncertainty of one depends on the others.
        for column in ["in_phase", "quadrature"] {
            let found = numbers(&all, &format!("a/{chain}/{column}"));
            same_bits(
                chain,
                &found,
                &numbers(&one, &format!("a/current/{column}")),
            );
        }
        let own = parts.map(|p| numbers(&one, &format!("a/current/{p}")));
        if base.is_empty() {
            base = own.to_vec();
            continue;
        }
        let name = chain.replace("current", "difference");
        for (k, part) in parts.iter().enumerate() {
            let found = numbers(&all, &format!("a/{name}/{part}"));
            let pairs = own[k].iter().zip(&base[k]);
            let expected: Vec<f64> = pairs.map(|(a, b)| a - b).collect();
            same_bits(&name, &found, &expected);
        }
    }
}

#[test]
fn what_is_shared_is_computed_once() {
    let folder = bench();
    compare(folder.path(), &["--out", "all.h5"]).expect(0);
    let json = phasemill(folder.path(), &["trace", "all.h5", "--json"])
        .expect(0)
        .out;
    let json: Value = serde_json::from_str(&json).unwrap();
    let nodes = json["outputs"][0]["entry"]["nodes"].as_array().unwrap();
    let count = |stage: &str| nodes.iter().filter(|n| n["stage"] == stage).count();
    for shared in ["input", "RemoveOffset", "Reference", "Mix"] {
        assert_eq!(count(shared), 1, "{shared}");
    }
    // A step to the value that the recipe has makes no chain of its own: three, and two differences.
    for own in ["Filter", "Decimate", "Average", "Amplify", "Polar", "Onset"] {
        assert_eq!(count(own), 3, "{own}");
    }
    assert_eq!(count("Combine"), 2);
    let mut keys: Vec<&str> = nodes.iter().map(|n| n["key"].as_str().unwrap()).collect();
    keys.sort_unstable();
    keys.dedup();
    assert_eq!(keys.len(), nodes.len(), "no two nodes do the same");
}

#[test]
fn the_file_can_be_traced_and_verified_and_says_what_was_compared() {
    let folder = bench();
    let folder = folder.path();
    compare(folder, &["--out", "all.h5"]).expect(0);
    phasemill(folder, &["verify", "all.h5"]).expect(0);
    let traced = phasemill(folder, &["trace", "all.h5", "difference (sharp)[2]"])
        .expect(0)
        .out;
    assert!(traced.contains("smooth (sharp)"), "{traced}");
    let file = phasemill_engine::store::ResultReader::open(&folder.join("all.h5")).unwrap();
    let record: Value = serde_json::from_str(&file.text("/provenance/lineage").unwrap()).unwrap();
    let compared = record["compared"].as_array().unwrap();
    let names: Vec<&str> = compared
        .iter()
        .map(|c| c["name"].as_str().unwrap())
        .collect();
    let expected = [
        "base",
        "time constant 20 ms",
        "time constant 60 ms",
        "sharp",
    ];
    assert_eq!(names, expected);
    assert_eq!(
        compared[2]["said"],
        "`smooth.kind.time_constant` set to 60 ms"
    );
    drop(file);
    // The comparison is under the seal.
    let changed = open(&folder.join("all.h5"));
    let p = changed.dataset("comparison/a/p").unwrap();
    p.write_raw(&[0.5; 4]).unwrap();
    drop(p);
    changed.close().unwrap();
    phasemill(folder, &["verify", "all.h5"]).expect(2);
}

#[test]
fn threads_change_no_bit() {
    let folder = bench();
    let folder = folder.path();
    let mut seen: Option<(String, String, Value)> = None;
    for threads in ["1", "2", "8"] {
        let more = [
            "--out",
            "all.h5",
            "--csv",
            "all.csv",
            "--threads",
            threads,
            "--json",
        ];
        let json = compare(folder, &more).expect(0).out;
        let csv = std::fs::read_to_string(folder.join("all.csv")).unwrap();
        let trace = phasemill(folder, &["trace", "all.h5", "--json"])
            .expect(0)
            .out;
        let trace: Value = serde_json::from_str(&trace).unwrap();
        let outputs = trace["outputs"].as_array().unwrap().iter();
        let contents = outputs.map(|o| o["output"]["content"].clone()).collect();
        let now = (json, csv, contents);
        assert!(seen.as_ref().is_none_or(|s| *s == now), "{threads} threads");
        seen = Some(now);
    }
}

/// What the file holds against SciPy: chi-square of the differences with the covariance that the file states, and
/// its probability by the degrees of freedom that it states for the noise of each point ([`LAW`]), of which the gain,
/// exact to 0.5 % of each difference, takes up a little; shapes and attributes as h5py sees them.
const SCRIPT: &str = "
import json, sys
import h5py
w = json.load(sys.stdin)
with h5py.File(w['file'], 'r') as f:
    g = f['comparison/a']
    names = [n.decode() for n in g['chain'][:]]
    out = {}
    for name, label in [('difference (time constant 60 ms)', 'time constant 60 ms'), ('difference (sharp)', 'sharp')]:
        d = f['a'][name]
        z = np.stack([d['in_phase'][:], d['quadrature'][:]], axis=1).ravel()
        V = d['uncertainty/covariance'][:].reshape(len(z), len(z))
        chi2 = z @ np.linalg.solve(V, z)
        k = names.index(label)
        n = d['uncertainty/source_degrees_of_freedom'][:]
        n = n[np.isfinite(n)]
        assert len(n) == len(z)//2
        P, own = np.linalg.inv(V), V - 0.005**2*np.outer(z, z)
        shares = [own[i:i+2, i:i+2] @ P[i:i+2, i:i+2] for i in range(0, len(z), 2)]
        terms = []
        for m, free in zip(shares, n):
            a, b = np.trace(m), np.trace(m @ m)
            terms.append((a, (a*a + b)/free, (a*a + 2*b)/free, 1))
        terms.append((len(z) - sum(t[0] for t in terms), 0, 0, 1))
        out[label] = dict(scipy=[chi2, above(chi2, terms)],
            file=[float(g['chi_square'][k]), float(g['p'][k])], condition=float(np.linalg.cond(V)),
            freedom=int(g['degrees_of_freedom'][k]))
    shapes = {n: list(g[n].shape) for n in ['amplitude', 'amplitude_errors', 'difference_in_phase', 'detected', 'settling', 'unbeaten']}
    out['form'] = dict(signal=g.attrs['signal'], axes=list(g.attrs['axes']), units=g['amplitude'].attrs['units'],
        nx=g.attrs['NX_class'], axis=list(g['wavelength'][:]), shapes=shapes)
print(json.dumps(out))
";

#[test]
fn agreement_is_that_of_scipy_and_the_group_reads_with_h5py() {
    let folder = bench();
    let path = folder.path().join("all.h5");
    compare(folder.path(), &["--out", "all.h5"]).expect(0);
    let script = format!("{LAW}{SCRIPT}");
    let Some(found) = python(&script, &json!({ "file": path })) else {
        return;
    };
    for label in ["time constant 60 ms", "sharp"] {
        let one = &found[label];
        let (scipy, file) = (reals(&one["scipy"]), reals(&one["file"]));
        assert_eq!(one["freedom"], 2 * POINTS);
        // Both solve with V, which loses as much as its condition says; p changes by at most half of chi-square's
        // change, its density being at most 1/2 from two degrees of freedom on, beside what the script's inversion
        // leaves.
        let bound = 100.0 * f64::EPSILON * one["condition"].as_f64().unwrap() * scipy[0].max(1.0);
        near(label, file[0], scipy[0], bound);
        near(label, file[1], scipy[1], bound + 2e-6);
    }
    let form = &found["form"];
    assert_eq!(form["signal"], "amplitude");
    assert_eq!(form["axes"], json!(["chain", "wavelength"]));
    assert_eq!(
        (&form["units"], &form["nx"]),
        (&json!("nA"), &json!("NXdata"))
    );
    assert_eq!(form["shapes"]["difference_in_phase"], json!([4, POINTS]));
    assert_eq!(form["shapes"]["settling"], json!([4]));
}

#[test]
fn what_is_saved_is_read_back_and_says_the_same_as_the_json() {
    let folder = bench();
    let out = compare(
        folder.path(),
        &["--out", "all.h5", "--json", "--largest-settling", "0.3 s"],
    );
    let printed: Value = serde_json::from_str(&out.expect(0).out).unwrap();
    let saved = phasemill_engine::compare::saved(&folder.path().join("all.h5")).unwrap();
    let [(name, comparison)] = saved.as_slice() else {
        panic!("one comparison")
    };
    assert_eq!(
        (name.as_str(), &printed[0]["recording"]),
        ("a", &json!("a"))
    );
    assert_eq!(
        serde_json::to_value(comparison).unwrap(),
        printed[0]["comparison"]
    );
    // The base settles in 0.2 s (four poles of 20 ms: 10.05 time constants), 60 ms take 0.6 s.
    let settles: Vec<f64> = comparison
        .chains
        .iter()
        .map(|c| c.settles().unwrap())
        .collect();
    near("base", settles[0], 0.2009, 0.003);
    near("slow", settles[2], 0.6027, 0.003);
    assert_eq!(comparison.chains[1].same_as, Some(0));
    let recommended = comparison.recommended.as_ref().unwrap();
    assert!(
        recommended.chain.is_some_and(|c| c != 2),
        "{}",
        recommended.reason
    );
    for chain in &comparison.chains {
        let largest = chain.largest.as_ref().unwrap();
        assert_eq!(
            (largest.point, largest.at),
            (2, Some(520.0)),
            "{}",
            chain.name
        );
        assert_eq!(chain.detected, Some((POINTS, POINTS)));
        // Five points with 2 to 31 degrees of freedom each, as `Average` has: 1/sqrt(2·5·31) to 1/sqrt(2·5·2).
        assert!(
            (0.056..=0.224).contains(&chain.noise_known_to.unwrap()),
            "{chain:?}"
        );
    }
    assert_eq!(
        comparison.chains[3].largest.unwrap().still_there,
        Some(true)
    );
    assert!(
        comparison.chains[3]
            .verdict
            .contains("the peak is still there, at 520 nm")
    );
    // A file of an ordinary run holds none.
    let run = ["run", "r.ron", "a.h5", "--quiet", "-o", "run.h5"];
    phasemill(folder.path(), &run).expect(0);
    let none = phasemill_engine::compare::saved(&folder.path().join("run.h5")).unwrap();
    assert!(none.is_empty());
}

/// A steady tone begins with the point: what comes up is the step response of the filter.
#[test]
fn the_step_response_is_seen_where_it_was_predicted() {
    let folder = TempDir::new().unwrap();
    let tone = super::support::sine(SAMPLES, RATE, 175.0, 1.0, 0.7);
    let noise = noise(SAMPLES, 0.01, 3);
    let samples: Vec<f64> = tone.iter().zip(noise).map(|(t, n)| t + n).collect();
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[Channel::volts("x", &samples)],
    );
    std::fs::write(folder.path().join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    let json = compare(folder.path(), &["--json"]).expect(0).out;
    let json: Value = serde_json::from_str(&json).unwrap();
    let chains = json[0]["comparison"]["chains"].as_array().unwrap();
    for k in [0, 2] {
        for time in chains[k]["start"]["times"].as_array().unwrap() {
            let (predicted, seen) = (time["predicted"].as_f64().unwrap(), time["seen"].as_f64());
            // Means of the curve last at most 1.5·1 s/256; the mixer's image at 350 Hz, 0.5 V, is left by four poles
            // of 20 ms with (1 + (2π·350·0.02)²)^-2 = 2.7e-7, nothing; noise of 0.01 V in 4 Hz of 1000 Hz,
            // 7e-4, moves the time to 1 % of a curve that falls by 1 % of it in about 2 ms by a tenth of that.
            near(&time.to_string(), seen.unwrap(), predicted, 0.012);
        }
        assert_eq!(chains[k]["start"]["not_seen"], "");
    }
}

#[test]
fn what_is_lost_in_noise_is_said_to_be() {
    let folder = TempDir::new().unwrap();
    let samples = noise(SAMPLES, 1.0, 8);
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[Channel::volts("x", &samples)],
    );
    std::fs::write(folder.path().join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    let out = compare(folder.path(), &[]).expect(0).out;
    let joined = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        joined.contains("base: cannot be seen, since the signal is too small against the noise"),
        "{out}"
    );
    assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");
}

#[test]
fn recipes_of_their_own_are_compared_and_share_what_they_say_alike() {
    let folder = bench();
    let folder = folder.path();
    std::fs::write(folder.join("one.ron"), recipe(BASE, "")).unwrap();
    // The same stages by other names and in another order of settings, with another filter.
    let other = recipe(SHARP, "")
        .replace("\"product\"", "\"mixed\"")
        .replace("\"20 ms\"", "\"0.02 s\"");
    std::fs::write(folder.join("two.ron"), &other).unwrap();
    let command = [
        "compare", "one.ron", "two.ron", "a.h5", "--quiet", "--out", "both.h5",
    ];
    let out = phasemill(folder, &command).expect(0).out;
    assert!(out.contains("two: "), "{out}");
    let file = open(&folder.join("both.h5"));
    let text = phasemill_engine::store::ResultReader::open(&folder.join("both.h5"));
    let text = text.unwrap().text("/provenance/recipe").unwrap();
    assert_eq!(
        (
            text.matches("Mix(").count(),
            text.matches("Filter(").count()
        ),
        (1, 2),
        "{text}"
    );
    assert!(file.group("a/current (two)").is_ok());
    // What they say of a constant has to be the same.
    std::fs::write(folder.join("two.ron"), other.replace("1e6 V/A", "2e6 V/A")).unwrap();
    let command = ["compare", "one.ron", "two.ron", "a.h5", "--quiet"];
    phasemill(folder, &command)
        .expect(1)
        .says("`gain` in `constants` differs from that in one.ron");
}

#[test]
fn a_run_passes_alternatives_over_even_faulty_ones() {
    let folder = bench();
    let folder = folder.path();
    let faulty = alternatives().replace("\"smooth\":", "\"smoth\":");
    std::fs::write(folder.join("r.ron"), recipe(BASE, &faulty)).unwrap();
    phasemill(
        folder,
        &["run", "r.ron", "a.h5", "--strict", "--quiet", "-o", "x.h5"],
    )
    .expect(0);
    let alone = phasemill(folder, &["check", "r.ron"]).expect(1);
    alone
        .says("the recipe has no stage `smoth`")
        .says("did you mean `smooth`?");
    compare(folder, &[])
        .expect(1)
        .says("the recipe has no stage `smoth`");
    let good = recipe(BASE, &alternatives());
    std::fs::write(folder.join("r.ron"), good).unwrap();
    let out = phasemill(folder, &["check", "r.ron", "a.h5"]).expect(0).out;
    assert!(out.contains("alternatives for `compare`: 3"), "{out}");
}

#[test]
fn what_cannot_be_compared_is_told_with_its_cure() {
    let folder = bench();
    let folder = folder.path();
    compare(folder, &["--result", "currant"])
        .expect(1)
        .says("choose one of `current`");
    compare(folder, &["--largest-settling", "3 V"])
        .expect(1)
        .says("expected with `--largest-settling` a quantity in s");
    compare(folder, &["--largest-noise", "1 V"])
        .expect(1)
        .says("a quantity in nA");
    compare(folder, &["--out", "r.ron"])
        .expect(1)
        .says("which is read");
    compare(folder, &["--csv", "a.h5"])
        .expect(1)
        .says("which is read");
    std::fs::write(folder.join("r.ron"), recipe(BASE, "")).unwrap();
    compare(folder, &[])
        .expect(1)
        .says("expected `alternatives`, found none");
    phasemill(folder, &["compare", "r.ron", "r.ron", "--quiet"])
        .expect(1)
        .says("expected a recording");
    phasemill(folder, &["compare", "a.h5", "a.h5", "--quiet"])
        .expect(1)
        .says("expected a recipe");
    std::fs::write(folder.join("broken.h5"), "no HDF5").unwrap();
    std::fs::write(folder.join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    phasemill(folder, &["compare", "r.ron", "broken.h5", "--quiet"])
        .expect(2)
        .says("broken.h5");
    // A chain against itself: nothing to test, and no panic.
    phasemill(folder, &["compare", "r.ron", "r.ron", "a.h5", "--quiet"]).expect(0);
}

/// Results with one part: no phase, no image of a tone; and a crate takes the comparison along.
#[test]
fn real_results_are_compared_too_and_exported() {
    let folder = bench();
    let folder = folder.path();
    let text = r#"Recipe(
    title: "a level",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "smooth": Filter(of: "x", kind: RcCascade(poles: 1, time_constant: "5 ms")),
        "level": Average(of: "smooth", over: Blocks("0.1 s")),
    },
    results: ["level"],
    alternatives: { "block": Step(set: ["level.over", "level.skip"], to: [Nothing, Time("0.5 s")]),
        "blocks": Step(set: ["level.over"], to: [Blocks("0.2 s")]) },
)"#;
    std::fs::write(folder.join("r.ron"), text).unwrap();
    compare(folder, &[]).expect(1).says("in alternative `block");
    let text = text.replace(
        "[\"level.over\", \"level.skip\"], to: [Nothing, ",
        "[\"level.skip\"], to: [",
    );
    std::fs::create_dir(folder.join("recipes")).unwrap();
    std::fs::write(folder.join("recipes/r.ron"), text).unwrap();
    let command = [
        "compare",
        "recipes/r.ron",
        "a.h5",
        "--quiet",
        "-o",
        "all.h5",
        "--points",
    ];
    let out = phasemill(folder, &command).expect(0).out;
    assert!(
        out.contains("`level` in V, 5 points, 3 chains") && !out.contains("phase"),
        "{out}"
    );
    let saved = phasemill_engine::compare::saved(&folder.join("all.h5")).unwrap();
    let chain = &saved[0].1.chains[1];
    assert_eq!(
        (chain.name.as_str(), chain.said.as_str()),
        ("block Time 0,5 s", "`level.skip` set to Time(\"0.5 s\")")
    );
    assert_eq!(chain.agreement.unwrap().degrees_of_freedom, POINTS);
    phasemill(folder, &["export", "all.h5", "--crate", "crate"]).expect(0);
    phasemill(folder, &["verify", "crate", "--in", "."]).expect(0);
    let crated = phasemill_engine::compare::saved(&folder.join("crate/all.h5")).unwrap();
    assert_eq!(crated, saved);
    assert!(!format!("{crated:?}").contains("recipes/"));
}

/// A point that one channel lacks is left out of the test, and told.
#[test]
fn a_missing_sample_stops_a_chain_at_its_point_only() {
    let folder = TempDir::new().unwrap();
    let file = create(&folder.path().join("a.h5"));
    attribute(&file, "sample_rate", RATE);
    let dataset = file
        .new_dataset::<f64>()
        .shape([3, SAMPLES])
        .create("x")
        .unwrap();
    text_attribute(&dataset, "units", "V");
    for point in 0..3 {
        let mut row = super::support::sine(SAMPLES, RATE, 175.0, 1.0, 0.0);
        row.iter_mut()
            .zip(noise(SAMPLES, 0.1, point))
            .for_each(|(x, n)| *x += n);
        if point == 1 {
            row[3000] = f64::NAN;
        }
        dataset.write_slice(&row, (point as usize, ..)).unwrap();
    }
    drop(dataset);
    file.close().unwrap();
    std::fs::write(folder.path().join("r.ron"), recipe(BASE, &alternatives())).unwrap();
    let outcome = compare(folder.path(), &["--json"])
        .expect(2)
        .says("point 1");
    let json: Value = serde_json::from_str(&outcome.out).unwrap();
    let sharp = &json[0]["comparison"]["chains"][3];
    assert!(sharp["values"][1].is_null() && !sharp["values"][2].is_null());
    assert_eq!(sharp["agreement"]["degrees_of_freedom"], 4);
}
