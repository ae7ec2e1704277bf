//! Stages over a series where their values are drawn: the same as in the run, from uncertainties that are those of the
//! run; and drawing that is interrupted.

use num_complex::Complex64;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::run::Draws;
use phasemill_engine::stage::SeriesAxis;
use phasemill_engine::testing;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{About, Estimate, Part, Reach, Value};
use phasemill_stages::REGISTRY;
use tempfile::TempDir;

use super::study::{Noise, Normal, RATE, STRONG, chain, record, studied};
use crate::support::{Channel, Layout, names};

const POINTS: usize = 12;

/// Points about a rising amplitude with a phase of 0.4 rad, each with two sources of its own and two that all share, as
/// those of a background, and a gain. The first is a background less itself, and one has no value.
fn series(kind: Kind, which: &str) -> Vec<Option<Value>> {
    let mut random = Normal::new(17);
    let shared = About::scatter("background", Reach::Node, 9.0);
    let gain = About::constant("gain", None);
    let point = |k: usize| {
        let own = About::scatter(format!("{which} {k}"), Reach::Node, 9.0);
        let mut normal = || Complex64::new(random.draw(), random.draw());
        let turn = Complex64::new(libm::cos(0.4), libm::sin(0.4));
        let value = (1.0 + k as f64) * turn + 0.1 * normal();
        let parts = [(&own, 0), (&own, 1), (&shared, 0), (&shared, 1)];
        let mut parts: Vec<(_, _, Complex64)> =
            parts.map(|(about, i)| (about, i, 0.1 * normal())).into();
        parts.push((&gain, 0, 0.01 * value));
        let real = |z: Complex64| match kind {
            Kind::Estimate => Complex64::from(z.re),
            _ => z,
        };
        let scale = if k == 0 { 0.0 } else { 1.0 };
        let parts = parts
            .into_iter()
            .map(|(about, i, effect)| Part::new(about, i, scale * real(effect)));
        Value::Estimate(Estimate {
            parts: Some(parts.collect()),
            ..Estimate::bare(scale * real(value))
        })
    };
    let mut points: Vec<Option<Value>> = (0..POINTS).map(point).map(Some).collect();
    points[5] = None;
    points
}

/// The series with other values and the uncertainties that it has; it is the same draw for the same seed.
fn varied(series: &[Option<Value>], seed: u64) -> Vec<Option<Value>> {
    let draws: Vec<f64> = {
        let mut random = Normal::new(seed);
        (0..5 * POINTS).map(|_| random.draw()).collect()
    };
    let vary = |(k, value): (usize, &Option<Value>)| {
        let mut estimate = value.as_ref()?.estimate()?.clone();
        let parts = estimate.parts.iter().flatten().enumerate();
        // What is shared comes last, and has the draws of the first point.
        let change = parts.map(|(i, p)| p.effect * draws[if i < 2 { 5 * k + i } else { i }]);
        estimate.value += change.sum::<Complex64>();
        Some(Value::Estimate(estimate))
    };
    series.iter().enumerate().map(vary).collect()
}

fn numbers(series: &[Option<Value>]) -> Vec<Option<Complex64>> {
    let number = |v: &Option<Value>| Some(v.as_ref()?.estimate()?.value);
    series.iter().map(number).collect()
}

