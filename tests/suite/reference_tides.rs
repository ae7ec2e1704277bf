//! Tides of a real harbour: hourly levels at Tuktoyaktuk in 1975 (Foreman 1977, appendix 7.2; the
//! example of Pawlowicz, Beardsley & Lentz, Computers & Geosciences 28, 2002) against their harmonic
//! constants (Foreman 1977, appendix 7.3).

use std::f64::consts::TAU;

use num_complex::Complex64;

use super::support::{create, root, text_attribute};
use super::support_reference::{Bench, Results, near, published, python, reals, rows};

/// Hours from the first sample to the origin of the published phases, the middle of the record.
const ORIGIN: f64 = 794.0;
const HOUR: f64 = 3600.0;

/// Hour and level; NaN where there is none.
fn levels() -> Option<Vec<(f64, f64)>> {
    let table = published("tide_hourly_1975.csv")?;
    let rows = rows(&table);
    let row = |r: &Vec<&str>| {
        let level = r[2].trim().parse().unwrap_or(f64::NAN);
        (r[0].parse().unwrap(), level)
    };
    Some(rows.iter().skip(1).map(row).collect())
}

struct Line {
    name: String,
    frequency: String,
    amplitude: f64,
    lag: f64,
    /// Published with two lines inferred that cannot be fitted, and changed by them.
    affected: bool,
}

/// The lines of the table that are fitted: all but the level and the inferred P1 and K2.
fn lines() -> Option<Vec<Line>> {
    let table = published("tide_constituents.csv")?;
    let rows = rows(&table);
    let line = |r: &Vec<&str>| Line {
        name: r[0].into(),
        frequency: r[1].into(),
        amplitude: r[3].parse().unwrap(),
        lag: r[4].parse().unwrap(),
        affected: r[5].trim() == "2",
    };
    let fitted = |r: &&Vec<&str>| r[0] != "Z0" && r[5].trim() != "1";
    Some(rows.iter().filter(fitted).map(line).collect())
}

/// A recording of every hour, levels that are not there being NaN.
fn with_holes(levels: &[(f64, f64)]) -> Bench {
    let values: Vec<f64> = levels.iter().map(|(_, level)| *level).collect();
    Bench::new(1.0 / HOUR, &[("level", &values)])
}

/// A recording of the hours that are there, with a dataset of times.
fn with_times(levels: &[(f64, f64)], per_hour: f64, unit: &str) -> Bench {
    let bench = Bench::empty(["level"]);
    let file = create(&bench.recording());
    let there = levels.iter().filter(|(_, level)| level.is_finite());
    let (hours, values): (Vec<f64>, Vec<f64>) = there.copied().unzip();
    assert_eq!(values.len(), 1510);
    let times: Vec<f64> = hours.iter().map(|h| h * per_hour).collect();
    for (name, numbers, unit) in [("level", &values, "m"), ("time", &times, unit)] {
        let builder = file.new_dataset::<f64>().shape([numbers.len()]);
        let dataset = builder.create(name).unwrap();
        dataset.write_raw(numbers).unwrap();
        text_attribute(&dataset, "units", unit);
    }
    bench
}

fn recipe(lines: &[Line], input: &str, first: f64) -> String {
    let line = |l: &Line| format!("{:?}: \"{} 1/h\", ", l.name, l.frequency);
    let lines: String = lines.iter().map(line).collect();
    let origin = ORIGIN - first;
    format!(
        r#"Recipe(title: "tides", inputs: {{ "level": {input} }}, stages: {{
            "fit": ToneFit(of: "level", lines: {{ {lines} }}, origin: "{origin} h"),
        }}, results: ["fit"])"#
    )
}

/// Foreman's line is A cos(2πft - G) = A sin(2πft + 90° - G).
fn agree(found: &Results, lines: &[Line], missing: f64) {
    let (mut far, mut turned) = (0.0f64, 0.0f64);
    assert_eq!(lines.len(), 36);
    for line in lines {
        let z = found.complex(&format!("fit.{}", line.name));
        if line.affected {
            continue;
        }
        let lag = (90.0 - z.arg().to_degrees() - line.lag).rem_euclid(360.0);
        let off = lag.min(360.0 - lag);
        far = far.max((z.norm() - line.amplitude).abs());
        turned = turned.max(off);
        // Printed to 1e-4 m and 0.01°, so half of that, and the original program's single-precision
        // and rounded frequencies a little on top.
        assert!(
            (z.norm() - line.amplitude).abs() < 5.1e-5,
            "{}: {z}",
            line.name
        );
        assert!(off < 0.0075, "{}: {off}", line.name);
    }
    let level = found.value("fit.constant");
    assert!((level - 1.9806).abs() < 5.1e-5, "Z0: {level}");
    assert_eq!(found.one("fit.constant", "missing"), missing);
    println!("tides: amplitudes off by {far:e} m, phases by {turned:e} deg");
}

