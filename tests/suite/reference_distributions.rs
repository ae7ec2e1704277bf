//! The engine's probabilities and quantiles against SciPy's, over random arguments.

use phasemill_engine::statistics::{
    Ratio, chi_square_above, chi_square_quantile, f_above, normal_above, normal_quantile,
    ratios_above, student_t_above, student_t_quantile,
};
use serde_json::json;

use crate::support_reference::{LAW, Random, near, python, reals};

const SCRIPT: &str = "
import json, sys
from scipy import stats
w = json.load(sys.stdin)
print(json.dumps([[
    stats.norm.sf(z), stats.norm.ppf(p),
    stats.t.sf(z, dof), stats.t.ppf(p, dof),
    stats.chi2.sf(x, dof), stats.chi2.ppf(p, dof),
] for z, p, x, dof in w]))
";

/// SciPy takes these from its own and the Boost libraries. Both sides round; a tail's relative error is
/// that of its exponent, some 40 roundings of an exponent of up to 40 here: 40 x 40 x 1.1e-16 = 2e-13. A
/// sum of n terms adds some sqrt(n) roundings, with n about 10 sqrt(dof) <= 1e4 for 1e6 degrees of
/// freedom: 1e-14. Chi-square of many degrees of freedom is ill-conditioned in x itself, by sqrt(dof/2) of
/// up to 700 times the 8 of the tail: 6e-13. Wallace's deviate, from 1e7 on, is wrong by relative
/// order z^2/dof^2: 1e-12 at most. Hence 1e-12 for each side.
const BOUND: f64 = 2e-12;

#[test]
fn probabilities_and_quantiles_agree_with_scipy() {
    let mut random = Random(20260318);
    let arguments: Vec<[f64; 4]> = (0..400)
        .map(|k| {
            let dof = match k % 4 {
                0 => f64::from(1 + random.below(30)),
                1 => random.scale(0.3, 30.0),
                2 => random.scale(30.0, 1e6),
                _ => random.scale(1e6, 1e9),
            };
            let z = random.between(-8.0, 8.0);
            let p = match k % 3 {
                0 => random.between(0.01, 0.99),
                1 => random.scale(1e-9, 0.1),
                _ => 1.0 - random.scale(1e-4, 0.1),
            };
            // Chi-square within some eight standard deviations, by Wilson and Hilferty's cube.
            let s = 2.0 / (9.0 * dof);
            let x = dof * libm::pow((1.0 - s + z * s.sqrt()).max(0.01), 3.0);
            [z, p, x, dof]
        })
        .collect();
    let Some(theirs) = python(SCRIPT, &json!(arguments)) else {
        return;
    };
    let mut worst = [0.0f64; 6];
    for ([z, p, x, dof], theirs) in arguments.into_iter().zip(theirs.as_array().unwrap()) {
        let ours = [
            normal_above(z),
            normal_quantile(p),
            student_t_above(z, dof),
            student_t_quantile(p, dof),
            chi_square_above(x, dof),
            chi_square_quantile(p, dof),
        ];
        for (i, (o, t)) in ours.iter().zip(reals(theirs)).enumerate() {
            // A quantile near zero has the absolute error of its probability.
            let size = if [1, 3].contains(&i) {
                t.abs().max(0.1)
            } else {
                t.abs()
            };
            // SciPy's lower tail of chi-square loses its digits beyond 4.5 standard deviations from
            // some 1e7 degrees of freedom on (0.5e-3 at 1e7, 0.2 at 1e8, against Wilson and Hilferty).
            if i >= 4 && dof > 1e6 {
                continue;
            }
            let off = if t.abs() < 1e-290 {
                0.0
            } else {
                (o - t).abs() / size
            };
            assert!(
                off <= BOUND,
                "{i}: z {z}, p {p}, x {x}, dof {dof}: {o:e}, {t:e}"
            );
            worst[i] = worst[i].max(off);
        }
    }
    println!("worst relative deviations {worst:?}");
}

const OF_RATIOS: &str = "
import json, sys
from scipy import stats
print(json.dumps([stats.f.sf(f, a, b) for f, a, b in json.load(sys.stdin)]))
";

