//! What uncertainties are made of, from outside: intervals that are drawn, budgets, covariances.

use serde_json::json;

use crate::support::{Channel, Layout, noise, phasemill, record, sine};
use crate::support_reference::{near, python, reals};

/// A folder with a recipe `r.ron` and a recording `a.h5` at 1 kHz.
fn folder(recipe: &str, channels: &[(&str, &[f64])]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    let channels = channels.iter();
    let channels: Vec<_> = channels.map(|(n, s)| Channel::volts(n, s)).collect();
    record(
        &folder.path().join("a.h5"),
        1000.0,
        Layout::Contiguous,
        &channels,
    );
    folder
}

fn column(folder: &tempfile::TempDir, path: &str) -> Vec<f64> {
    let file = phasemill_engine::store::ResultReader::open(&folder.path().join("o.h5")).unwrap();
    file.floats(&format!("/a/{path}")).unwrap()
}

/// The additive model of JCGM 101:2008, 9.2.3: four quantities of mean 0 and standard uncertainty 1 that lie
/// evenly between limits. Its table gives the 95 % interval of their sum as -3.88 to 3.88, and -3.92 to 3.92 by
/// first order (values from memory). Here four gains of 1 have limits of sqrt(3) %.
///
/// With n trials an end, where the density of the sum is 0.0327 (its third-degree piece between 2 sqrt(3) and
/// 4 sqrt(3), at 3.88), scatters by sqrt(0.025·0.975/n)/0.0327, 0.0075 here; 4 of those, and half of the last
/// printed digit, stay clear of the 0.04 between the two.
#[test]
fn the_additive_model_of_the_supplement() {
    let constant = r#"Constant(value: "1", limits: Rectangular("1.7320508075688772 %"))"#;
    let recipe = format!(
        r#"Recipe(
            title: "four gains",
            inputs: {{ "x": Wave(unit: "V") }},
            constants: {{ "a": {constant}, "b": {constant}, "c": {constant}, "d": {constant} }},
            stages: {{
                "one": Average(of: "x"),
                "p": Amplify(of: "one", multiply_by: "a"), "q": Amplify(of: "one", multiply_by: "b"),
                "r": Amplify(of: "one", multiply_by: "c"), "s": Amplify(of: "one", multiply_by: "d"),
                "sum": Combine(of: ["p", "q", "r", "s"], by: Sum),
            }},
            results: ["sum"],
        )"#
    );
    // Samples that are all alike would have no uncertainty; this is nothing beside 0.01 %.
    let samples: Vec<f64> = (0..100).map(|i| [1.0 - 1e-9, 1.0 + 1e-9][i % 2]).collect();
    let folder = folder(&recipe, &[("/x", &samples)]);
    let arguments = [
        "run",
        "r.ron",
        "a.h5",
        "-o",
        "o.h5",
        "--monte-carlo",
        "400000",
    ];
    phasemill(folder.path(), &arguments).expect(0);
    let end = |path: &str| (column(&folder, path)[0] - 4.0) * 100.0;
    near("drawn, low", end("sum/monte_carlo/value_low"), -3.88, 0.035);
    near(
        "drawn, high",
        end("sum/monte_carlo/value_high"),
        3.88,
        0.035,
    );
    near("computed", end("sum/value_high"), 3.92, 0.005);
    let drawn = column(&folder, "sum/monte_carlo/value_errors")[0] * 100.0;
    // The standard deviation of n draws of fourth moment below 3 is known to 1/sqrt(2n) of itself.
    near(
        "standard uncertainty",
        drawn,
        2.0,
        4.0 * 2.0 / 800_000f64.sqrt(),
    );
}

