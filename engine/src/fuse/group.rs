//! Chains behind one mixing that are computed together, slab by slab.
//!
//! The samples of a point are cut into segments: at every sample that a chain keeps, and in between after as many
//! samples as the chains allow. Slabs of samples are worked on by themselves, in any order: for each segment they
//! give what its samples add to every chain's state. What a segment gets from two slabs is added up. Then the
//! states are followed from segment to segment, in order, which is cheap.

use std::f64::consts::TAU;
use std::sync::{Arc, OnceLock};

use num_complex::Complex64;

use super::sums::{self, GROUPS, Group as Samples, LANES, Sums};
use super::taps::Taps;
use super::turns::Turns;
use super::weights::Weights;
use crate::flow::harmonic;
use crate::stage::Phases;

/// Samples of a slab. It is part of what decides the last bits of a result.
pub const SLAB: u64 = 1 << 18;

/// Phase of a harmonic of a steady clock in cycles at a sample.
pub type Cycles = Arc<dyn Fn(u64) -> f64 + Send + Sync>;

/// What chains are mixed with.
#[derive(Clone)]
pub enum Mixing {
    /// Nothing.
    None,
    /// A clock known from the plan.
    Steady(Cycles),
    /// The harmonic n/m of a clock that is found in the samples of each point.
    Found(u32, u32),
}

/// What a chain does behind the mixing.
#[derive(Debug)]
pub enum Filter {
    /// A recursive filter.
    Sections(Box<Sections>),
    /// A finite impulse response.
    Taps(Taps),
}

/// A recursive filter, by what samples add to its state.
#[derive(Debug)]
pub struct Sections {
    weights: Weights,
    /// By state: the weights of a whole segment's samples, turned, where sums over them do not do.
    single: Vec<[Vec<Samples>; 2]>,
    /// By the samples of a segment: what ones add to the state, before they are turned.
    ones: Vec<OnceLock<Vec<Complex64>>>,
}

/// One chain.
#[derive(Debug)]
pub struct Chain {
    /// The filter.
    pub filter: Filter,
    /// What the output is multiplied by.
    pub factor: f64,
}

/// Chains that share their source and mixing, and of which the same samples are kept. What one of them gives does
/// not depend on the others.
pub struct Group {
    /// The chains.
    pub chains: Vec<Chain>,
    /// Of the outputs, 0, every, 2·every, ... are kept.
    pub every: u64,
    /// What they are mixed with.
    pub mixing: Mixing,
    /// Turns by which the samples of a whole segment are ahead of its last one.
    cosines: Vec<Samples>,
    sines: Vec<Samples>,
}

/// A segment: its samples, and the groups that they fill from the end.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Segment {
    start: u64,
    end: u64,
}

impl Segment {
    fn samples(self) -> usize {
        (self.end - self.start) as usize
    }

    fn groups(self) -> usize {
        self.samples().div_ceil(LANES)
    }

    /// Places in the first group that lie before the segment.
    fn pad(self) -> usize {
        LANES * self.groups() - self.samples()
    }
}

/// What a slab adds to the chains.
#[derive(Debug, Default)]
pub struct Part {
    start: u64,
    end: u64,
    /// By segment touched: the turn of its last sample.
    turns: Vec<Complex64>,
    /// The first sample of every segment that begins here.
    firsts: Vec<f64>,
    /// By chain: by segment and state, what is added; or by kept sample.
    added: Vec<Vec<Complex64>>,
    /// Sum of the samples.
    pub total: f64,
}

/// The turn of a mixed chain, `sin + i·cos` of the phase: it makes a sine of amplitude 1 half of one.
fn turn(cycles: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(TAU * cycles);
    Complex64::new(sin, cos)
}

/// A group at one point, whose clock is known.
#[derive(Clone)]
pub struct Timed<'g> {
    /// The group.
    pub group: &'g Group,
    /// The clock, where it is found in the samples.
    pub phases: Option<Arc<dyn Phases>>,
}

