//! Samples of one slab on their way into the sums of a group.

use multiversion::multiversion;
use num_complex::Complex64;

use super::group::{Filter, Group, Mixing, Part, Segment, Timed};
use super::sums::{self, GROUPS, Group as Samples, LANES, Sums};
use super::turns::Turns;

/// A slab that takes samples.
pub struct Slab<'g> {
    group: &'g Group,
    timed: Timed<'g>,
    /// Turns of the samples of a segment, where they differ from segment to segment.
    turns: Turns,
    pedestal: f64,
    at: u64,
    segment: Segment,
    /// Groups of the segment that are summed.
    done: usize,
    sums: Sums,
    /// By chain and state: the weighed sums of chains for which sums do not do.
    single: Vec<Vec<[Samples; 2]>>,
    plain: Samples,
    /// Samples of a group that is not complete, the pedestal taken off.
    carry: Samples,
    carried: usize,
    /// By chain: the state at the end of the last segment, had it been zero at the start of the stretch or slab.
    states: Vec<Vec<Complex64>>,
    /// All samples, the pedestal taken off, where a finite impulse response needs them.
    samples: Vec<f64>,
    part: Part,
}

impl<'g> Timed<'g> {
    /// Begins a slab at a sample; `pedestal` is taken off every sample.
    pub fn slab(&self, start: u64, pedestal: f64) -> Slab<'g> {
        let group = self.group;
        let rest = |filter: &Filter| match filter {
            Filter::Sections(sections) => vec![Complex64::ZERO; sections.states()],
            Filter::Taps(_) => Vec::new(),
        };
        let mut slab = Slab {
            group,
            timed: self.clone(),
            turns: match group.mixing {
                Mixing::Found(..) => Turns::default(),
                _ => Turns::none(),
            },
            pedestal,
            at: start,
            segment: group.segment(start),
            done: 0,
            sums: Sums::default(),
            single: group.chains.iter().map(|c| c.rest()).collect(),
            plain: [0.0; LANES],
            carry: [0.0; LANES],
            carried: 0,
            states: group.chains.iter().map(|c| rest(&c.filter)).collect(),
            samples: Vec::new(),
            part: Part {
                start,
                end: start,
                cut: start,
                added: vec![Vec::new(); group.chains.len()],
                ..Part::default()
            },
        };
        slab.enter();
        slab
    }
}

/// Takes the next samples; compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn push(slab: &mut Slab<'_>, samples: &[f64]) {
    slab.take(samples);
}

impl Slab<'_> {
    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        let is_taps = |filter: &Filter| matches!(filter, Filter::Taps(_));
        if self.group.chains.iter().any(|c| is_taps(&c.filter)) {
            let level = samples.iter().map(|x| x - self.pedestal);
            self.samples.extend(level);
        }
        push(self, samples);
    }

    /// Enters the segment of the next sample.
    #[inline(always)]
    fn enter(&mut self) {
        self.segment = self.group.segment(self.at);
        let place = self.segment.pad() + (self.at - self.segment.start) as usize;
        (self.done, self.carried) = (place / LANES, place % LANES);
        self.carry = [0.0; LANES];
        self.sums = Sums::default();
        for single in &mut self.single {
            single.fill(Default::default());
        }
        if let (Mixing::Found(n, m), Some(phases)) = (&self.group.mixing, &self.timed.phases) {
            let (start, end) = (self.segment.start, self.segment.end);
            self.turns.fill(phases.as_ref(), (*n, *m), start, end);
        }
    }

    #[inline(always)]
    fn take(&mut self, mut samples: &[f64]) {
        while let Some(first) = samples.first() {
            if self.at == self.segment.start && self.at.is_multiple_of(self.group.every) {
                self.part.firsts.push(first - self.pedestal);
            }
            let rest = (self.segment.end - self.at) as usize;
            let (now, later) = samples.split_at(rest.min(samples.len()));
            self.sum(now);
            self.at += now.len() as u64;
            if self.at == self.segment.end {
                self.leave();
                self.enter();
            }
            samples = later;
        }
    }

    /// Sums samples of one segment.
    #[inline(always)]
    fn sum(&mut self, mut samples: &[f64]) {
        if self.carried > 0 {
            samples = self.fill(samples);
        }
        let (groups, rest) = samples.as_chunks::<LANES>();
        self.add(groups, self.pedestal);
        self.fill(rest);
    }

    /// Fills up the group that is not complete, and sums it when it is; what was not needed is left.
    #[inline(always)]
    fn fill<'s>(&mut self, samples: &'s [f64]) -> &'s [f64] {
        let (now, later) = samples.split_at(samples.len().min(LANES - self.carried));
        for x in now {
            self.carry[self.carried] = x - self.pedestal;
            self.carried += 1;
        }
        if self.carried == LANES {
            self.add(&[self.carry], 0.0);
            (self.carry, self.carried) = ([0.0; LANES], 0);
        }
        later
    }

    #[inline(always)]
    fn add(&mut self, groups: &[Samples], pedestal: f64) {
        let from = GROUPS - self.segment.groups() + self.done;
        let group = self.group;
        let turns = self.turns.of(from);
        if group.summed {
            let (cosines, sines) = turns.unwrap_or((&group.cosines[from..], &group.sines[from..]));
            let (sums, plain) = (&mut self.sums, &mut self.plain);
            sums::add(sums, plain, groups, pedestal, cosines, sines);
        } else {
            sums::add_plain(&mut self.plain, groups, pedestal);
        }
        for (chain, single) in group.chains.iter().zip(&mut self.single) {
            if let Filter::Sections(sections) = &chain.filter {
                sections.add(single, groups, pedestal, from, turns);
            }
        }
        self.done += groups.len();
    }

    /// Gives the sums of a segment to the chains, as if no more samples came.
    #[inline(always)]
    fn leave(&mut self) {
        if self.carried > 0 {
            self.add(&[self.carry], 0.0);
        }
        sums::pass(&mut self.sums, self.segment.groups() - self.done);
        let turn = self.timed.turn_of(self.segment);
        let samples = self.segment.samples();
        let complete = self.segment.end.is_multiple_of(self.group.every);
        let whole = complete && self.at == self.segment.end;
        let chains = self.group.chains.iter().zip(&self.single);
        let states = self.states.iter_mut().zip(&mut self.part.added);
        for ((chain, single), (state, added)) in chains.zip(states) {
            if let Filter::Sections(sections) = &chain.filter {
                sections.pass(state, samples, &self.sums, single, turn);
                if whole {
                    added.extend_from_slice(state);
                    state.fill(Complex64::ZERO);
                }
            }
        }
        self.part.cut = self.segment.end;
    }

    /// What the slab adds.
    pub fn finish(mut self) -> Part {
        if self.at > self.segment.start && self.at > self.part.start {
            self.leave();
        }
        let whole = self.at.is_multiple_of(self.group.every);
        let states = self.states.iter().zip(&mut self.part.added);
        for (chain, (state, added)) in self.group.chains.iter().zip(states) {
            match &chain.filter {
                Filter::Sections(_) if !whole => added.extend_from_slice(state),
                Filter::Sections(_) => {}
                Filter::Taps(taps) => {
                    *added = taps.parts(&self.samples, self.part.start, self.group.every);
                }
            }
        }
        Part {
            end: self.at,
            total: sums::across(self.plain),
            ..self.part
        }
    }
}
