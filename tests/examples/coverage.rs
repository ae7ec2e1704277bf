//! The full coverage study: simulated recordings with a known truth, run as a user runs them; prints how
//! often stated intervals hold the truth, and how much more noise than needed gets through.

#[allow(dead_code, reason = "the study needs a part of what the checks share")]
#[path = "../suite/study.rs"]
mod study;
#[allow(dead_code, reason = "the study needs a part of what the checks share")]
#[path = "../suite/support.rs"]
mod support;

use std::collections::BTreeSet;
use std::path::Path;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::value::Estimate;
use study::{
    COMBINED, Coverage, LINE, Noise, PAIRS, RATE, SIGNAL, STRONG, Studied, chain, coverage,
    estimates, pair, record, scatter, studied,
};

/// Points of each case. Of 2 x 4000 parts, at 95 % the binomial standard error is 0.25 %, at 68 % 0.52 %.
const POINTS: usize = 4000;

/// Points of each case of the scatter, which is then known to 0.3 %.
const MANY: usize = 50_000;

/// Limits on the part of intervals that hold the truth.
const LIMITS: [(f64, f64); 2] = [(0.935, 0.965), (0.66, 0.71)];

/// Part of the points from which on a remark counts as made of all.
const NEARLY_ALL: f64 = 0.99;

/// Filters, by the name in the table.
const FILTERS: [(&str, &str); 5] = [
    ("none", ""),
    (
        "RC, 1 pole of 5 ms",
        r#"RcCascade(poles: 1, time_constant: "5 ms")"#,
    ),
    (
        "RC, 4 poles of 5 ms",
        r#"RcCascade(poles: 4, time_constant: "5 ms")"#,
    ),
    (
        "Butterworth, order 4, 20 Hz",
        r#"Butterworth(order: 4, band: Low("20 Hz"))"#,
    ),
    (
        "7 whole periods",
        r#"WholePeriods(clock: "clock", periods: 7)"#,
    ),
];

const NOISES: [Noise; 6] = [
    Noise::White,
    Noise::Flicker(50.0),
    Noise::Mains(1.0),
    Noise::Drift(10.0),
    Noise::Slope(30.0),
    Noise::Unsteady(0.2),
];

/// Recordings of each case of two means of the same samples.
const SHARED: usize = 2000;

const INTRODUCTION: &str = "# How often stated intervals hold the truth

`sh tests/coverage.sh` makes this page: simulated recordings of a signal of known amplitude and phase at 175 Hz,
2000 samples a second, in white noise of standard deviation 1 and what else a row says, as points of one sweep;
averaged with the default settings, so that the uncertainty is evaluated by itself. A part is an in-phase or a
quadrature value with its standard uncertainty u and degrees of freedom; its interval is u times Student's t. Right
are 95 % and 68.27 %; the last column says what leaves 93.5 % to 96.5 % or 66 % to 71 %. Dof: degrees of freedom.
Warned: whether the check warns of the interval before any sample is read; recipes for recordings with mains state
`mains: \"50 Hz\"`. Remarked: at how many points the run says that the uncertainty is not right. What leaves the limits is
said by the check, or by the run at 99 % of the points or at so many that the others keep them; else the last column
says `not said`.

What the numbers say, and what they do not:

- A point that is too short for an uncertainty states none, and the check says so beforehand.
- White noise, with or without 1/f noise, keeps the limits behind every filter and without one, with 6 degrees of
  freedom as with 31.
- A line beside the signal that the filter does not keep out (the mains, 25 Hz away) widens the scatter of short
  stretches more than it shifts the mean of all: intervals are then too wide, which is the safe side. The check warns of
  it where the recipe states the mains. The run sees a line where it stands out of the noise, which here takes points of
  half a second or more. The cure is a filter that keeps it out, or a longer point.
- Drift of the level is removed by the filter behind the mixing. Without one it shifts the mean, which no stretch knows
  of, and widens stretches of few periods; the check warns of it where these have less than some six periods, and the run
  sees the shift in what the ends of the mean cut off, and remarks on it where it exceeds half the uncertainty.
  Rows of drift without a filter that keep the limits do so by chance: what shifts the mean and what widens the
  stretches make up for each other.
