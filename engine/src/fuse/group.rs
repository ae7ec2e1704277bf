//! Chains behind one mixing that are computed together, slab by slab.
//!
//! The samples of a point are cut into segments, at every sample that is kept and in between after 128 samples.
//! Slabs of samples are worked on by themselves, in any order ([`super::slab`]): for each stretch from one kept
//! sample to the next they give what its samples add to every chain's state. What a stretch gets from two slabs is
//! added up. Then the states are followed from kept sample to kept sample, in order, which is cheap
//! ([`super::following`]).

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::Complex64;

use super::sections::Sections;
use super::sums::{GROUPS, Group as Samples, LANES};
use super::taps::Taps;
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
    pub(super) cosines: Vec<Samples>,
    pub(super) sines: Vec<Samples>,
    /// Whether any chain takes the sums that all may share.
    pub(super) summed: bool,
}

/// A segment: its samples, and the groups that they fill from the end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Segment {
    pub start: u64,
    pub end: u64,
}

impl Segment {
    pub fn samples(self) -> usize {
        (self.end - self.start) as usize
    }

    pub fn groups(self) -> usize {
        self.samples().div_ceil(LANES)
    }

    /// Places in the first group that lie before the segment.
    pub fn pad(self) -> usize {
        LANES * self.groups() - self.samples()
    }
}

/// What a slab adds to the chains.
#[derive(Debug, Default)]
pub struct Part {
    pub(super) start: u64,
    pub(super) end: u64,
    /// The kept samples that are in the slab.
    pub(super) firsts: Vec<f64>,
    /// By chain: by stretch and state, what is added; or by output.
    pub(super) added: Vec<Vec<Complex64>>,
    /// Where the state is to which a stretch that is not complete adds: the end of a segment.
    pub(super) cut: u64,
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
    pub(super) fn turn(&self, sample: u64) -> Complex64 {
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
    pub(super) fn turn_of(&self, segment: Segment) -> Complex64 {
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
        let summed = chains.iter().any(|chain| match &chain.filter {
            Filter::Sections(sections) => sections.is_summed(),
            Filter::Taps(_) => false,
        });
        Group {
            chains,
            every,
            mixing,
            cosines,
            sines,
            summed,
        }
    }

    /// The segment that holds a sample.
    pub(super) fn segment(&self, sample: u64) -> Segment {
        let kept = sample - sample % self.every;
        let length = (LANES * GROUPS) as u64;
        let start = sample - (sample - kept) % length;
        Segment {
            start,
            end: (start + length).min(kept + self.every),
        }
    }
}

/// Real and imaginary parts of a quantity by the age of a sample, for the places of a whole segment.
pub(super) fn by_place(of: impl Fn(usize) -> Complex64) -> [Vec<Samples>; 2] {
    let at = |place: usize| of(LANES * GROUPS - 1 - place);
    let table = |part: fn(Complex64) -> f64| -> Vec<Samples> {
        let group = |group: usize| std::array::from_fn(|lane| part(at(LANES * group + lane)));
        (0..GROUPS).map(group).collect()
    };
    [table(|z| z.re), table(|z| z.im)]
}

impl Chain {
    /// Sums of no samples, by state.
    pub(super) fn rest(&self) -> Vec<[Samples; 2]> {
        match &self.filter {
            Filter::Sections(sections) => sections.rest(),
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
