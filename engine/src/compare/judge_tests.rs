//! Checks of what is judged without a run: who beats whom, and where a peak is.

use super::*;

fn chain(settling: Option<f64>, noise: Option<f64>) -> Chain {
    Chain {
        settling: vec![(0.01, settling)],
        noise,
        ..Chain::default()
    }
}

#[test]
fn what_nothing_beats_is_marked() {
    let mut chains = vec![
        chain(Some(1.0), Some(3.0)),
        chain(Some(2.0), Some(2.0)),
        chain(Some(2.0), Some(2.0)),
        chain(Some(2.0), Some(2.5)),
        chain(Some(3.0), Some(2.0)),
        chain(None, Some(0.1)),
    ];
    pareto(&mut chains);
    let marks: Vec<Option<bool>> = chains.iter().map(|c| c.unbeaten).collect();
    let expected = [
        Some(true),
        Some(true),
        Some(true),
        Some(false),
        Some(false),
        None,
    ];
    assert_eq!(marks, expected);
}

fn sweep(amplitudes: &[f64], u: f64) -> Vec<Option<PointValue>> {
    let one = |a: &f64| {
        Some(PointValue {
            amplitude: *a,
            amplitude_u: Some(u),
            ..PointValue::default()
        })
    };
    amplitudes.iter().map(one).collect()
}

/// Median 1: the base's peak of 2 stands out by ten; shifted by one it is still there, by two it is not, and
/// a peak of 1.2 does not stand out.
#[test]
fn a_peak_is_there_where_it_was_and_stands_out() {
    let sweeps = [
        [1.0, 1.0, 2.0, 1.0, 1.0],
        [1.0, 1.0, 1.0, 1.8, 1.0],
        [1.0, 1.0, 1.0, 1.0, 2.0],
        [1.0, 1.0, 1.2, 1.0, 1.0],
    ];
    let mut comparison = Comparison::default();
    for values in sweeps {
        comparison.chains.push(Chain {
            values: sweep(&values, 0.1),
            differences: vec![
                Some(Difference {
                    amplitude: -0.5,
                    ..Difference::default()
                });
                5
            ],
            ..Chain::default()
        });
    }
    peaks(&mut comparison, &BTreeSet::new());
    let of = |k: usize| comparison.chains[k].largest.expect("a largest point");
    assert_eq!(of(0).stands_out, Some(10.0));
    assert_eq!([0, 1, 2, 3].map(|k| of(k).point), [2, 3, 4, 2]);
    let there = [1, 2, 3].map(|k| of(k).still_there);
    assert_eq!(there, [Some(true), Some(false), Some(false)]);
    assert_eq!((of(0).change, of(1).change), (None, Some((-0.25, None))));
    // Without the point at which samples were cut off there is another largest one.
    peaks(&mut comparison, &BTreeSet::from([2]));
    assert_eq!(
        comparison.chains[1].largest.expect("a largest point").point,
        3
    );
    assert_eq!(
        comparison.chains[0].largest.expect("a largest point").point,
        0
    );
}