- An amplitude that flickers, here by 20 % in every octave from 0.2 Hz on: what of that is faster than a point is found in it,
  the more surely the more settling times it has, and is in the uncertainty then. What is slower than the point moves its
  mean as much again and is in no part of it: intervals hold the truth less often than they say, as no look at a single point
  could tell; points that scatter by more than they state do (chi-square of `WeightedMean`).
- Two means of the same samples behind different filters: difference, sum and ratio keep the limits.
- White noise alone is remarked on at no more than 0.1 % of the points, by the rates that `Average` states for its tests.
";

fn main() {
    let wanted = std::env::args().nth(1).unwrap_or_default();
    let points = std::env::args().nth(2).and_then(|n| n.parse().ok());
    let points = points.unwrap_or(POINTS);
    let folder = tempfile::tempdir().unwrap_or_else(|e| panic!("a folder: {e}"));
    let path = folder.path().join("x.h5");
    println!("{INTRODUCTION}");
    for (k, noise) in NOISES.into_iter().enumerate() {
        if !noise.text().contains(&wanted) {
            continue;
        }
        println!("## Noise: {}\n", noise.text());
        println!(
            "| seconds | filter | parts | in 95 % | in 68 % | u over scatter | dof | without u | warned | remarked | |"
        );
        println!("|---|---|---|---|---|---|---|---|---|---|---|");
        for (l, seconds) in [0.25, 0.5, 1.0, 6.0].into_iter().enumerate() {
            let length = (seconds * RATE) as usize;
            let seed = 1000 * k as u64 + l as u64;
            record(&path, points, length, SIGNAL, noise, seed);
            let mains = match noise {
                Noise::Mains(_) => ", mains: \"50 Hz\"",
                _ => "",
            };
            for (name, filter) in FILTERS {
                let ran = studied(&path, &chain(filter, ""), &["answer"], mains, None);
                let told = [Code::Mains, Code::Ripple, Code::Uncertainty];
                let warned = told.iter().any(|code| ran.warned(*code) > 0);
                let said = Said {
                    warned,
                    remarked: ran.remarked("answer", ""),
                    others: coverage(&unremarked(&ran), SIGNAL),
                };
                row(
                    &format!("{seconds} | {name}"),
                    &coverage(&ran.found[0], SIGNAL),
                    Some(&said),
                );
            }
        }
        println!();
    }
    if wanted.is_empty() || wanted == "shared" {
        shared(&path, points * SHARED / POINTS);
    }
    if wanted.is_empty() {
        efficiency(&path, points * MANY / POINTS);
    }
}

/// Two means of the same samples behind different filters, and what is made of both.
fn shared(path: &Path, points: usize) {
    println!("## Two means of the same samples\n");
    println!(
        "Of {points} recordings of 1 s with a signal of 10, behind one mixing and two filters.\n"
    );
    println!(
        "| noise | filters | of both | parts | in 95 % | in 68 % | u over scatter | dof | without u | |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    for (k, noise) in [Noise::White, Noise::Flicker(50.0)].into_iter().enumerate() {
        record(path, points, RATE as usize, STRONG, noise, 6000 + k as u64);
        for (name, first, second) in PAIRS {
            let results = COMBINED.map(|(what, _)| what);
            let ran = studied(path, &pair(first, second), &results, "", None);
            for ((what, truth), found) in COMBINED.iter().zip(&ran.found) {
                let head = format!("{} | {name} | {what}", noise.text());
                row(&head, &coverage(found, *truth), None);
            }
        }
    }
    println!();
}

/// What the program says of the intervals of a case.
struct Said {
    /// Whether the check warns of them.
    warned: bool,
    /// Part of the points on which the run remarks.
    remarked: f64,
    /// The points on which it does not.
    others: Coverage,
}

/// The points on whose answer the run remarked nothing.
fn unremarked(ran: &Studied) -> Vec<Option<Estimate>> {
    let here = ran.remarks.iter().filter(|r| r.node == "answer");
    let told: BTreeSet<Option<u64>> = here.map(|r| r.point).collect();
    let quiet = (0u64..).zip(&ran.found[0]);
    let quiet = quiet.filter(|(point, _)| !told.contains(&Some(*point)));
    quiet.map(|(_, estimate)| estimate.clone()).collect()
}

