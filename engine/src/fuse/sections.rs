//! A recursive filter in a group: what samples add to its state, how the state moves, what it answers.

use std::sync::OnceLock;

use num_complex::Complex64;

use super::bank::Turned;
use super::group::Group;
use super::shapes::Entering;
use super::weights::Weights;
use super::windows::Windows;

/// A step of the state, by rows, less the state itself.
type Step = Vec<f64>;

/// A recursive filter, by what samples add to its state.
#[derive(Debug)]
pub struct Sections {
    weights: Weights,
    /// The weights of a window's samples.
    pub entering: Entering,
    /// Steps over 1, 2, 4, ... windows.
    windows: Vec<Step>,
    /// The step from one kept sample to the next.
    stretch: Step,
    /// What ones add in a stretch between kept samples, before they are turned.
    ones: OnceLock<Vec<Complex64>>,
}

impl Sections {
    /// A cascade of sections `[b0, b1, b2, a1, a2]`, of which one sample of `every` is kept; `None` for one that is
    /// too long.
    pub fn new(sections: &[[f64; 5]], every: u64) -> Option<Self> {
        let weights = Weights::new(sections)?;
        let Windows { places, count, .. } = Windows::new(every);
        let jumps = 0..u64::BITS - count.leading_zeros();
        Some(Sections {
            entering: Entering::new(&weights.by_place(places as usize)),
            windows: jumps.map(|n| weights.power(places << n)).collect(),
            stretch: weights.power(every),
            weights,
            ones: OnceLock::new(),
        })
    }

    /// Numbers in the state.
    pub fn states(&self) -> usize {
        self.weights.states
    }

    /// Moves a state over a window, whose samples have these moments; the filter's own ones begin at `own`.
    pub fn pass(&self, state: &mut [Complex64], moments: &[Complex64], own: usize) {
        if let Some(step) = self.windows.first() {
            moved(state, step);
        }
        match &self.entering {
            Entering::Smooth(factors) => {
                for (state, factors) in state.iter_mut().zip(factors) {
                    for (factor, moment) in factors.iter().zip(moments) {
                        *state += moment * *factor;
                    }
                }
            }
            Entering::Apart(_) => {
                let (pairs, _) = moments[own..].as_chunks();
                for (state, [even, odd]) in state.iter_mut().zip(pairs) {
                    *state += even + odd;
                }
            }
        }
    }

    /// Moves a state over so many windows that add nothing.
    pub fn idle(&self, state: &mut [Complex64], windows: u64) {
        for (n, step) in self.windows.iter().enumerate() {
            if windows >> n & 1 == 1 {
                moved(state, step);
            }
        }
    }

    /// Moves a state from one kept sample to the next; what samples add comes on top.
    pub fn advance(&self, state: &mut [Complex64], added: &[Complex64]) {
        moved(state, &self.stretch);
        state.iter_mut().zip(added).for_each(|(w, a)| *w += a);
    }

    /// The output at the next sample.
    pub fn answer(&self, state: &[Complex64], next: Complex64) -> Complex64 {
        let held = self.weights.out.iter().zip(state).map(|(c, w)| w * *c);
        held.sum::<Complex64>() + next * self.weights.direct
    }

    /// What ones add in a stretch, to be turned as its last sample is.
    pub fn ones(&self, group: &Group, own: usize) -> &[Complex64] {
        self.ones.get_or_init(|| {
            let mut state = vec![Complex64::ZERO; self.states()];
            let mut room = group.room();
            let places = group.windows.places as usize;
            let mut at = 0;
            while at < group.windows.every {
                let window = group.windows.of(at);
                let mut ones = vec![0.0; places - window.samples()];
                ones.resize(places, 1.0);
                group.take(&ones, 0.0, window, &Turned::Evenly, &mut room);
                self.pass(&mut state, &room.moments, own);
                at = window.end;
            }
            state
        })
    }
}

/// Moves a state by a step.
#[inline]
fn moved(state: &mut [Complex64], step: &[f64]) {
    match state.len() {
        1 => moved_by::<1>(state, step),
        2 => moved_by::<2>(state, step),
        3 => moved_by::<3>(state, step),
        4 => moved_by::<4>(state, step),
        6 => moved_by::<6>(state, step),
        _ => {
            let mut added = [Complex64::ZERO; super::weights::MOST_STATES];
            let rows = step.chunks_exact(state.len());
            for (added, row) in added.iter_mut().zip(rows) {
                for (weight, w) in row.iter().zip(&*state) {
                    *added += w * *weight;
                }
            }
            state.iter_mut().zip(added).for_each(|(w, a)| *w += a);
        }
    }
}

/// The same for a number of states that is known when this is compiled.
#[inline(always)]
fn moved_by<const STATES: usize>(state: &mut [Complex64], step: &[f64]) {
    let (rows, _) = step.as_chunks::<STATES>();
    let Ok(state) = <&mut [Complex64; STATES]>::try_from(state) else {
        return;
    };
    let now = *state;
    for (state, row) in state.iter_mut().zip(rows) {
        let mut added = Complex64::ZERO;
        for (weight, w) in row.iter().zip(&now) {
            added += w * *weight;
        }
        *state += added;
    }
}
