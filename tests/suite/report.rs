//! The page about results: what it says, what it says where something is missing, and how it behaves in a browser.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::support::{
    Channel, Layout, Outcome, command, finish, names, noise, open, phasemill, record, root, sine,
    square, text_attribute,
};

const RATE: f64 = 2000.0;
const SAMPLES: usize = 8000;
const POINTS: usize = 6;

/// A sweep in which the signal grows with the angle.
const RECIPE: &str = r#"// A chopped signal that grows with the angle.
Recipe(
    title: "<script>window.evil = 1</script> & \"growth\"",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "signal": Average(of: "smooth"),
        "polar": Polar(of: "signal"),
    },
    results: ["signal", "polar", "clock.frequency"],
)
"#;

/// A folder with a recipe, a sweep, and its results.
fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.ron"), RECIPE).unwrap();
    let (mut detector, mut chopper) = (Vec::new(), Vec::new());
    for point in 0..POINTS {
        let signal = sine(SAMPLES, RATE, 73.0, 0.01 * (point + 1) as f64, 0.3);
        let noise = noise(SAMPLES, 0.02, point as u64);
        detector.extend(signal.iter().zip(noise).map(|(s, n)| s + n));
        chopper.extend(square(SAMPLES, RATE, 73.0));
    }
    let recording = folder.path().join("sweep.h5");
    let channel = |dataset, samples| Channel {
        dataset,
        unit: "V",
        samples,
        points: POINTS,
    };
    let channels = [
        channel("/detector", &detector),
        channel("/chopper", &chopper),
    ];
    record(&recording, RATE, Layout::Chunked(2000), &channels);
    let file = open(&recording);
    let angles: Vec<f64> = (0..POINTS).map(|p| 10.0 * p as f64).collect();
    let axis = file
        .new_dataset_builder()
        .with_data(&angles)
        .create("angle")
        .unwrap();
    text_attribute(&axis, "units", "deg");
    drop(axis);
    for name in ["/detector", "/chopper"] {
        text_attribute(&file.dataset(name).unwrap(), "axis", "/angle");
    }
    drop(file);
    phasemill(
        folder.path(),
        &[
            "run",
            "recipe.ron",
            "sweep.h5",
            "--out",
            "results.h5",
            "--quiet",
        ],
    )
    .expect(0);
    folder
}

fn read(path: impl AsRef<Path>) -> String {
    std::fs::read_to_string(path).unwrap()
}

fn report(folder: &Path, arguments: &[&str]) -> Outcome {
    let all: Vec<&str> = std::iter::once("report")
        .chain(arguments.iter().copied())
        .collect();
    phasemill(folder, &all)
}

/// The texts that a reader sees: what stands between tags, entities as they are.
fn seen(page: &str) -> String {
    let mut text = String::new();
    for part in page.split('<').skip(1) {
        text.push_str(part.split_once('>').map_or("", |(_, rest)| rest));
    }
    text
}

