//! Turns of the samples of a segment, where the clock was found in the samples and is not steady.

use std::f64::consts::TAU;

use super::sums::{GROUPS, Group as Samples, LANES};
use crate::flow::harmonic;
use crate::stage::Phases;

/// Turns `sin + i·cos` by place in a whole segment; empty where they are not wanted.
pub struct Turns {
    cosines: Vec<f64>,
    sines: Vec<f64>,
}

impl Default for Turns {
    fn default() -> Self {
        let none = vec![0.0; LANES * GROUPS];
        Turns {
            cosines: none.clone(),
            sines: none,
        }
    }
}

impl Turns {
    /// None at all.
    pub fn none() -> Self {
        Turns {
            cosines: Vec::new(),
            sines: Vec::new(),
        }
    }

    /// Turns from a group of places on.
    pub fn of(&self, from: usize) -> Option<(&[Samples], &[Samples])> {
        let (cosines, _) = self.cosines.as_chunks::<LANES>();
        let (sines, _) = self.sines.as_chunks::<LANES>();
        let whole = !cosines.is_empty();
        cosines.get(from..).zip(sines.get(from..)).filter(|_| whole)
    }

    /// Those of samples `start` to `end`, which is the last place, at the harmonic n/m of a clock. Within a line of
    /// its phase every fourth turn follows from the one before, at most 32 times, so what rounds stays below
    /// 1e-14. Unknown phases, and a harmonic above half the sample rate, give NaN.
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

/// Turns that grow by `slope` cycles from one to the next.
fn evenly(cosines: &mut [f64], sines: &mut [f64], origin: f64, slope: f64) {
    let first: [(f64, f64); LANES] =
        std::array::from_fn(|lane| libm::sincos(TAU * (origin + lane as f64 * slope)));
    let [mut re, mut im] = [first.map(|(sin, _)| sin), first.map(|(_, cos)| cos)];
    // i·exp(-iθ) goes on by exp(-4i·2π·slope).
    let (sin, cos) = libm::sincos(TAU * LANES as f64 * slope);
    let (groups, rest) = cosines.as_chunks_mut::<LANES>();
    let (other, other_rest) = sines.as_chunks_mut::<LANES>();
    for (cosines, sines) in groups.iter_mut().zip(other) {
        (*cosines, *sines) = (re, im);
        for (re, im) in re.iter_mut().zip(&mut im) {
            (*re, *im) = (*re * cos + *im * sin, *im * cos - *re * sin);
        }
    }
    rest.copy_from_slice(&re[..rest.len()]);
    other_rest.copy_from_slice(&im[..other_rest.len()]);
}
