//! Turns of the samples of a window, where the clock was found in the samples and is not steady.

use std::f64::consts::TAU;

use multiversion::multiversion;
use num_complex::Complex64;

use super::lanes::LANES;
use crate::flow::harmonic;
use crate::stage::Phases;

/// Turns that are gone on with at once, so that less waits for what comes before.
const WIDE: usize = 2 * LANES;

/// Turns `sin + i·cos` by place in a window.
#[derive(Default)]
pub struct Turns {
    /// Real parts.
    pub cosines: Vec<f64>,
    /// Imaginary parts.
    pub sines: Vec<f64>,
}

impl Turns {
    /// None yet, for windows of so many places.
    pub fn new(places: usize) -> Self {
        Turns {
            cosines: vec![0.0; places],
            sines: vec![0.0; places],
        }
    }

    /// Those of samples `start` to `end`, which is behind the last place, at the harmonic n/m of a clock. Unknown
    /// phases, and a harmonic above half the sample rate, give NaN.
    pub fn fill(&mut self, phases: &dyn Phases, (n, m): (u32, u32), start: u64, end: u64) {
        let ratio = f64::from(n) / f64::from(m);
        let first = self.cosines.len() - (end - start) as usize;
        self.cosines[..first].fill(0.0);
        self.sines[..first].fill(0.0);
        let mut at = start;
        while at < end {
            let line = phases.line(at);
            let until = line.end.min(end);
            let places = first + (at - start) as usize..first + (until - start) as usize;
            let (cosines, sines) = (&mut self.cosines[places.clone()], &mut self.sines[places]);
            let slope = line.slope * ratio;
            let known = slope.abs() < 0.5;
            let origin = if known {
                harmonic(line.phase, n, m)
            } else {
                f64::NAN
            };
            evenly(cosines, sines, origin, slope);
            at = until;
        }
    }
}

/// Turns that grow by `slope` cycles from one to the next. Each of the first eight follows from the one before, the
/// next eight from these, and from then on each from the one 16 places before, at most 25 steps in a window: what
/// rounds stays below 1e-14.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn evenly(cosines: &mut [f64], sines: &mut [f64], origin: f64, slope: f64) {
    let (sin, cos) = libm::sincos(TAU * origin);
    // i·exp(-iθ) goes on by exp(-2πi·slope).
    let mut turn = Complex64::new(sin, cos);
    let (sin, cos) = libm::sincos(TAU * slope);
    let mut step = Complex64::new(cos, -sin);
    let (mut re, mut im) = ([0.0; WIDE], [0.0; WIDE]);
    for (re, im) in re.iter_mut().zip(&mut im).take(LANES) {
        (*re, *im) = (turn.re, turn.im);
        turn *= step;
    }
    for _ in 0..LANES.ilog2() {
        step *= step;
    }
    for at in 0..LANES {
        re[LANES + at] = re[at] * step.re - im[at] * step.im;
        im[LANES + at] = re[at] * step.im + im[at] * step.re;
    }
    step *= step;
    let (groups, rest) = cosines.as_chunks_mut::<WIDE>();
    let (other, other_rest) = sines.as_chunks_mut::<WIDE>();
    for (cosines, sines) in groups.iter_mut().zip(other) {
        (*cosines, *sines) = (re, im);
        let next: [f64; WIDE] = std::array::from_fn(|l| re[l] * step.re - im[l] * step.im);
        im = std::array::from_fn(|l| re[l] * step.im + im[l] * step.re);
        re = next;
    }
    rest.copy_from_slice(&re[..rest.len()]);
    other_rest.copy_from_slice(&im[..other_rest.len()]);
}