#[test]
fn a_page_says_everything_in_order_and_needs_nothing_else() {
    let folder = bench();
    report(folder.path(), &["results.h5", "--plots", "plots"]).expect(0);
    let page = read(folder.path().join("results.html"));
    let mut at = 0;
    for id in [
        "asked",
        "answer",
        "graph",
        "response",
        "spectra",
        "traces",
        "reference",
        "warnings",
        "budget",
        "lineage",
        "methods",
    ] {
        let found = page[at..].find(&format!("<section id=\"{id}\""));
        at += found.unwrap_or_else(|| panic!("no {id} behind {at}"));
    }
    let text = seen(&page);
    for words in [
        "A chopped signal that grows with the angle.",
        "6 points along angle in deg",
        "Noise bandwidth of the samples",
        "1st harmonic of",
        "noise, ",
        "Computed with phasemill",
    ] {
        assert!(text.contains(words), "no `{words}`");
    }
    // A title is a text, wherever it stands.
    assert!(!page.contains("<script>window.evil"));
    assert!(page.contains("&lt;script&gt;window.evil = 1&lt;/script&gt; &amp; &quot;growth&quot;"));
    // The name of SVG is no address that anybody asks.
    let addresses = page.matches("http").count() - page.matches("http-equiv").count();
    assert_eq!(
        addresses,
        page.matches("http://www.w3.org/2000/svg").count()
    );
    for outside in [
        "src=",
        "@import",
        "url(\"",
        "<link rel=\"stylesheet",
        "fetch(",
    ] {
        assert!(!page.contains(outside), "{outside}");
    }
    // Every plot is there in three forms.
    let plots = page.matches("<figure class=\"plot\"").count();
    let files = names(&folder.path().join("plots"));
    for ending in [".svg", ".png", ".csv"] {
        assert_eq!(
            files.iter().filter(|f| f.ends_with(ending)).count(),
            plots,
            "{files:?}"
        );
    }
    // A table of plain numbers: the values are those of the file in SI units, in the unit that its head names.
    let table = read(folder.path().join("plots/signal-phase.csv"));
    assert!(
        table.starts_with("series,\"angle in deg\",\"signal phase in deg\",low,high\n"),
        "{table}"
    );
    let file = open(&folder.path().join("results.h5"));
    let phases = file
        .dataset("sweep/signal/phase")
        .unwrap()
        .read_raw::<f64>()
        .unwrap();
    let rows: Vec<f64> = table
        .lines()
        .skip(1)
        .map(|l| l.rsplit(',').nth(2).unwrap().parse().unwrap())
        .collect();
    for (row, phase) in rows.iter().zip(&phases) {
        // Degrees of radians: a division by a rounded factor, at most three roundings of 2^-53.
        assert!(
            (row - phase.to_degrees()).abs() <= 4.0 * f64::EPSILON * row.abs(),
            "{row} {phase}"
        );
    }
    // Each carries a remark, on the edges of its reference, and is marked for that.
    assert_eq!(rows.len(), 2 * POINTS);
}

#[test]
fn the_same_results_give_the_same_bytes() {
    let folder = bench();
    let make = |name: &str, threads: &str| {
        let plots = format!("plots-{name}");
        let out = format!("{name}.html");
        report(
            folder.path(),
            &[
                "results.h5",
                "-o",
                &out,
                "--plots",
                &plots,
                "--threads",
                threads,
            ],
        )
        .expect(0);
        let folder = folder.path().join(&plots);
        let files: Vec<(String, Vec<u8>)> = names(&folder)
            .into_iter()
            .map(|n| (n.clone(), std::fs::read(folder.join(n)).unwrap()))
            .collect();
        files
    };
    assert_eq!(make("one", "1"), make("two", "2"));
    assert_eq!(
        read(folder.path().join("one.html")),
        read(folder.path().join("two.html"))
    );
}

#[test]
fn what_is_missing_is_said() {
    let folder = bench();
    let moved = folder.path().join("elsewhere");
    std::fs::create_dir(&moved).unwrap();
    std::fs::rename(folder.path().join("sweep.h5"), moved.join("renamed.h5")).unwrap();
    report(folder.path(), &["results.h5"]).expect(0);
    let text = seen(&read(folder.path().join("results.html")));
    assert!(
        text.contains("which were not found when the page was made"),
        "{text}"
    );
    assert!(text.contains("its recording sweep.h5 is not there"));
    // It is known by its samples.
    report(
        folder.path(),
        &["results.h5", "--overwrite", "--in", "elsewhere"],
    )
    .expect(0);
    let text = seen(&read(folder.path().join("results.html")));
    assert!(!text.contains("which were not found") && text.contains("1st harmonic of"));
    report(folder.path(), &["results.h5", "--overwrite", "--quick"]).expect(0);
    let text = seen(&read(folder.path().join("results.html")));
    assert!(text.contains("asked for with `--quick`"));
}