fn row(head: &str, c: &Coverage, said: Option<&Said>) {
    let more = said.map_or(String::new(), |s| {
        let warned = if s.warned { "yes" } else { "" };
        format!(" {warned} | {:.1} % |", 100.0 * s.remarked)
    });
    if c.stated == 0 {
        println!(
            "| {head} | 0 | | | | | {} |{more} none stated |",
            c.unstated
        );
        return;
    }
    let all = outside(c);
    let verdict = match said {
        _ if all.is_empty() => String::new(),
        Some(s) if s.warned => format!("{all}; the check says so"),
        Some(s) if s.remarked >= NEARLY_ALL => format!("{all}; the run says so"),
        Some(s) if outside(&s.others).is_empty() => format!(
            "{all}; the run says so: {:.2} % and {:.2} % at the other points",
            100.0 * s.others.at_95,
            100.0 * s.others.at_68
        ),
        _ => format!("**{all}, not said**"),
    };
    println!(
        "| {head} | {} | {:.2} % | {:.2} % | {:.3} | {:.1} | {} |{more} {verdict} |",
        c.stated,
        100.0 * c.at_95,
        100.0 * c.at_68,
        c.ratio,
        c.freedom,
        c.unstated
    );
}

/// In what direction intervals leave the limits, if they do; those of no points do not.
fn outside(c: &Coverage) -> &'static str {
    let inside = [c.at_95, c.at_68]
        .iter()
        .zip(LIMITS)
        .all(|(part, (low, high))| (low..=high).contains(part));
    match () {
        () if c.stated == 0 || inside => "",
        () if c.at_95 > LIMITS[0].1 || c.at_68 > LIMITS[1].1 => "too wide",
        () => "too narrow",
    }
}

/// Scatter against the least possible and against what the noise bandwidth says.
fn efficiency(path: &Path, points: usize) {
    println!("## Scatter in white noise\n");
    println!(
        "Of {points} points, so that a ratio is known to {:.1} %.\n",
        100.0 / (2.0 * points as f64).sqrt()
    );
    println!("| what | against | scatter over that |");
    println!("|---|---|---|");
    let samples = 800;
    record(path, points, samples, SIGNAL, Noise::White, 5000);
    let bound = (2.0 / samples as f64).sqrt();
    let fit =
        format!(r#""fit": ToneFit(of: "x", lines: {{ "line": "{LINE} Hz" }}, trend: Nothing),"#);
    for (name, stages, result) in [
        ("mean over whole periods", chain("", ""), "answer"),
        ("fit of a tone", fit, "fit.line"),
    ] {
        let [amplitude, phase] = scatter(&estimates(path, &stages, result));
        for (what, found) in [("amplitude", amplitude), ("phase", phase)] {
            println!(
                "| {what}, {name} | least possible (Rife & Boorstyn 1974) | {:.4} |",
                found / bound
            );
        }
    }
    record(path, points, 200, Complex64::ZERO, Noise::White, 5001);
    for (poles, bandwidth) in [(1, 50.0), (2, 25.0), (3, 18.75), (4, 15.625)] {
        let filter = format!(r#"RcCascade(poles: {poles}, time_constant: "5 ms")"#);
        let last = r#", skip: Time("99.5 ms"), uncertainty: Nothing"#;
        let found = estimates(path, &chain(&filter, last), "answer");
        let all = mean_square(&found);
        println!(
            "| one sample behind RC, {poles} pole{} of 5 ms | noise bandwidth {bandwidth} Hz | {:.4} |",
            if poles == 1 { "" } else { "s" },
            (all / (4.0 / RATE * bandwidth)).sqrt()
        );
    }
}

/// Mean square of both parts of values whose truth is zero.
fn mean_square(found: &[Option<Estimate>]) -> f64 {
    let squares: f64 = found.iter().flatten().map(|e| e.value.norm_sqr()).sum();
    squares / (2.0 * found.len() as f64)
}
