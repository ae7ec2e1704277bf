//! A chain followed from slab to slab, and what it keeps.

use std::io;

use num_complex::Complex64;

use super::aside::{Aside, Kept};
use super::group::{Filter, Group, Part, Timed};
use super::lanes::Column;
use super::sections::Sections;
use super::taps::Taps;

/// A chain followed from slab to slab.
pub struct Following<'g> {
    timed: Timed<'g>,
    group: &'g Group,
    chain: usize,
    /// The state at the last kept sample.
    state: Column,
    /// What that sample is multiplied by.
    first: Option<Complex64>,
    /// What has been added since; of a finite impulse response the unfinished outputs.
    pending: Vec<Complex64>,
    /// The state had a constant of one come in; empty where that is not asked for.
    ones: Column,
    /// Kept outputs that were not laid aside yet.
    kept: Vec<Complex64>,
    /// What a constant of one gives in them.
    kept_ones: Vec<Complex64>,
    aside: Aside,
}

impl<'g> Following<'g> {
    /// A chain at rest; with `ones`, it is followed as well what a constant of one gives.
    pub fn new(timed: &Timed<'g>, chain: usize, ones: bool) -> Self {
        let group = timed.group;
        let states = group.chains[chain].states();
        Following {
            timed: timed.clone(),
            group,
            chain,
            first: None,
            pending: vec![Complex64::ZERO; states],
            ones: Column::zeros(if ones { states } else { 0 }),
            state: Column::zeros(states),
            kept: Vec::new(),
            kept_ones: Vec::new(),
            aside: Aside::new(ones),
        }
    }

    /// Takes what the next slabs add.
    ///
    /// # Errors
    /// What is kept cannot be laid aside.
    pub fn take(&mut self, parts: &[Part], ones: bool) -> io::Result<()> {
        for part in parts {
            match &self.group.chains[self.chain].filter {
                Filter::Sections(sections) => self.follow(sections, part, ones),
                Filter::Taps(taps) => self.collect(taps, part, ones),
            }
        }
        self.aside.take(&self.kept, &self.kept_ones)?;
        self.kept.clear();
        self.kept_ones.clear();
        Ok(())
    }

    fn collect(&mut self, taps: &Taps, part: &Part, ones: bool) {
        let every = self.group.windows.every;
        let first = part.start.div_ceil(every);
        for (at, z) in part.added[self.chain].iter().enumerate() {
            match self.pending.get_mut(at) {
                Some(pending) => *pending += z,
                None => self.pending.push(*z),
            }
        }
        let complete = part.end.div_ceil(every) - first;
        let done: Vec<Complex64> = self.pending.drain(..complete as usize).collect();
        for ((index, z), (turn, _)) in (first..).zip(done).zip(&part.firsts) {
            self.kept.push(z * turn);
            if ones {
                self.kept_ones.push(taps.ones(index * every) * turn);
            }
        }
    }

    fn follow(&mut self, sections: &Sections, part: &Part, ones: bool) {
        let every = self.group.windows.every;
        let mut firsts = part.firsts.iter();
        let mut at = part.start;
        for added in part.added[self.chain].chunks_exact(sections.states()) {
            if at.is_multiple_of(every)
                && let Some(first) = firsts.next()
            {
                self.keep(sections, *first, ones);
            }
            let pending = self.pending.iter_mut().zip(added);
            pending.for_each(|(pending, added)| *pending += added);
            let end = at - at % every + every;
            if end > part.end {
                return;
            }
            sections.advance(&mut self.state, &self.pending);
            self.pending.fill(Complex64::ZERO);
            if ones {
                let turn = self.timed.turn_of(self.first, end);
                let ones = sections.ones(self.group, self.group.shapes[self.chain]);
                let added: Vec<Complex64> = ones.iter().map(|z| z * turn).collect();
                sections.advance(&mut self.ones, &added);
            }
            at = end;
        }
    }

    /// Keeps the output at a sample.
    fn keep(&mut self, sections: &Sections, (turn, sample): (Complex64, f64), ones: bool) {
        self.first = Some(turn);
        self.kept.push(sections.answer(&self.state, turn * sample));
        if ones {
            self.kept_ones.push(sections.answer(&self.ones, turn));
        }
    }

    /// Whether everything that came in was known: an unknown phase stays in the state for good.
    pub fn is_known(&self) -> bool {
        let mut held = self.state.iter().chain(self.pending.iter().copied());
        held.all(|z| !z.re.is_nan() && !z.im.is_nan())
    }

    /// The kept samples, a constant `offset` taken away from what went in.
    pub fn outputs(self, offset: f64) -> Kept {
        let factor = self.group.chains[self.chain].factor;
        self.aside.finish(offset, factor)
    }
}