/// Where a recording has the name but other samples, the page does not pass these off as the measured ones.
#[test]
fn other_samples_are_not_passed_off() {
    let folder = bench();
    let file = open(&folder.path().join("sweep.h5"));
    let dataset = file.dataset("/detector").unwrap();
    let changed: Vec<f64> = dataset
        .read_raw::<f64>()
        .unwrap()
        .iter()
        .map(|x| 2.0 * x)
        .collect();
    dataset.write_raw(&changed).unwrap();
    drop((dataset, file));
    report(folder.path(), &["results.h5"]).expect(0);
    let text = seen(&read(folder.path().join("results.html")));
    assert!(
        text.contains("are not those that the results were computed from"),
        "{text}"
    );
}

#[test]
fn results_of_earlier_versions_have_a_page() {
    let folder = tempfile::tempdir().unwrap();
    let old = root().join("tests/records/version-1.h5");
    std::fs::copy(old, folder.path().join("old.h5")).unwrap();
    report(folder.path(), &["old.h5"]).expect(0);
    let page = read(folder.path().join("old.html"));
    assert!(page.contains("<section id=\"methods\""));
}

#[test]
fn what_cannot_be_done_is_refused_with_a_remedy() {
    let folder = bench();
    let here = folder.path();
    report(here, &["sweep.h5"])
        .expect(1)
        .says("expected a result file of `phasemill run`");
    report(here, &["nowhere.h5"]).expect(1).says("nowhere.h5");
    report(here, &["recipe.ron"]).expect(1).says("recipe.ron");
    report(here, &["results.h5", "-o", "no/such/page.html"])
        .expect(1)
        .says("make it first");
    report(here, &["results.h5", "--in", "nowhere"])
        .expect(1)
        .says("expected a folder with `--in`");
    report(here, &["results.h5", "results.h5"])
        .expect(1)
        .says("name a folder for them with `--out FOLDER`");
    std::fs::write(here.join("results.html"), "mine").unwrap();
    report(here, &["results.h5"]).expect(1).says("--overwrite");
    assert_eq!(read(here.join("results.html")), "mine");
    std::fs::create_dir(here.join("empty")).unwrap();
    report(here, &["empty", "-o", "pages"])
        .expect(1)
        .says("found none in empty");
    let bytes = std::fs::read(here.join("results.h5")).unwrap();
    std::fs::write(here.join("cut.h5"), &bytes[..bytes.len() / 2]).unwrap();
    report(here, &["cut.h5"]).expect(1).says("cut.h5");
}

#[test]
fn many_results_get_an_index_with_what_needs_attention_first() {
    let folder = bench();
    let here = folder.path();
    let batch = here.join("batch");
    std::fs::create_dir(&batch).unwrap();
    std::fs::copy(here.join("results.h5"), batch.join("good.h5")).unwrap();
    // The second has a gap at one point, which the filter refuses; the third is cut off; the fourth is a recording.
    let file = open(&here.join("sweep.h5"));
    let dataset = file.dataset("/detector").unwrap();
    let mut samples = dataset.read_raw::<f64>().unwrap();
    samples[SAMPLES + 4000] = f64::NAN;
    dataset.write_raw(&samples).unwrap();
    drop((dataset, file));
    phasemill(
        here,
        &[
            "run",
            "recipe.ron",
            "sweep.h5",
            "--out",
            "batch/with-a-gap.h5",
            "--quiet",
        ],
    )
    .expect(2);
    let bytes = std::fs::read(here.join("results.h5")).unwrap();
    std::fs::write(batch.join("cut.h5"), &bytes[..bytes.len() / 2]).unwrap();
    std::fs::copy(here.join("sweep.h5"), batch.join("recording.h5")).unwrap();
    report(here, &["batch", "-o", "pages", "--in", "."])
        .expect(2)
        .says("left out");
    let index = read(here.join("pages/index.html"));
    let place = |name: &str| {
        index
            .find(&format!("href=\"{name}\""))
            .unwrap_or_else(|| panic!("no {name}"))
    };
    assert!(place("with-a-gap-sweep.html") < place("good-sweep.html"));
    assert_eq!(index.matches("class=\"small\"").count(), 2);
    assert!(seen(&index).contains("1 failure"), "{}", seen(&index));
    assert!(seen(&index).contains("cut.h5"));
    assert!(seen(&index).contains("2 results"), "{}", seen(&index));
    assert!(seen(&index).contains("with-a-gap.h5"));
    let failed = seen(&read(here.join("pages/with-a-gap-sweep.html")));
    assert!(
        failed.contains("point 1, `smooth`: expected every sample"),
        "{failed}"
    );
    // What failed has its own label wherever it stands.
    assert!(!failed.contains("Warning: `smooth`"), "{failed}");
    assert_eq!(
        names(&here.join("pages")),
        ["good-sweep.html", "index.html", "with-a-gap-sweep.html"]
    );
}