/// A ratio whose denominator is five standard uncertainties from zero: first order fails, which is noticed;
/// what is drawn instead is what NumPy draws from the stated effects, each set of them as multivariate t. The
/// same samples serve as numerator and denominator, once as they are and once with noise of their own.
#[test]
fn a_ratio_that_is_not_straight_is_drawn() {
    let recipe = r#"Recipe(
        title: "a weak denominator",
        inputs: { "a": Wave(unit: "V"), "b": Wave(unit: "V") },
        constants: { "g": Constant(value: "2", standard_uncertainty: "3 %") },
        stages: {
            "x": Average(of: "a"), "y": Average(of: "b"),
            "ratio": Combine(of: ["x", "y"], by: Ratio),
            "scaled": Amplify(of: "ratio", multiply_by: "g"),
        },
        results: ["x", "y", "scaled"],
    )"#;
    let shared = noise(2000, 1.0, 5);
    let own = noise(2000, 1.0, 6);
    let a: Vec<f64> = shared.iter().map(|n| 1.0 + 2.0 * n).collect();
    let b: Vec<f64> = shared
        .iter()
        .zip(&own)
        .map(|(n, m)| 0.12 + 0.7 * (n + m))
        .collect();
    let folder = folder(recipe, &[("/a", &a), ("/b", &b)]);
    let run = phasemill(folder.path(), &["run", "r.ron", "a.h5", "-o", "o.h5"]).expect(0);
    let run = run.says("first-order propagation fails at 1 of 1 points");
    assert!(run.out.contains("drawn: 95 %"), "{}", run.out);
    assert!(column(&folder, "scaled/value_degrees_of_freedom")[0].is_nan());
    let effects = |name: &str| -> Vec<f64> {
        let all = column(&folder, &format!("{name}/uncertainty/parts_effect"));
        all.chunks(2).map(|pair| pair[0]).collect()
    };
    let work = json!({
        "x": column(&folder, "x/value")[0], "y": column(&folder, "y/value")[0],
        "x_effects": effects("x"), "y_effects": effects("y"),
        "freedom": column(&folder, "x/value_degrees_of_freedom")[0],
    });
    let script = r#"
import json, sys
import numpy as np
work = json.load(sys.stdin)
rng = np.random.default_rng(2026)
n = 2_000_000
ex, ey = np.array(work["x_effects"]), np.array(work["y_effects"])
nu = work["freedom"]
cov = np.array([[ex @ ex, ex @ ey], [ex @ ey, ey @ ey]])
z = rng.multivariate_normal([0, 0], cov, n) * np.sqrt(nu / rng.chisquare(nu, n))[:, None]
r = (work["x"] + z[:, 0]) / (work["y"] + z[:, 1]) * 2 * (1 + 0.03 * rng.normal(size=n))
low, high = np.quantile(r, [0.025, 0.975])
# The density at both ends, which says how well 10 000 draws know them.
width = (high - low) / 200
density = [np.mean(np.abs(r - end) < width) / (2 * width) for end in (low, high)]
print(json.dumps([low, high, *density]))
"#;
    let Some(found) = python(script, &work) else {
        return;
    };
    let found = reals(&found);
    for (end, at) in [("low", 0), ("high", 1)] {
        let scatter = (0.025 * 0.975 / 10_000f64).sqrt() / found[2 + at];
        let drawn = column(&folder, &format!("scaled/value_{end}"))[0];
        near(end, drawn, found[at], 4.5 * scatter);
    }
}

/// What shares neither bends nor fails is not drawn, and drawing agrees with what is computed: the ends of
/// 10 000 draws of a normal or t distribution scatter by 0.027 standard uncertainties or little more.
#[test]
fn drawing_agrees_where_first_order_holds() {
    let recipe = r#"Recipe(
        title: "a level",
        inputs: { "a": Wave(unit: "V") },
        constants: { "g": Constant(value: "2 V/A", standard_uncertainty: "1 %") },
        stages: { "x": Average(of: "a"), "current": Amplify(of: "x", divide_by: "g") },
        results: ["current"],
    )"#;
    let samples: Vec<f64> = noise(4000, 1.0, 9).iter().map(|n| 1.0 + 0.1 * n).collect();
    let folder = folder(recipe, &[("/a", &samples)]);
    let run = |more: &[&str]| {
        let arguments = ["run", "r.ron", "a.h5", "-o", "o.h5", "--overwrite"];
        phasemill(folder.path(), &[&arguments[..], more].concat()).expect(0)
    };
    assert!(!run(&[]).err.contains("first-order"));
    run(&["--monte-carlo", "10000", "--seed", "3"]);
    let u = column(&folder, "current/value_errors")[0];
    for end in ["low", "high"] {
        let computed = column(&folder, &format!("current/value_{end}"))[0];
        let drawn = column(&folder, &format!("current/monte_carlo/value_{end}"))[0];
        near(end, drawn, computed, 0.15 * u);
    }
    let first = column(&folder, "current/monte_carlo/value_low");
    run(&["--monte-carlo", "10000", "--seed", "3", "--threads", "1"]);
    assert_eq!(first, column(&folder, "current/monte_carlo/value_low"));
    run(&["--monte-carlo", "10000", "--seed", "4"]);
    assert_ne!(first, column(&folder, "current/monte_carlo/value_low"));
    phasemill(
        folder.path(),
        &["run", "r.ron", "a.h5", "-o", "p.h5", "--monte-carlo", "10"],
    )
    .expect(1)
    .says("1000");
}