#[test]
fn thirty_six_lines_have_their_published_constants() {
    let (Some(levels), Some(lines)) = (levels(), lines()) else {
        return;
    };
    // Hours without a level: 49 within the record, 25 before and after it.
    assert_eq!(levels.len(), 1510 + 49 + 25);
    let bench = with_holes(&levels);
    let found = bench.run_recipe(&recipe(&lines, "Wave()", 0.0));
    agree(&found, &lines, 74.0);
}

#[test]
fn hours_left_out_are_gaps() {
    let (Some(levels), Some(lines)) = (levels(), lines()) else {
        return;
    };
    // The first hours are not there, so the first sample comes later than the table's first row.
    let first = levels.iter().position(|(_, l)| l.is_finite()).unwrap() as f64;
    for (per_hour, unit) in [(1.0, "h"), (HOUR, "s")] {
        let bench = with_times(&levels, per_hour, unit);
        let found = bench.run_recipe(&recipe(&lines, r#"Wave(rate: Times("/time"))"#, first));
        agree(&found, &lines, 49.0);
    }
}

/// The recipe that is shipped as it stands: five lines alone, whose phases count from the first hour.
/// What is not fitted is in the residual, 0.3 m of surges and slow lines mostly; noise of white density
/// would leave 0.3·sqrt(2/1510) = 0.011 m of it in each line. Neighbours of 0.05 m that lie one cycle
/// of the record away leave a share of theirs, so twice that and those are allowed.
#[test]
fn the_shipped_recipe_gives_the_large_lines() {
    let (Some(levels), Some(lines)) = (levels(), lines()) else {
        return;
    };
    let first = levels.iter().position(|(_, l)| l.is_finite()).unwrap() as f64;
    let bench = with_times(&levels, 1.0, "h");
    let text = std::fs::read_to_string(root().join("pipelines/library/tides.ron")).unwrap();
    let found = bench.run_recipe(&text);
    for name in ["M2", "N2", "O1"] {
        let line = lines.iter().find(|l| l.name == name).unwrap();
        let z = found.complex(&format!("tides.{name}"));
        let cycles = line.frequency.parse::<f64>().unwrap() * (first - ORIGIN);
        let phase = TAU * cycles + (90.0 - line.lag).to_radians();
        let off = (z - line.amplitude * Complex64::cis(phase)).norm();
        println!("tides as shipped, {name}: off by {off} m");
        assert!(off < 0.03, "{name}: {z}, off by {off}");
    }
}

/// Standard uncertainties of the lines are those that NumPy's least squares gives from the residuals, and of
/// the order that residuals of white density would leave, s·sqrt(2/n) (Rife and Boorstyn 1974): 1510 hours
/// resolve most lines well, and those less well that lie close together.
#[test]
fn lines_have_the_uncertainties_of_least_squares() {
    let (Some(levels), Some(lines)) = (levels(), lines()) else {
        return;
    };
    let found = with_holes(&levels).run_recipe(&recipe(&lines, "Wave()", 0.0));
    let there = levels.iter().filter(|(_, level)| level.is_finite());
    let (hours, values): (Vec<f64>, Vec<f64>) = there.map(|(h, l)| (h - ORIGIN, *l)).unzip();
    let frequencies = lines.iter().map(|l| l.frequency.parse::<f64>().unwrap());
    let frequencies: Vec<f64> = frequencies.collect();
    let script = r#"
import json, sys
import numpy as np
work = json.load(sys.stdin)
t, y = np.array(work["t"]), np.array(work["y"])
angle = 2 * np.pi * np.outer(t, work["f"])
d = np.hstack([np.ones((len(t), 1)), np.sin(angle), np.cos(angle)])
x, rss, rank, _ = np.linalg.lstsq(d, y, rcond=None)
variance = rss[0] / (len(t) - rank) * np.diag(np.linalg.inv(d.T @ d))
print(json.dumps([np.sqrt(variance[1:]).tolist(), float(np.sqrt(rss[0] / (len(t) - rank)))]))
"#;
    let work = serde_json::json!({ "t": hours, "y": values, "f": frequencies });
    let Some(numpy) = python(script, &work) else {
        return;
    };
    let (u, s) = (reals(&numpy[0]), numpy[1].as_f64().unwrap());
    for (i, line) in lines.iter().enumerate() {
        let flow = format!("fit.{}", line.name);
        let (sine, cosine) = (u[i], u[lines.len() + i]);
        // The normal matrix has a condition number below 1e4, so its inverse is good to 1e-11 of itself.
        near(
            &flow,
            found.one(&flow, "in_phase_errors"),
            sine,
            1e-9 * sine,
        );
        near(
            &flow,
            found.one(&flow, "quadrature_errors"),
            cosine,
            1e-9 * cosine,
        );
        let white = s * (2.0 / 1510f64).sqrt();
        assert!(
            sine > 0.9 * white && sine < 2.0 * white,
            "{flow}: {sine} {white}"
        );
    }
}