impl Timed<'_> {
    /// What a sample is multiplied by.
    fn turn(&self, sample: u64) -> Complex64 {
        match (&self.group.mixing, &self.phases) {
            (Mixing::Steady(cycles), _) => turn(cycles(sample)),
            (Mixing::Found(n, m), Some(phases)) => {
                turn(harmonic(phases.line(sample).phase, *n, *m))
            }
            _ => Complex64::ONE,
        }
    }

    /// What the sums of a segment are multiplied by: turns are counted from its last sample where they are the same
    /// for all segments.
    fn turn_of(&self, segment: Segment) -> Complex64 {
        match self.group.mixing {
            Mixing::Found(..) => Complex64::ONE,
            _ => self.turn(segment.end - 1),
        }
    }
}

impl Group {
    /// A group of chains behind a mixing.
    pub fn new(chains: Vec<Chain>, every: u64, mixing: Mixing) -> Self {
        let [cosines, sines] = by_place(|age| mixing.ahead(age as u64));
        Group {
            chains,
            every,
            mixing,
            cosines,
            sines,
        }
    }

    /// The segment that holds a sample.
    fn segment(&self, sample: u64) -> Segment {
        let kept = sample - sample % self.every;
        let length = (LANES * GROUPS) as u64;
        let start = sample - (sample - kept) % length;
        Segment {
            start,
            end: (start + length).min(kept + self.every),
        }
    }
}

impl<'g> Timed<'g> {
    /// Begins a slab at a sample; `pedestal` is taken off every sample.
    pub fn slab(&self, start: u64, pedestal: f64) -> Slab<'g> {
        let group = self.group;
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
            samples: Vec::new(),
            part: Part {
                start,
                end: start,
                added: vec![Vec::new(); group.chains.len()],
                ..Part::default()
            },
        };
        slab.enter();
        slab
    }
}

/// Real and imaginary parts of a quantity by the age of a sample, for the places of a whole segment.
fn by_place(of: impl Fn(usize) -> Complex64) -> [Vec<Samples>; 2] {
    let at = |place: usize| of(LANES * GROUPS - 1 - place);
    let table = |part: fn(Complex64) -> f64| -> Vec<Samples> {
        let group = |group: usize| std::array::from_fn(|lane| part(at(LANES * group + lane)));
        (0..GROUPS).map(group).collect()
    };
    [table(|z| z.re), table(|z| z.im)]
}

impl Chain {
    /// Sums of no samples, by state.
    fn rest(&self) -> Vec<[Samples; 2]> {
        match &self.filter {
            Filter::Sections(sections) => vec![Default::default(); sections.single.len()],
            Filter::Taps(_) => Vec::new(),
        }
    }
}

impl Mixing {
    /// `exp(2πi·(phase at n - phase at 0))`: what a sample is ahead of one that lies n behind it.
    pub fn ahead(&self, n: u64) -> Complex64 {
        match self {
            Mixing::Steady(cycles) => {
                let (sin, cos) = libm::sincos(TAU * (cycles(n) - cycles(0)));
                Complex64::new(cos, sin)
            }
            _ => Complex64::ONE,
        }
    }
}

/// Samples of one slab on their way into the sums.
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
    /// All samples, the pedestal taken off, where a finite impulse response needs them.
    samples: Vec<f64>,
    part: Part,
}

