//! A recursive filter in a group: what samples add to its state, how the state moves, what it answers.

use std::sync::OnceLock;

use num_complex::Complex64;

use super::bank::Turned;
use super::group::Group;
use super::lanes::{Column, Matrix};
use super::shapes::Entering;
use super::weights::Weights;
use super::windows::Windows;

/// A recursive filter, by what samples add to its state.
#[derive(Debug)]
pub struct Sections {
    weights: Weights,
    /// The weights of a window's samples.
    pub entering: Entering,
    /// What the moments of a window add to the state.
    into: Matrix,
    /// What is added to the state by a step over 1, 2, 4, ... windows that add nothing.
    windows: Vec<Matrix>,
    /// The same from one kept sample to the next.
    stretch: Matrix,
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
        let step = |samples| {
            let power = weights.power(samples);
            let rows: Vec<&[f64]> = power.chunks_exact(weights.states).collect();
            Matrix::new(&rows)
        };
        let entering = Entering::new(&weights.by_place(places as usize));
        Some(Sections {
            into: entering.factors(),
            entering,
            windows: jumps.map(|n| step(places << n)).collect(),
            stretch: step(every),
            weights,
            ones: OnceLock::new(),
        })
    }

    /// Numbers in the state.
    pub fn states(&self) -> usize {
        self.weights.states
    }

    /// Moves a state over a window, whose samples have these moments, which are to be turned.
    pub fn pass(&self, state: &mut Column, moments: &[Complex64], turn: Complex64) {
        if let Some(step) = self.windows.first() {
            state.step_and(step, &self.into, moments, turn);
        }
    }

    /// Moves a state over so many windows that add nothing.
    pub fn idle(&self, state: &mut Column, windows: u64) {
        for (n, step) in self.windows.iter().enumerate() {
            if windows >> n & 1 == 1 {
                state.step(step);
            }
        }
    }

    /// Moves a state from one kept sample to the next; what samples add comes on top.
    pub fn advance(&self, state: &mut Column, added: &[Complex64]) {
        state.step(&self.stretch);
        state.add(added);
    }

    /// The output at the next sample.
    pub fn answer(&self, state: &Column, next: Complex64) -> Complex64 {
        let held = self
            .weights
            .out
            .iter()
            .zip(state.iter())
            .map(|(c, w)| w * *c);
        held.sum::<Complex64>() + next * self.weights.direct
    }

    /// What ones add in a stretch, to be turned as its last sample is.
    pub fn ones(&self, group: &Group, own: usize) -> &[Complex64] {
        self.ones.get_or_init(|| {
            let mut state = Column::zeros(self.states());
            let mut room = group.room();
            let places = group.windows.places as usize;
            let mut at = 0;
            while at < group.windows.every {
                let window = group.windows.of(at);
                let mut ones = vec![0.0; places - window.samples()];
                ones.resize(places, 1.0);
                group.bank.take(&ones, 0.0, &Turned::Evenly, &mut room);
                let turn = group.relative(window.behind);
                self.pass(&mut state, &room.moments[own..], turn);
                at = window.end;
            }
            state.iter().collect()
        })
    }
}