/// Contrast of text is at least 4.5, and that of lines of plots at least 3, in light and dark: success criteria 1.4.3
/// and 1.4.11 of WCAG 2.2 (W3C Recommendation, 2023), with its definitions of relative luminance and contrast ratio.
#[test]
fn colours_have_the_contrast_that_wcag_asks_for() {
    let style = read(root().join("engine/src/report/page.css"));
    let colour = |name: &str| -> [[f64; 3]; 2] {
        let start = style
            .find(&format!("--{name}: light-dark("))
            .unwrap_or_else(|| panic!("no {name}"));
        let inside = style[start..]
            .split_once('(')
            .unwrap()
            .1
            .split_once(')')
            .unwrap()
            .0;
        let both: Vec<&str> = inside.split(',').map(str::trim).collect();
        [0, 1].map(|k| {
            let hex = both[k].trim_start_matches('#');
            [0, 2, 4].map(|at| f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0)
        })
    };
    let luminance = |c: [f64; 3]| {
        let linear = c.map(|v| match v <= 0.04045 {
            true => v / 12.92,
            false => libm::pow((v + 0.055) / 1.055, 2.4),
        });
        0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    };
    let ratio = |a: [f64; 3], b: [f64; 3]| {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    };
    // Black on white is 21 by definition.
    assert!((ratio([0.0; 3], [1.0; 3]) - 21.0).abs() < 1e-9);
    let pairs = ["ink", "quiet", "link", "failed", "warning"].map(|n| (n, 4.5));
    let lines = ["s0", "s1", "s2", "s3", "quiet"].map(|n| (n, 3.0));
    for (name, least) in pairs.into_iter().chain(lines) {
        for ground in ["paper", "raised"] {
            for scheme in 0..2 {
                let found = ratio(colour(name)[scheme], colour(ground)[scheme]);
                assert!(found >= least, "{name} on {ground}, {scheme}: {found:.2}");
            }
        }
    }
    // Drawings that stand alone have the inks of the light page.
    let drawing = read(root().join("engine/src/report/draw.rs"));
    for name in ["s0", "s1", "s2", "s3"] {
        let [r, g, b] = colour(name)[0].map(|v| (v * 255.0).round() as u8);
        assert!(
            drawing.contains(&format!("#{r:02x}{g:02x}{b:02x}")),
            "{name}"
        );
    }
}

/// The browser, the interpreter with what drives it; `None`, with a line that says so, where one is absent.
fn browser() -> Option<(String, String)> {
    let found = ["chromium", "chromium-browser"].into_iter().find(|name| {
        let output = Command::new(name).arg("--version").output();
        output.is_ok_and(|o| o.status.success())
    });
    let python = std::env::var("PHASEMILL_PYTHON").ok().filter(|python| {
        let output = Command::new(python)
            .args(["-c", "import playwright, h5py"])
            .output();
        output.is_ok_and(|o| o.status.success())
    });
    let path = found.and_then(|name| {
        let output = Command::new("sh")
            .args(["-c", &format!("command -v {name}")])
            .output()
            .ok()?;
        Some(String::from_utf8(output.stdout).ok()?.trim().to_owned())
    });
    if path.is_none() || python.is_none() {
        eprintln!(
            "skipped: no browser, or no Python with playwright; sh tests/setup.sh tests installs both"
        );
    }
    path.zip(python)
}