/// Trials work on values alone, with what the stage made of the run once. They give what the stage gives for such values
/// with the uncertainties of the run: the same bits, but for a common phase.
///
/// There the covariance V is turned from that of the run, so that its entries differ by some 4 roundings, 1e-15 of the
/// largest; what is solved with it differs by that times its condition (below 1e3: variances of 0.02 or more, of which
/// what is shared adds up to 11 times 0.02), so by 1e-12; 1e-11 leaves room for 11 terms.
#[test]
fn trials_give_what_the_stage_gives_for_such_values() {
    let cases = [
        (
            r#"Background(of: "a", point: Index(3))"#,
            Kind::ComplexEstimate,
            1,
            0.0,
        ),
        (
            r#"Rotate(of: "a", by: OntoInPhase(point: Index(-1)))"#,
            Kind::ComplexEstimate,
            1,
            0.0,
        ),
        (r#"WeightedMean(of: "a")"#, Kind::ComplexEstimate, 1, 0.0),
        (r#"WeightedMean(of: "a")"#, Kind::Estimate, 1, 0.0),
        (
            r#"PolynomialFit(of: "a", order: 2, axis: "nm", at: "500 nm")"#,
            Kind::Estimate,
            1,
            0.0,
        ),
        (r#"Compare(of: ["a", "b"])"#, Kind::ComplexEstimate, 2, 0.0),
        (r#"CommonPhase(of: "a")"#, Kind::ComplexEstimate, 1, 1e-11),
    ];
    let mut values: Vec<f64> = (0..POINTS).map(|k| 400.0 + (k * k) as f64).collect();
    values[7] = f64::NAN;
    let axis = SeriesAxis {
        name: "x".into(),
        unit: "nm".into(),
        values,
    };
    for (text, kind, inputs, tolerance) in cases {
        let name = text.split('(').next().unwrap();
        let flow = Flow {
            evaluated: true,
            axis: Some(true),
            ..Flow::new(kind, Unit::one())
        };
        let flows = vec![flow; inputs];
        let stage = REGISTRY.get(name).unwrap();
        let stage = testing::series(stage, text, &[], &flows).unwrap();
        let stage = stage.unwrap_or_else(|| panic!("{name}: no series"));
        let run = [series(kind, "first"), series(kind, "second")];
        let given = |all: &[Vec<Option<Value>>]| -> Vec<Vec<Option<Complex64>>> {
            all.iter().take(inputs).map(|s| numbers(s)).collect()
        };
        fn slices(all: &[Vec<Option<Value>>], inputs: usize) -> Vec<&[Option<Value>]> {
            all.iter().take(inputs).map(Vec::as_slice).collect()
        }
        let trials = stage.trials(&slices(&run, inputs), &axis).unwrap();
        // Without a change it is the run itself.
        let unchanged = stage.run(&slices(&run, inputs), &axis).unwrap();
        let mut moved = false;
        for seed in 0..20 {
            let values = match seed {
                0 => run.clone(),
                _ => [varied(&run[0], seed), varied(&run[1], seed + 100)],
            };
            let direct = stage.run(&slices(&values, inputs), &axis).unwrap();
            let drawn = trials(&given(&values)).unwrap_or_else(|| panic!("{text}: nothing"));
            assert_eq!(direct.len(), drawn.len(), "{text}");
            for (port, (direct, drawn)) in direct.iter().zip(&drawn).enumerate() {
                assert_eq!(direct.len(), drawn.len(), "{text}, {port}");
                for (k, (a, b)) in numbers(direct).into_iter().zip(drawn).enumerate() {
                    let bits = |z: Complex64| (z.re.to_bits(), z.im.to_bits());
                    // The law of p of a common phase depends on the amplitudes, a little, and is that of the run:
                    // shares of the phase in the covariance move by their relative changes over the points.
                    let tolerance = match (name, port) {
                        ("CommonPhase", 3) => 0.01,
                        _ => tolerance,
                    };
                    let near = |a: Complex64, b: Complex64| {
                        (a - b).norm() <= tolerance * a.norm().max(1.0)
                    };
                    let same = match (a, *b) {
                        (Some(a), Some(b)) => bits(a) == bits(b) || near(a, b),
                        (a, b) => a.is_none() && b.is_none(),
                    };
                    assert!(
                        same,
                        "{text}, seed {seed}, port {port}, point {k}: {a:?}, {b:?}"
                    );
                }
            }
            moved |= numbers(&direct[0]) != numbers(&unchanged[0]);
        }
        assert!(moved, "{text}");
    }
}

/// A trial in which a point that has a weight gave nothing has no mean.
#[test]
fn a_trial_without_a_point_has_no_mean() {
    let flow = Flow {
        evaluated: true,
        ..Flow::new(Kind::Estimate, Unit::one())
    };
    let stage = REGISTRY.get("WeightedMean").unwrap();
    let stage = testing::series(stage, r#"WeightedMean(of: "a")"#, &[], &[flow]).unwrap();
    let run = series(Kind::Estimate, "only");
    let trials = stage
        .unwrap()
        .trials(&[&run], &SeriesAxis::default())
        .unwrap();
    let mut values = numbers(&run);
    assert!(trials(&[values.clone()]).is_some());
    values[2] = None;
    assert!(trials(&[values]).is_none());
}

/// Thirty points with their phase taken out, and the mean of what is in phase, both linear where signals are strong. Each
/// point varies as t of as many degrees of freedom n as its noise is known from, whose standard deviation is
/// sqrt(n/(n - 2)), and so does their sum. Of 10 000 trials it is known to 0.8 % (fourth moments of t of 6 degrees of
/// freedom add 3/30 to those of a normal variable), the mean to 1.3 % of u; five of these. The mean of all parts behind a
/// common phase is refused, with what to do instead.
#[test]
fn series_are_drawn_as_first_order_says() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("x.h5");
    record(&path, 30, (0.25 * RATE) as usize, STRONG, Noise::White, 3);
    let stages = chain(r#"WholePeriods(clock: "clock", periods: 7)"#, "")
        + r#""set-up": CommonPhase(of: "answer"), "parts": Parts(of: "set-up.turned"),
        "mean": WeightedMean(of: "parts.in_phase"),"#;
    let results = ["set-up.phase", "mean"];
    let draws = Draws {
        trials: 10_000,
        seed: 5,
    };
    let ran = studied(&path, &stages, &results, "", Some(draws));
    for (k, name) in results.iter().enumerate() {
        let stated = ran.found[k][0].as_ref().unwrap();
        let drawn = ran.drawn[k][0].as_ref().unwrap();
        let u = stated.standard_uncertainty().unwrap().re;
        let mut sources = stated.parts.iter().flatten();
        let freedom = sources.next().unwrap().source.about.degrees_of_freedom;
        assert!(sources.all(|p| p.source.about.degrees_of_freedom == freedom));
        let (mean, interval) = drawn.aspects[0];
        let wider = interval.u / u / (freedom / (freedom - 2.0)).sqrt();
        assert!((wider - 1.0).abs() < 0.04, "{name}: {wider}");
        assert!((mean - stated.value.re).abs() < 0.065 * u, "{name}: {mean}");
        assert_eq!(drawn.failed, 0, "{name}");
    }
    // 30 points of some 0.07 in each part (see `drawn_amplitudes`), about 10.
    let mean = ran.found[1][0].as_ref().unwrap();
    assert!((mean.value.re - 10.0).abs() < 5.0 * 0.07 / 30f64.sqrt());

    let recipe = format!(
        r#"Recipe(title: "tied", inputs: {{"x": Wave()}}, stages: {{{stages} "all": WeightedMean(of: "set-up.turned")}},
            results: ["all"])"#
    );
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    let arguments = ["run", "r.ron", "x.h5", "-o", "o.h5"];
    crate::support::phasemill(folder.path(), &arguments)
        .expect(2)
        .says("the quadrature part of point 29 follows from the points before it")
        .says("do that behind this stage, or take the in-phase parts alone (`Parts`)");
}

/// Where a series fails in some trials, what stands behind it among the results keeps its own numbers: they were
/// shifted by one for every point, since a failed stage gave one missing value per point where it gives one for all.
#[test]
fn a_series_that_fails_in_a_trial_does_not_shift_the_others() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("x.h5");
    // Of the size of the noise, so that the phase of some trials does not settle.
    let signal = Complex64::new(0.06, -0.08);
    record(&path, 4, (0.25 * RATE) as usize, signal, Noise::White, 6);
    let stages = chain(r#"WholePeriods(clock: "clock", periods: 7)"#, "")
        + r#""set-up": CommonPhase(of: "answer"), "larger": Amplify(of: "answer", multiply_by: "1000"),"#;
    let draws = Draws {
        trials: 2000,
        seed: 1,
    };
    let ran = studied(&path, &stages, &["set-up.phase", "larger"], "", Some(draws));
    let phase = ran.drawn[0][0].as_ref().unwrap();
    assert!(phase.failed > 20 && phase.failed < 1980, "{}", phase.failed);
    for (stated, drawn) in ran.found[1].iter().zip(&ran.drawn[1]) {
        let (stated, drawn) = (stated.as_ref().unwrap(), drawn.as_ref().unwrap());
        let u = stated.standard_uncertainty().unwrap().re;
        assert_eq!(drawn.failed, 0);
        // The mean of 2000 draws is known to 1/sqrt(2000) of u, or 1.3 times that for t of 6 degrees of freedom.
        let off = (drawn.aspects[0].0 - stated.value.re) / u;
        assert!(off.abs() < 5.0 * 1.3 / 2000f64.sqrt(), "{off} u");
    }
}

/// Ctrl-C is heard while trials are drawn, and nothing is left behind.
#[cfg(unix)]
#[test]
fn interrupted_drawing_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let recipe = r#"Recipe(title: "a level", inputs: { "x": Wave() }, stages: { "level": Average(of: "x") },
        results: ["level"])"#;
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    let samples = crate::support::noise(1000, 1.0, 2);
    let channels = [Channel::volts("/x", &samples)];
    crate::support::record(
        &folder.path().join("a.h5"),
        1000.0,
        Layout::Contiguous,
        &channels,
    );
    // Half a minute or more of drawing, of which 0.3 s pass.
    let arguments = [
        "run",
        "r.ron",
        "a.h5",
        "--out",
        "o.h5",
        "--csv",
        "t.csv",
        "--monte-carlo",
        "40000000",
    ];
    crate::support::interrupted(folder.path(), &arguments)
        .expect(130)
        .says("stopped; nothing was written");
    assert_eq!(names(folder.path()), ["a.h5", "r.ron"]);
}