/// A budget lists every source once per number; its shares are whole, and what a constant contributes is its
/// sensitivity times its uncertainty: 0.5 A / 2 V/A times 0.02 V/A.
#[test]
fn a_budget_adds_up() {
    let recipe = r#"Recipe(
        title: "a level",
        inputs: { "a": Wave(unit: "V") },
        constants: { "g": Constant(value: "2 V/A", standard_uncertainty: "1 %") },
        stages: { "x": Average(of: "a"), "current": Amplify(of: "x", divide_by: "g") },
        results: ["current", "x"],
    )"#;
    let samples: Vec<f64> = noise(4000, 1.0, 9).iter().map(|n| 1.0 + 0.1 * n).collect();
    let folder = folder(recipe, &[("/a", &samples)]);
    let arguments = ["run", "r.ron", "a.h5", "-o", "o.h5", "--budget", "b.csv"];
    phasemill(folder.path(), &arguments).expect(0);
    let text = std::fs::read_to_string(folder.path().join("b.csv")).unwrap();
    let rows: Vec<Vec<String>> = text
        .lines()
        .skip(1)
        .map(|line| {
            // The only quoted cell is the name of a source.
            let quoted = line.split('"');
            let cells = quoted.enumerate().flat_map(|(i, part)| match i {
                1 => vec![part.to_owned()],
                _ => part
                    .trim_matches(',')
                    .split(',')
                    .map(String::from)
                    .collect(),
            });
            cells.collect()
        })
        .collect();
    let of = |result: &'static str| rows.iter().filter(move |r| r[1] == result);
    assert_eq!((of("current").count(), of("x").count()), (2, 1));
    for result in ["current", "x"] {
        let shares = of(result).map(|r| r.last().unwrap().parse::<f64>().unwrap());
        near(result, shares.sum(), 100.0, 1e-9);
    }
    let gain = of("current").find(|r| r[3] == "constant g").unwrap();
    assert_eq!(&gain[4..6], ["B", "inf"]);
    let value = column(&folder, "current/value")[0];
    let number = |i: usize| gain[i].parse::<f64>().unwrap();
    near("sensitivity", number(9), -value / 2.0, 1e-15);
    near("contribution", number(10), value * 0.01, 1e-15);
    let trace = phasemill(folder.path(), &["trace", "o.h5", "current"])
        .expect(0)
        .out;
    for told in ["type B from constant g, 2.000(20) V/A", "per V/A"] {
        assert!(trace.contains(told), "{trace}");
    }
    // Half an ampere, over the gain of 2 V/A, as other numbers are written.
    assert!(trace.contains("; sensitivity -250 mA per V/A"), "{trace}");
    let check = phasemill(folder.path(), &["check", "r.ron", "a.h5"])
        .expect(0)
        .out;
    // 4000 samples are cut into 250 pieces of 16, eight or nine at a time.
    let told = "31 stretches of 0.129 s, 30 degrees of freedom";
    assert!(check.contains(told), "{check}");
}

/// Two channels averaged over the same stretches, and their sum and difference, have the covariances that
/// NumPy finds between the means of those stretches.
#[test]
fn covariances_between_channels_are_those_of_their_stretches() {
    let recipe = r#"Recipe(
        title: "two channels",
        inputs: { "a": Wave(unit: "V"), "b": Wave(unit: "V") },
        stages: {
            "x": Average(of: "a", over: Blocks("0.1 s")), "y": Average(of: "b", over: Blocks("0.1 s")),
            "sum": Combine(of: ["x", "y"], by: Sum), "difference": Combine(of: ["x", "y"], by: Difference),
        },
        results: ["sum", "difference"],
    )"#;
    let a = noise(3000, 1.0, 1);
    let own = noise(3000, 1.0, 2);
    let b: Vec<f64> = a.iter().zip(&own).map(|(x, y)| 0.8 * x + 0.3 * y).collect();
    let folder = folder(recipe, &[("/a", &a), ("/b", &b)]);
    phasemill(folder.path(), &["run", "r.ron", "a.h5", "-o", "o.h5"]).expect(0);
    let script = r#"
