//! A recursive filter in a group: what samples add to its state, how the state moves, what it answers.

use std::sync::OnceLock;

use num_complex::Complex64;

use super::group::{Group, Mixing, Segment, by_place};
use super::sums::{self, GROUPS, Group as Samples, LANES, Sums};
use super::weights::Weights;

/// A recursive filter, by what samples add to its state.
#[derive(Debug)]
pub struct Sections {
    weights: Weights,
    /// By state: the weights of a whole segment's samples, turned, where sums over them do not do.
    single: Vec<[Vec<Samples>; 2]>,
    /// The step from one kept sample to the next.
    stretch: Vec<f64>,
    /// What ones add in a stretch between kept samples, before they are turned.
    ones: OnceLock<Vec<Complex64>>,
}

impl Sections {
    /// A cascade of sections `[b0, b1, b2, a1, a2]` behind a mixing, of which one sample of `every` is kept; `None`
    /// for one that is too long.
    pub fn new(sections: &[[f64; 5]], mixing: &Mixing, every: u64) -> Option<Self> {
        let weights = Weights::new(sections)?;
        let single = match weights.sums {
            Some(_) => Vec::new(),
            None => {
                let by_age = weights.by_age();
                let of =
                    |state: usize| by_place(|age| mixing.ahead(age as u64) * by_age[age][state]);
                (0..weights.states).map(of).collect()
            }
        };
        Some(Sections {
            stretch: weights.power(every),
            weights,
            single,
            ones: OnceLock::new(),
        })
    }

    /// Numbers in the state.
    pub fn states(&self) -> usize {
        self.weights.states
    }

    /// Whether it takes the sums that all chains of a group share.
    pub fn is_summed(&self) -> bool {
        self.weights.sums.is_some()
    }

    /// Sums of its own over no samples, by state.
    pub fn rest(&self) -> Vec<[Samples; 2]> {
        vec![Default::default(); self.single.len()]
    }

    /// Adds groups of samples, each less `pedestal`, of which the first is at a place in a whole segment.
    #[inline(always)]
    pub fn add(
        &self,
        single: &mut [[Samples; 2]],
        groups: &[Samples],
        pedestal: f64,
        from: usize,
        turns: Option<(&[Samples], &[Samples])>,
    ) {
        for (sums, [weights, sines]) in single.iter_mut().zip(&self.single) {
            let weights = &weights[from..];
            match turns {
                Some(turns) => sums::add_turned(sums, groups, pedestal, weights, turns),
                None => sums::add_weighed(sums, groups, pedestal, weights, &sines[from..]),
            }
        }
    }

    /// Moves a state over a segment, of which the sums are turned.
    #[inline(always)]
    pub fn pass(
        &self,
        state: &mut [Complex64],
        samples: usize,
        sums: &Sums,
        single: &[[Samples; 2]],
        turn: Complex64,
    ) {
        moved(state, self.weights.step(samples));
        let summed = self.weights.sums.iter().flatten();
        for (state, weights) in state.iter_mut().zip(summed) {
            let [re, im] = sums::weighed(weights, sums);
            *state += Complex64::new(re, im) * turn;
        }
        for (state, [re, im]) in state.iter_mut().zip(single) {
            *state += Complex64::new(sums::across(*re), sums::across(*im)) * turn;
        }
    }

    /// Moves a state over so many samples of a segment, which add nothing.
    pub fn idle(&self, state: &mut [Complex64], samples: usize) {
        moved(state, self.weights.step(samples));
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
    pub fn ones(&self, group: &Group) -> &[Complex64] {
        self.ones.get_or_init(|| {
            let mut state = vec![Complex64::ZERO; self.states()];
            let mut at = 0;
            while at < group.every {
                let segment = group.segment(at);
                let mut places = vec![0.0; segment.pad()];
                places.resize(LANES * segment.groups(), 1.0);
                let (groups, _) = places.as_chunks::<LANES>();
                let turn = group.mixing.ahead(group.every - segment.end);
                self.ones_of(group, segment, groups, turn, &mut state);
                at = segment.end;
            }
            state
        })
    }

    fn ones_of(
        &self,
        group: &Group,
        segment: Segment,
        groups: &[Samples],
        turn: Complex64,
        state: &mut [Complex64],
    ) {
        let from = GROUPS - segment.groups();
        let (mut sums, mut plain) = (Sums::default(), [0.0; LANES]);
        let (cosines, sines) = (&group.cosines[from..], &group.sines[from..]);
        sums::add(&mut sums, &mut plain, groups, 0.0, cosines, sines);
        let mut single = self.rest();
        self.add(&mut single, groups, 0.0, from, None);
        self.pass(state, segment.samples(), &sums, &single, turn);
    }
}

/// Moves a state by a step, given by rows as what is added to it.
#[inline(always)]
fn moved(state: &mut [Complex64], step: &[f64]) {
    let mut added = [Complex64::ZERO; super::weights::MOST_STATES];
    let rows = step.chunks_exact(state.len());
    for (added, row) in added.iter_mut().zip(rows) {
        for (weight, w) in row.iter().zip(&*state) {
            *added += w * *weight;
        }
    }
    state.iter_mut().zip(added).for_each(|(w, a)| *w += a);
}