/// Fisher's F is an incomplete beta function as Student's t is, and rounds as that does: see [`BOUND`]. SciPy forms 1 - x
/// of its argument itself, which costs up to some 1e-16 of a tail that is steeper by the degrees of freedom, 200 here: 2e-14.
#[test]
fn ratios_of_variances_agree_with_scipy() {
    let mut random = Random(20261125);
    let each = (0..200).map(|_| {
        let dof = [random.scale(1.0, 200.0), random.scale(1.0, 200.0)];
        [random.scale(0.2, 8.0), dof[0], dof[1]]
    });
    let arguments: Vec<[f64; 3]> = each.collect();
    let Some(theirs) = python(OF_RATIOS, &json!(arguments)) else {
        return;
    };
    for ([f, a, b], t) in arguments.into_iter().zip(reals(&theirs)) {
        let found = f_above(f, a, b);
        assert!((found / t - 1.0).abs() <= BOUND, "{f} {a} {b}: {found} {t}");
    }
}

const OF_SUMS: &str = "
import json, sys
w = json.load(sys.stdin)
# Sixty T^2(2, 17), each drawn as n p/(n - p + 1) times F(p, n - p + 1).
draws = 34/16*stats.f.rvs(2, 16, size=(100_000, 60), random_state=5).sum(axis=1)
print(json.dumps([[above(x, terms) for x, terms in w], [float((draws > x).mean()) for x in (124.7, 164.7, 190.)]]))
";

/// Sums of Hotelling's T^2 (Ann. Math. Stat. 2, 360 (1931); Anderson, *An Introduction to Multivariate Statistical
/// Analysis*, 5.2) with and without a chi-square against the inversion that [`LAW`] does with SciPy, and sixty of two
/// numbers and 17 degrees of freedom against as many drawn by SciPy.
#[test]
fn sums_of_hotellings_squares_agree_with_scipy() {
    let mut random = Random(20261126);
    let each = (0..12).map(|k| {
        let term = |random: &mut Random| {
            let p = f64::from(1 + random.below(3));
            let n = random.scale(p + 3.0, 40.0);
            let count = 2 + random.below(10);
            (p, n, count)
        };
        let terms = [term(&mut random), term(&mut random)];
        let known = if k % 2 == 0 {
            0.0
        } else {
            random.between(0.5, 9.0)
        };
        let mean: f64 = terms
            .iter()
            .map(|(p, _, count)| p * f64::from(*count))
            .sum();
        (mean * random.between(0.5, 2.5), terms, known)
    });
    let cases: Vec<_> = each.collect();
    let arguments: Vec<_> = cases
        .iter()
        .map(|(x, terms, known)| {
            let of = |(p, n, count): &(f64, f64, u32)| {
                [*p, p * (p + 1.0) / n, p * (p + 2.0) / n, f64::from(*count)]
            };
            let all = terms
                .iter()
                .map(of)
                .chain((*known > 0.0).then_some([*known, 0.0, 0.0, 1.0]));
            json!([x, all.collect::<Vec<_>>()])
        })
        .collect();
    let script = format!("{LAW}{OF_SUMS}");
    let Some(theirs) = python(&script, &json!(arguments)) else {
        return;
    };
    for ((x, terms, known), t) in cases.iter().zip(reals(&theirs[0])) {
        let of = |(p, n, count): &(f64, f64, u32)| vec![Ratio::hotelling(*p, *n); *count as usize];
        let mut all: Vec<Ratio> = terms.iter().flat_map(of).collect();
        all.extend((*known > 0.0).then(|| Ratio::known(*known)));
        near(
            &format!("{x} {terms:?} {known}"),
            ratios_above(*x, &all),
            t,
            2e-6,
        );
    }
    let sixty = vec![Ratio::hotelling(2.0, 17.0); 60];
    for (x, drawn) in [124.7, 164.7, 190.0].into_iter().zip(reals(&theirs[1])) {
        let p = ratios_above(x, &sixty);
        // Four standard deviations of the share of 100 000 draws.
        near("sixty", p, drawn, 4.0 * (p * (1.0 - p) / 1e5).sqrt());
    }
}