#[test]
fn a_browser_opens_the_page_and_a_reader_can_use_it() {
    let Some((browser, python)) = browser() else {
        return;
    };
    let folder = bench();
    report(folder.path(), &["results.h5"]).expect(0);
    let long = long_trace(folder.path());
    let output = Command::new(python)
        .arg(root().join("tests/browser.py"))
        .arg(browser)
        .args([
            folder.path().join("results.html"),
            folder.path().join("results.h5"),
            long,
        ])
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .output()
        .unwrap();
    let (out, err) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    assert!(output.status.success(), "{out}\n{err}");
    assert!(out.contains("checks passed"), "{out}");
}

/// The page about one point of more than a million samples, of which one is a spike.
fn long_trace(folder: &Path) -> PathBuf {
    let count = 1_500_000;
    let mut samples = noise(count, 0.1, 5);
    samples[1_234_567] = 7.0;
    record(
        &folder.join("long.h5"),
        1e6,
        Layout::Chunked(65_536),
        &[Channel::volts("/detector", &samples)],
    );
    let recipe = r#"Recipe(
    title: "a long trace",
    inputs: { "detector": Wave(unit: "V") },
    stages: { "slow": Filter(of: "detector", kind: RcCascade(poles: 1, time_constant: "1 ms")), "level": Average(of: "slow") },
    results: ["level"],
)
"#;
    std::fs::write(folder.join("long.ron"), recipe).unwrap();
    phasemill(
        folder,
        &["run", "long.ron", "long.h5", "--out", "level.h5", "--quiet"],
    )
    .expect(0);
    report(folder, &["level.h5"]).expect(0);
    let page = folder.join("level.html");
    // No more values than the documentation of the page says, of four bytes each in base64.
    let bytes = std::fs::metadata(&page).unwrap().len();
    assert!(bytes < (1 << 21) * 16 / 3 + (1 << 20), "{bytes}");
    page
}

/// What a page holds for its script is JSON.
#[test]
fn the_data_of_a_page_can_be_read_by_programs() {
    let folder = bench();
    report(folder.path(), &["results.h5", "--quick"]).expect(0);
    let page = read(folder.path().join("results.html"));
    let mut plots = 0;
    for part in page.split("class=\"data\"").skip(1) {
        let text = part
            .split_once('>')
            .unwrap()
            .1
            .split_once("</script>")
            .unwrap()
            .0;
        let data: Value = serde_json::from_str(text).unwrap();
        assert!(
            data["series"].as_array().is_some_and(|s| !s.is_empty()),
            "{data}"
        );
        plots += 1;
    }
    assert_eq!(plots, page.matches("<figure class=\"plot\"").count());
}

/// A page is for others to see, so it names neither the user nor a folder, whether recordings are found or not.
#[test]
fn a_page_names_nobody_unless_asked_to() {
    let folder = bench();
    let whole = folder.path().canonicalize().unwrap();
    let at = |name: &str| whole.join(name).display().to_string();
    let mut run = command(folder.path());
    run.args(["run", &at("recipe.ron"), &at("sweep.h5"), "--overwrite"]);
    run.args(["--out", &at("answers.h5"), "--quiet"]);
    finish(run.env("USER", "someone-invented")).expect(0);
    let report = |more: &[&str]| {
        let answers = at("answers.h5");
        let arguments = [&["report", &answers, "--overwrite"], more].concat();
        phasemill(folder.path(), &arguments).expect(0);
        std::fs::read_to_string(whole.join("answers.html")).unwrap()
    };
    let place = whole.display().to_string();
    let private = report(&["--with-names"]);
    assert!(private.contains("someone-invented") && private.contains(&place));
    let silent = |page: &str| {
        assert!(page.contains("sweep.h5"));
        assert!(!page.contains("someone-invented") && !page.contains(&place));
    };
    silent(&report(&[]));
    std::fs::remove_file(whole.join("sweep.h5")).unwrap();
    silent(&report(&[]));
}