import json, sys
import numpy as np
work = json.load(sys.stdin)
means = [np.mean(np.reshape(work[c], (30, 100)), axis=1) for c in "ab"]
c = np.cov(means) / 30
print(json.dumps([c[0, 0] + c[1, 1] + 2 * c[0, 1], c[0, 0] + c[1, 1] - 2 * c[0, 1]]))
"#;
    let Some(found) = python(script, &json!({ "a": a, "b": b })) else {
        return;
    };
    for (name, expected) in ["sum", "difference"].iter().zip(reals(&found)) {
        let variance = column(&folder, &format!("{name}/uncertainty/covariance"))[0];
        // Means of 100 samples and sums of 30 products: some 1e-14 of the larger variance.
        near(name, variance, expected, 1e-13 * variance.max(expected));
        let u = column(&folder, &format!("{name}/value_errors"))[0];
        near(name, u * u, expected, 1e-13 * variance.max(expected));
        let freedom = column(&folder, &format!("{name}/value_degrees_of_freedom"))[0];
        near("freedom", freedom, 29.0, 1e-9);
    }
}

/// Sixty points over one gain of 5 % with 10 degrees of freedom, and one background for all. The gain is in each
/// current, with Welch-Satterthwaite degrees of freedom, and not in ratios; the background correlates all points; a
/// weighted mean of the amplitudes is where it belongs, and as uncertain as the gain.
#[test]
fn sixty_points_share_a_gain_and_a_background() {
    const POINTS: usize = 60;
    const SAMPLES: usize = 400;
    let wave = |level: f64, points: usize, seed: u64| -> Vec<f64> {
        let line = sine(SAMPLES * points, 1000.0, 50.0, level, 0.3);
        let noise = noise(SAMPLES * points, 0.2, seed);
        line.iter().zip(noise).map(|(x, n)| x + n).collect()
    };
    let (x, y, blocked) = (wave(1.0, POINTS, 7), wave(2.0, POINTS, 8), wave(0.1, 1, 9));
    let folder = tempfile::tempdir().unwrap();
    for (file, samples, points) in [
        ("a.h5", vec![("/x", &x), ("/y", &y)], POINTS),
        ("b.h5", vec![("/x", &blocked)], 1),
    ] {
        let channel = |(dataset, samples): (&'static str, _)| Channel {
            dataset,
            unit: "V",
            samples,
            points,
        };
        let channels: Vec<Channel> = samples
            .iter()
            .map(|(name, s)| channel((name, s.as_slice())))
            .collect();
        record(
            &folder.path().join(file),
            1000.0,
            Layout::Contiguous,
            &channels,
        );
    }
    let average = |name: &str, clock: &str, of: &str| {
        format!(
            r#""{name} product": Mix(of: "{of}", with: "{clock}"), "{name}": Average(of: "{name} product", over: Blocks("20 ms")),"#
        )
    };
    let recipe = format!(
        r#"Recipe(
            title: "sixty points",
            inputs: {{ "x": Wave(), "y": Wave(), "blocked": Wave(dataset: "/x", recording: "blocked") }},
            constants: {{ "gain": Constant(value: "2 V/A", standard_uncertainty: "5 %", degrees_of_freedom: 10) }},
            stages: {{
                "clock": Reference(of: "x", shape: Stated(frequency: "50 Hz")),
                "other clock": Reference(of: "blocked", shape: Stated(frequency: "50 Hz")),
                {}{}{}
                "current": Amplify(of: "a", divide_by: "gain"), "other": Amplify(of: "b", divide_by: "gain"),
                "ratio": Combine(of: ["other", "current"], by: Ratio),
                "net": Combine(of: ["a", "background"], by: Difference),
                "polar": Polar(of: "current"),
                "mean": WeightedMean(of: "polar.amplitude"),
            }},
            results: ["current", "ratio", "net", "background", "polar", "mean"],
        )"#,
        average("a", "clock", "x"),
        average("b", "clock", "y"),
        average("background", "other clock", "blocked")
    );
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    let arguments = [
        "run",
        "r.ron",
        "a.h5",
        "--with",
        "blocked=b.h5",
        "-o",
        "o.h5",
    ];
    phasemill(folder.path(), &arguments).expect(0);
    let of = |path: &str| column(&folder, path);

    // 20 blocks of noise have 19 degrees of freedom; the gain adds 5 % of the value with 10.
    let (value, u) = (of("current/in_phase"), of("current/in_phase_errors"));
    let freedom = of("current/in_phase_degrees_of_freedom");
    for k in 0..POINTS {
        let gain = (0.05 * value[k]).powi(2);
        let noise = u[k] * u[k] - gain;
        let expected = (noise + gain).powi(2) / (noise * noise / 19.0 + gain * gain / 10.0);
        near("freedom", freedom[k], expected, 1e-9 * expected);
    }
    // Noise of 0.2 over 400 samples is 0.014 in each part, which makes 0.032 of a ratio of two; the gain would add 0.1.
    let ratio = of("ratio/in_phase_errors");
    assert!(ratio.iter().all(|u| *u < 0.06 && *u > 0.01), "{ratio:?}");
    // Row after row: point and part, against point and part.
    let (all, background) = (
        of("net/uncertainty/covariance"),
        of("background/uncertainty/covariance"),
    );
    let width = 2 * POINTS;
    for i in 0..width {
        for j in (0..width).filter(|j| j / 2 != i / 2) {
            let shared = background[2 * (i % 2) + j % 2];
            near("shared", all[i * width + j], shared, 1e-12 * background[0]);
        }
    }
    let amplitudes = of("polar.amplitude/value");
    // 0.5 A with noise of 0.007 A: six of its standard uncertainties.
    assert!(
        amplitudes.iter().all(|a| (a - 0.5).abs() < 0.045),
        "{amplitudes:?}"
    );
    near("mean", of("mean/value")[0], 0.5, 0.006);
    near("gain", of("mean/value_errors")[0], 0.025, 0.0005);
}