impl Slab<'_> {
    /// Enters the segment of the next sample.
    fn enter(&mut self) {
        self.segment = self.group.segment(self.at);
        let place = self.segment.pad() + (self.at - self.segment.start) as usize;
        (self.done, self.carried) = (place / LANES, place % LANES);
        self.carry = [0.0; LANES];
        self.sums = Sums::default();
        self.single
            .iter_mut()
            .flatten()
            .for_each(|s| *s = Default::default());
        if let (Mixing::Found(n, m), Some(phases)) = (&self.group.mixing, &self.timed.phases) {
            let (start, end) = (self.segment.start, self.segment.end);
            self.turns.fill(phases.as_ref(), (*n, *m), start, end);
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        if self
            .group
            .chains
            .iter()
            .any(|c| matches!(c.filter, Filter::Taps(_)))
        {
            let level = samples.iter().map(|x| x - self.pedestal);
            self.samples.extend(level);
        }
        while let Some(first) = samples.first() {
            if self.at == self.segment.start {
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
    fn sum(&mut self, mut samples: &[f64]) {
        if self.carried > 0 {
            samples = self.fill(samples);
        }
        let (groups, rest) = samples.as_chunks::<LANES>();
        self.add(groups, self.pedestal);
        self.fill(rest);
    }

    /// Fills up the group that is not complete, and sums it when it is; what was not needed is left.
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

    fn add(&mut self, groups: &[Samples], pedestal: f64) {
        let from = GROUPS - self.segment.groups() + self.done;
        let group = self.group;
        let (cosines, sines) = match self.turns.of(from) {
            Some(turns) => turns,
            None => (&group.cosines[from..], &group.sines[from..]),
        };
        sums::add(
            &mut self.sums,
            &mut self.plain,
            groups,
            pedestal,
            cosines,
            sines,
        );
        for (chain, single) in group.chains.iter().zip(&mut self.single) {
            if let Filter::Sections(sections) = &chain.filter {
                sections.add(single, groups, pedestal, from, self.turns.of(from));
            }
        }
        self.done += groups.len();
    }

    /// Gives the sums of a segment to the chains, as if no more samples came.
    fn leave(&mut self) {
        if self.carried > 0 {
            self.add(&[self.carry], 0.0);
        }
        sums::pass(&mut self.sums, self.segment.groups() - self.done);
        let turn = self.timed.turn_of(self.segment);
        self.part.turns.push(turn);
        let chains = self.group.chains.iter().zip(&self.single);
        for ((chain, single), added) in chains.zip(&mut self.part.added) {
            if let Filter::Sections(sections) = &chain.filter {
                sections.added(&self.sums, single, |z| added.push(z * turn));
            }
        }
    }

    /// What the slab adds.
    pub fn finish(mut self) -> Part {
        if self.at > self.segment.start && self.at > self.part.start {
            self.leave();
        }
        for (chain, added) in self.group.chains.iter().zip(&mut self.part.added) {
            if let Filter::Taps(taps) = &chain.filter {
                *added = taps.parts(&self.samples, self.part.start, self.group.every);
            }
        }
        Part {
            end: self.at,
            total: sums::across(self.plain),
            ..self.part
        }
    }
}

impl Sections {
    /// A cascade of sections `[b0, b1, b2, a1, a2]` behind a mixing; `None` for one that is too long.
    pub fn new(sections: &[[f64; 5]], mixing: &Mixing) -> Option<Self> {
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
            weights,
            single,
            ones: (0..=LANES * GROUPS).map(|_| OnceLock::new()).collect(),
        })
    }

    /// Adds groups of samples, each less `pedestal`, of which the first is at a place in a whole segment.
    fn add(
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

    /// What sums over a segment add to the state.
    fn added(&self, sums: &Sums, single: &[[Samples; 2]], mut give: impl FnMut(Complex64)) {
        for weights in self.weights.sums.iter().flatten() {
            let [re, im] = sums::weighed(weights, sums);
            give(Complex64::new(re, im));
        }
        for [re, im] in single {
            give(Complex64::new(sums::across(*re), sums::across(*im)));
        }
    }

    /// What a segment of ones adds to the state, before it is turned.
    fn ones(&self, group: &Group, samples: usize) -> &[Complex64] {
        self.ones[samples].get_or_init(|| {
            let segment = Segment {
                start: 0,
                end: samples as u64,
            };
            let mut places = vec![0.0; segment.pad()];
            places.resize(LANES * segment.groups(), 1.0);
            let (groups, _) = places.as_chunks::<LANES>();
            let from = GROUPS - segment.groups();
            let (mut sums, mut plain) = (Sums::default(), [0.0; LANES]);
            let (cosines, sines) = (&group.cosines[from..], &group.sines[from..]);
            sums::add(&mut sums, &mut plain, groups, 0.0, cosines, sines);
            let mut single = vec![Default::default(); self.single.len()];
            self.add(&mut single, groups, 0.0, from, None);
            let mut ones = Vec::new();
            self.added(&sums, &single, |z| ones.push(z));
            ones
        })
    }

    /// The output at the next sample.
    fn answer(&self, state: &[Complex64], next: Complex64) -> Complex64 {
        let held = self.weights.out.iter().zip(state).map(|(c, w)| w * *c);
        held.sum::<Complex64>() + next * self.weights.direct
    }

    /// Moves a state over so many samples that add this.
    fn advance(&self, state: &mut [Complex64], samples: usize, added: &[Complex64]) {
        let step = self.weights.step(samples);
        let rows = step.chunks_exact(state.len());
        let moved = |row: &[f64]| {
            row.iter()
                .zip(&*state)
                .map(|(a, w)| w * *a)
                .sum::<Complex64>()
        };
        let moved: Vec<Complex64> = rows.map(moved).collect();
        for ((w, moved), added) in state.iter_mut().zip(moved).zip(added) {
            *w += moved + added;
        }
    }
}

/// A chain followed from slab to slab.
pub struct Following<'g> {
    timed: Timed<'g>,
    group: &'g Group,
    chain: usize,
    /// The state, and what the unfinished segment has added so far; for a finite impulse response the unfinished
    /// outputs.
    state: Vec<Complex64>,
    pending: Vec<Complex64>,
    /// The same for a constant of one; empty where that is not asked for.
    ones: Vec<Complex64>,
    /// Kept outputs.
    pub kept: Vec<Complex64>,
    /// What a constant of one gives in them.
    pub kept_ones: Vec<Complex64>,
}

impl<'g> Following<'g> {
    /// A chain at rest; with `ones`, it is followed as well what a constant of one gives.
    pub fn new(timed: &Timed<'g>, chain: usize, ones: bool) -> Self {
        let group = timed.group;
        let states = match &group.chains[chain].filter {
            Filter::Sections(sections) => sections.weights.states,
            Filter::Taps(_) => 0,
        };
        let rest = vec![Complex64::ZERO; states];
        Following {
            timed: timed.clone(),
            group,
            chain,
            pending: rest.clone(),
            ones: if ones { rest.clone() } else { Vec::new() },
            state: rest,
            kept: Vec::new(),
            kept_ones: Vec::new(),
        }
    }

    /// Takes what the next slab adds.
    pub fn take(&mut self, part: &Part, ones: bool) {
        let chain = &self.group.chains[self.chain];
        match &chain.filter {
            Filter::Sections(sections) => self.follow(sections, part, ones),
            Filter::Taps(taps) => {
                let added = &part.added[self.chain];
                let every = self.group.every;
                let first = part.start.div_ceil(every);
                for (index, z) in (first..).zip(added) {
                    let at = (index - first) as usize;
                    match self.pending.get_mut(at) {
                        Some(pending) => *pending += z,
                        None => self.pending.push(*z),
                    }
                }
                let complete = part.end.div_ceil(every) - first;
                let done: Vec<Complex64> = self.pending.drain(..complete as usize).collect();
                for (index, z) in (first..).zip(done) {
                    let turn = self.timed.turn(index * every);
                    self.kept.push(z * turn);
                    if ones {
                        self.kept_ones.push(taps.ones(index * every) * turn);
                    }
                }
            }
        }
    }

    fn follow(&mut self, sections: &Sections, part: &Part, ones: bool) {
        let every = self.group.every;
        let states = sections.weights.states;
        let mut firsts = part.firsts.iter();
        let mut at = part.start;
        let added = part.added[self.chain].chunks_exact(states);
        for (added, turn) in added.zip(&part.turns) {
            let segment = self.group.segment(at);
            if at == segment.start {
                let first = firsts.next().copied().unwrap_or(0.0);
                if at.is_multiple_of(every) {
                    let turn = self.timed.turn(at);
                    self.kept.push(sections.answer(&self.state, turn * first));
                    if ones {
                        self.kept_ones.push(sections.answer(&self.ones, turn));
                    }
                }
            }
            let pending = self.pending.iter_mut().zip(added);
            pending.for_each(|(pending, added)| *pending += added);
            if segment.end > part.end {
                return;
            }
            sections.advance(&mut self.state, segment.samples(), &self.pending);
            self.pending.fill(Complex64::ZERO);
            if ones {
                let added = sections.ones(self.group, segment.samples()).iter();
                let added: Vec<Complex64> = added.map(|z| z * turn).collect();
                sections.advance(&mut self.ones, segment.samples(), &added);
            }
            at = segment.end;
        }
    }

    /// The kept samples, a constant `offset` taken away from what went in.
    pub fn outputs(self, offset: f64) -> Vec<Complex64> {
        let factor = self.group.chains[self.chain].factor;
        let Following {
            mut kept,
            kept_ones,
            ..
        } = self;
        for (z, one) in kept.iter_mut().zip(kept_ones) {
            *z -= one * offset;
        }
        kept.iter_mut().for_each(|z| *z *= factor);
        kept
    }
}