/// A line 0.8 Hz above or below the stated frequency averages to nothing within 20 s; it is told with its distance, to a
/// sixteenth of 1/20 s beside the wave that it is nearest to, and with none there nothing is.
#[test]
fn a_line_beside_the_signal_is_told() {
    let recipe = r#"Recipe(
        title: "beside",
        inputs: { "x": Wave(unit: "V") },
        stages: {
            "clock": Reference(of: "x", shape: Stated(frequency: "73 Hz")),
            "product": Mix(of: "x", with: "clock"),
            "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "50 ms")),
            "slow": Decimate(of: "smooth", to: "100 Hz"),
            "a": Average(of: "slow"),
        },
        results: ["a"],
    )"#;
    let arguments = ["run", "r.ron", "a.h5", "--out", "o.h5", "--overwrite"];
    let told = |lines: &[(f64, f64)]| {
        let mut samples = noise(20_000, 0.01, 5);
        for (frequency, amplitude) in lines {
            let line = sine(samples.len(), 1000.0, *frequency, *amplitude, 0.4);
            samples.iter_mut().zip(line).for_each(|(x, l)| *x += l);
        }
        let folder = folder(recipe, &[("x", &samples)]);
        phasemill(folder.path(), &arguments).expect(0).err
    };
    let quiet = told(&[(73.0, 5e-3)]);
    assert!(
        !quiet.contains("beside") && !quiet.contains("a line"),
        "{quiet}"
    );
    for (frequency, side) in [(73.8, "above"), (72.2, "below")] {
        let loud = told(&[(73.0, 1e-3), (frequency, 5e-3)]);
        let (_, after) = loud.split_once("a line of ").expect("a line");
        let (times, after) = after.split_once(" times").expect("times");
        let (_, after) = after.split_once("lies ").expect("a distance");
        let (distance, after) = after.split_once(" mHz ").expect("mHz");
        assert!(after.starts_with(side), "{loud}");
        near("distance", distance.parse().unwrap(), 800.0, 4.0);
        // Noise of 10 mV over 20 s is 0.1 mV in the mean of 1 mV.
        near("times", times.parse().unwrap(), 5.0, 1.5);
    }
}
